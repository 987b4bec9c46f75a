"""Charts of one subject: a splicer, person, site, the crew, or a stream's other measures."""

from datetime import date
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from arcdrift.figures.loss import HEADROOM
from arcdrift.figures.marks import HALF_DAY, extent, mark_alarms, mark_days
from arcdrift.figures.picture import Picture, nothing
from arcdrift.figures.stream_chart import NO_EVENTS
from arcdrift.figures.theme import Scheme, colors, new_figure
from arcdrift.instants import day_text


class Scale(NamedTuple):
    """How a measure is drawn: axis title, factor, format, unit, and nouns for a day and a count."""

    title: str
    factor: float
    form: str
    unit: str
    day: str
    items: str


SCALES: dict[str, Scale] = {
    "level": Scale(
        "Loss, as a multiple of usual", 1.0, ".2f", " times", "loss of the day", "splices"
    ),
    "spread": Scale(
        "Scatter, as a share of the mean", 100.0, ".0f", " %", "scatter of the day", "splices"
    ),
    "spread of many": Scale(
        "Scatter, as a multiple of usual", 1.0, ".2f", " times", "scatter of the day", "splices"
    ),
    "dirty": Scale("Dirty splices, %", 100.0, ".1f", " %", "dirty that day", "splices"),
    "first_time": Scale(
        "Places not right first time, %", 100.0, ".1f", " %", "not right that day", "places"
    ),
    "errors": Scale("Errors per attempt, %", 100.0, ".1f", " %", "errors that day", "attempts"),
}
LEAST_PCT = 0.5
"""Least common change of a day, in percent, that the summary mentions."""
COLUMNS = ["day", "n", "value", "expected", "statistic", "limit", "alarm"]


def subject_days(
    days: pd.DataFrame,
    measure: str,
    events: pd.DataFrame = NO_EVENTS,
    *,
    onset: tuple[Any, Any] | None = None,
    scheme: Scheme = "light",
) -> Picture:
    """Draw days of one subject and what was expected from earlier days.

    Parameters
    ----------
    days : DataFrame
        Rows of ``result_subject_days`` of one subject and measure; the spread of anything but a
        stream (``subject_type``) is a multiple of what its streams usually have.
    measure : str
        ``level``, ``spread``, ``dirty``, ``first_time`` or ``errors``.
    events : DataFrame
        Service events, ``at`` (naive local), ``action`` and ``asset``.
    onset : (earliest, latest), optional
        Range of days in which an open change likely began.
    """
    table = days.sort_values("day")[COLUMNS]
    if table.empty:
        return nothing("No days of this chart in this period.", table)
    kind = days["subject_type"].iloc[0] if "subject_type" in days.columns else "stream"
    of_many = measure == "spread" and kind != "stream"
    c, scale = colors(scheme), SCALES["spread of many" if of_many else measure]
    shown = _frame(table, scale)
    figure = new_figure(scheme, y_title=scale.title)
    marks = _backdrop(figure, shown, events, onset, scheme)
    figure.add_trace(
        go.Scatter(
            x=shown["at"],
            y=shown["expected"],
            name="expected from earlier days",
            mode="lines",
            line={"color": c.expected, "width": 1.5, "dash": "dash"},
            hovertemplate=f"%{{x|%-d %b %Y}}<br>expected %{{y:{scale.form}}}{scale.unit}"
            "<extra></extra>",
        )
    )
    figure.add_trace(
        go.Scatter(
            x=shown["at"],
            y=shown["value"],
            name=scale.day,
            mode="markers",
            marker={"color": c.main, "size": 7},
            customdata=shown["n"],
            hovertemplate=f"%{{x|%-d %b %Y}}<br>%{{y:{scale.form}}}{scale.unit}, "
            f"%{{customdata}} {scale.items}<extra></extra>",
        )
    )
    _alarms(figure, shown, "value", scheme)
    top = extent(shown[["value", "expected"]])[1]
    figure.layout.yaxis.range = [0, HEADROOM * max(top, 1e-6)]
    last = shown.iloc[-1]
    alarms = int(shown["alarm"].sum())
    expected = (
        f", {last['expected']:{scale.form}}{scale.unit} was expected"
        if pd.notna(last["expected"])
        else ", not judged yet"
    )
    summary = (
        f"{len(table)} days, {int(table['n'].sum()):,} {scale.items}, {alarms} "
        f"alarm{'' if alarms == 1 else 's'}. Last day, {shown_day(last)}: "
        f"{last['value']:{scale.form}}{scale.unit}{expected}. {marks}"
    ).strip()
    return Picture(figure, summary, table)


def shown_day(row: "pd.Series[Any]") -> str:
    """Write the day of a row of days."""
    return day_text(date.fromisoformat(row["day"]))


