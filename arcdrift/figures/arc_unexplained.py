"""Chart of the part of a splicer's arc setting that air and electrode wear do not explain."""

from dataclasses import dataclass
from typing import Any

import pandas as pd
import plotly.graph_objects as go

from arcdrift.figures.events import mark_events
from arcdrift.figures.marks import broken, extent
from arcdrift.figures.picture import Picture, nothing
from arcdrift.figures.stream_chart import NO_EVENTS
from arcdrift.figures.theme import Scheme, colors, new_figure
from arcdrift.instants import day_text
from arcdrift.wording import capitalized, count_text, number_text

NOT_WATCHED = (
    "No check of this period was judged for drift. Drift is watched after 10 passed checks with "
    "known air and arc count when at least two sister splicers of the same model have been "
    "analyzed, after 30 otherwise; a model of the splicer's own may need more."
)

SINCE = "rgba(230,159,0,0.13)"
"""Shade of the days since an onset, under the data and the tolerance."""


@dataclass(frozen=True)
class ArcChange:
    """A change of the arc setting that air and wear do not explain, as its finding tells it.

    Attributes
    ----------
    size : float
        In the unit of the setting; above zero where the arc needs more than explained.
    since : Timestamp
        Its likely onset, naive local time.
    creeping : bool
        Whether it grew little by little, instead of in one step.
    service : str
        What was done since that may have ended it; empty for nothing.
    """

    size: float
    since: pd.Timestamp
    creeping: bool
    service: str = ""


def unexplained_part(points: pd.DataFrame) -> pd.DataFrame:
    """Return the part of each setting that air and wear do not explain.

    From the onset of a change on it is counted from what was expected before the onset, else a
    slow change would become its own reference; at all other times from what the checks before it
    led one to expect.

    Parameters
    ----------
    points : DataFrame
        Rows of ``result_arc_points`` of one splicer with ``at``, the naive local time.

    Returns
    -------
    DataFrame
        ``at``, ``unexplained`` in the unit of the setting, ``arc_setting``, ``level``, ``alarm``,
        in order of time; checks without an expectation are left out.
    """
    rows = points.sort_values("at")
    part = rows["beyond"].astype(float)
    part = part.where(part.notna(), rows["arc_setting"] - rows["expected"])
    table = rows.assign(unexplained=part)
    columns = ["at", "unexplained", "arc_setting", "level", "alarm"]
    return table.loc[part.notna(), columns].reset_index(drop=True)


def unexplained_title(
    points: pd.DataFrame, change: ArcChange | None, tolerance: float | None, unit: str
) -> str:
    """Say in one line what the chart shows."""
    table = unexplained_part(points)
    if table.empty:
        return "Setting beyond what air and wear explain"
    if change is not None:
        digits = 0 if abs(change.size) >= 1 else 1
        side = "above" if change.size > 0 else "below"
        what = f"{number_text(abs(change.size), digits)} {unit} {side} what air and wear explain"
        if change.service:
            return f"{what} from {day_text(change.since)} on; {change.service}"
        return f"{what}, {'creeping ' if change.creeping else ''}since {day_text(change.since)}"
    if tolerance is None:
        return "Setting beyond what air and wear explain"
    within = int((table["unexplained"].abs() <= tolerance).sum())
    whole = "all" if within == len(table) else f"{within} of"
    checks = count_text(len(table), "check")
    return f"Setting follows air and wear: {whole} {checks} within the tolerance"