def subject_evidence(
    days: pd.DataFrame,
    events: pd.DataFrame = NO_EVENTS,
    *,
    onset: tuple[Any, Any] | None = None,
    scheme: Scheme = "light",
) -> Picture:
    """Draw the control chart of one subject: its statistic as a share of the limit.

    Parameters are those of `subject_days`.
    """
    table = days.sort_values("day")[COLUMNS]
    share = table["statistic"] / table["limit"]
    if share.notna().sum() == 0:
        return nothing("No evidence is kept yet: a chart needs some days first.", table)
    c = colors(scheme)
    shown = _frame(table, SCALES["dirty"]).assign(share=100 * share)
    figure = new_figure(scheme, y_title="Evidence of a rise, % of the limit", height=300)
    _backdrop(figure, shown, events, onset, scheme)
    figure.add_trace(
        go.Scatter(
            x=shown["at"],
            y=shown["share"],
            name="evidence of a rise",
            mode="lines",
            line={"color": c.rise, "width": 2},
            hovertemplate="%{x|%-d %b %Y}<br>%{y:.0f} % of the limit<extra></extra>",
        )
    )
    figure.add_trace(
        go.Scatter(
            x=shown["at"].iloc[[0, -1]],
            y=[100, 100],
            name="limit: an alarm beyond it",
            mode="lines",
            line={"color": c.limit, "width": 1.5, "dash": "dash"},
            hoverinfo="skip",
        )
    )
    _alarms(figure, shown, "share", scheme)
    figure.layout.yaxis.range = [0, HEADROOM * max(extent(shown[["share"]])[1], 100.0)]
    last = shown[shown["share"].notna()].iloc[-1]
    summary = (
        f"On the last judged day ({shown_day(last)}) the evidence stood at "
        f"{last['share']:.0f} % of the limit. It grows while days lie above what was expected, "
        "fades when they do not, and starts again from zero after an alarm."
    )
    return Picture(figure, summary, table)


def shared_effect(days: pd.DataFrame, *, scheme: Scheme = "light") -> Picture:
    """Draw what each day did to the loss of the whole crew.

    Parameters
    ----------
    days : DataFrame
        ``day`` (ISO), ``crew_effect`` (level scale of
        `arcdrift.analysis.loss.day_level.relative_level`) of every charted stream day.
    """
    known = days.dropna(subset=["crew_effect"])
    mean = known.groupby("day", as_index=False)["crew_effect"].mean()
    change = 100 * (np.maximum(1 + mean["crew_effect"] / 3, 0) ** 3 - 1)
    table = pd.DataFrame({"day": mean["day"], "change_pct": change.round(2)})
    if table.empty or not table["change_pct"].abs().max() >= LEAST_PCT:
        return nothing(
            "No day has moved the loss of the whole crew at once so far; telling it takes at least "
            "five splicers at work on the same day.",
            table,
        )
    c = colors(scheme)
    figure = new_figure(scheme, y_title="Shared change of loss, %", height=260)
    figure.add_trace(
        go.Bar(
            x=pd.to_datetime(table["day"]),
            y=table["change_pct"],
            name="what the day did to everybody",
            marker={"color": c.main},
            hovertemplate="%{x|%-d %b %Y}<br>%{y:+.1f} % for everybody<extra></extra>",
        )
    )
    figure.layout.yaxis.update(zeroline=True, ticksuffix=" %")
    most = table.iloc[int(table["change_pct"].abs().to_numpy().argmax())]
    last = table.iloc[-1]
    summary = (
        f"The largest shared change was {most['change_pct']:+.0f} % on {shown_day(most)}; "
        f"on the last day ({shown_day(last)}) there was "
        + (
            f"one of {last['change_pct']:+.0f} %."
            if abs(last["change_pct"]) >= LEAST_PCT
            else "none to speak of."
        )
    )
    return Picture(figure, summary, table)


def _frame(table: pd.DataFrame, scale: Scale) -> pd.DataFrame:
    return table.assign(
        at=pd.to_datetime(table["day"]),
        value=scale.factor * table["value"],
        expected=scale.factor * table["expected"],
        alarm=table["alarm"].astype(bool),
    )


def _backdrop(
    figure: go.Figure,
    shown: pd.DataFrame,
    events: pd.DataFrame,
    onset: tuple[Any, Any] | None,
    scheme: Scheme,
) -> str:
    marks = mark_days(figure, shown["at"], events, onset, scheme)
    first, last = shown["at"].iloc[0], shown["at"].iloc[-1]
    figure.layout.xaxis.range = [first - 2 * HALF_DAY, last + 2 * HALF_DAY]
    return marks


def _alarms(figure: go.Figure, shown: pd.DataFrame, column: str, scheme: Scheme) -> None:
    rows = shown[shown["alarm"]]
    mark_alarms(
        figure, rows["at"], rows[column], name="alarm: it has risen", symbol="triangle-up",
        size=13, color=colors(scheme).rise, scheme=scheme,
    )  # fmt: skip