def unexplained_setting(
    points: pd.DataFrame,
    events: pd.DataFrame = NO_EVENTS,
    change: ArcChange | None = None,
    tolerance: float | None = None,
    *,
    unit: str,
    scheme: Scheme = "light",
) -> Picture:
    """Draw the unexplained part of the setting as steps from check to check.

    A setting holds until the next check, hence steps. The tolerance is shaded around zero, the
    days since the onset of an open change as well, and service is marked along the top.

    Parameters
    ----------
    points : DataFrame
        As for `unexplained_part`.
    events : DataFrame
        Service and remarks: ``at`` (naive local time), ``action``.
    tolerance : float, optional
        In the unit of the setting; None where it is not known.
    """
    table = unexplained_part(points)
    if table.empty:
        return nothing(NOT_WATCHED, table)
    c = colors(scheme)
    first, last = table["at"].iloc[0], table["at"].iloc[-1]
    figure = new_figure(scheme, y_title=f"{capitalized(unit)} beyond air and wear",
                        height=330)  # fmt: skip
    shapes: list[dict[str, Any]] = []
    labels: list[dict[str, Any]] = []
    if tolerance is not None:
        shapes.append(_rect(first, last, -tolerance, tolerance, c.band))
        labels.append(_label(first, tolerance, f"tolerance ±{tolerance:.1f}", "left", "bottom"))
    if change is not None and not change.service and first <= change.since <= last:
        shapes.append({**_rect(change.since, last, 0, 1, SINCE), "yref": "paper"})
        words = f"since {day_text(change.since)}"
        labels.append({**_label(change.since, 0.02, words, "left", "bottom"), "yref": "paper"})
    figure.update_layout(shapes=shapes, annotations=[
        {**label, "font": {"size": 12, "color": c.ink}} for label in labels
    ])  # fmt: skip
    marks = mark_events(figure, events, first=first, last=last, scheme=scheme)
    figure.add_hline(y=0, line={"color": c.muted, "width": 1.2})
    line = broken(table[["at", "unexplained", "arc_setting", "level"]], "level")
    figure.add_trace(
        go.Scatter(
            x=line["at"],
            y=line["unexplained"],
            customdata=line["arc_setting"],
            name="setting beyond air and wear",
            showlegend=False,
            mode="lines+markers",
            line={"color": c.main, "width": 2, "shape": "hv"},
            marker={"size": 4.5, "color": c.main},
            hovertemplate="%{x|%-d %b %Y %H:%M}<br>%{y:+.1f} " + _plain(unit)
            + " beyond air and wear<br>set to %{customdata:g}<extra></extra>",
        )
    )  # fmt: skip
    alarms = table[table["alarm"].astype(bool)]
    if len(alarms):
        figure.add_trace(
            go.Scatter(
                x=alarms["at"],
                y=alarms["unexplained"],
                name="alarm",
                mode="markers",
                marker={"symbol": "diamond", "size": 12, "color": c.rise,
                        "line": {"color": c.surface, "width": 1}},
                hovertemplate="%{x|%-d %b %Y}<br>alarm<extra></extra>",
            )
        )  # fmt: skip
    low, high = extent(table[["unexplained"]])
    edge = tolerance or 0.0
    low, high = min(low, -edge), max(high, edge)
    room = max(high - low, 1.0)
    figure.layout.yaxis.range = [low - 0.1 * room, high + 0.2 * room]
    return Picture(figure, _summary(table, unit, marks), table)


def _summary(table: pd.DataFrame, unit: str, marks: str) -> str:
    last = table.iloc[-1]
    text = (
        f"{count_text(len(table), 'check')}. At the last one, {day_text(last['at'])}, the setting "
        f"lay {number_text(last['unexplained'], 1, signed=True)} {unit} beyond what air and "
        "electrode wear explain; up means that the arc needs more."
    )
    return f"{text} {marks}".strip()


def _plain(text: str) -> str:
    """Return a text that a hover template takes as it is, whatever a crew calls its unit."""
    return text.replace("{", "(").replace("<", "&lt;")


def _rect(x0: Any, x1: Any, y0: float, y1: float, color: str) -> dict[str, Any]:
    return {"type": "rect", "x0": x0, "x1": x1, "y0": y0, "y1": y1, "fillcolor": color,
            "line": {"width": 0}, "layer": "below"}  # fmt: skip


def _label(x: Any, y: float, text: str, xanchor: str, yanchor: str) -> dict[str, Any]:
    return {"x": x, "y": y, "text": text, "showarrow": False, "xanchor": xanchor,
            "yanchor": yanchor, "xshift": 4}  # fmt: skip
