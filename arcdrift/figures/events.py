"""Service events as marks along the top of a chart, few enough to be distinguished."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from arcdrift.figures.plain_figure import label
from arcdrift.figures.theme import Scheme, colors
from arcdrift.instants import day_text

NEW_SPLICER = "first day on another splicer"
REMARK = "remark"
ACTION_SYMBOLS: dict[str, str] = {
    "electrodes replaced": "diamond",
    "factory service": "star",
    "firmware updated": "square",
    "blade replaced": "cross",
    NEW_SPLICER: "triangle-right",
    "v-grooves cleaned": "triangle-down",
    "blade rotated": "cross-thin",
    "cleaned": "circle",
    "other": "hexagon",
    REMARK: "pentagon",
}
"""Symbols by action, the most important first; a mark of several actions has the first one's."""
MINOR = frozenset({"cleaned", "blade rotated", "other", REMARK})
"""Frequent, minor actions: they have a symbol, but no line through the plot."""
MOST_MARKS = 30
"""Days with a mark of their own at most; more would overlap on a phone."""
MOST_GATHERED = 20
"""Marks of several days each at most; more would overlap on a phone."""
SMALL, LARGE = 7, 11
"""Sizes of marks, in pixels."""
MOST_LINES = 12
"""Lines through one plot at most; more would hide the data."""
OVER_IT: dict[str, Any] = {
    "overlaying": "y", "range": [0, 1], "visible": False, "fixedrange": True,
}  # fmt: skip
"""Axis of the marks, over that of the values."""
MOST_NAMES, MOST_ACTIONS = 4, 6
"""Names listed at most for an action, and actions listed at most for a mark."""


@dataclass(frozen=True)
class Marks:
    """Marks to draw for events.

    Attributes
    ----------
    rows : DataFrame
        One a mark: ``at``, ``action`` (the weightiest), ``size`` in pixels, and ``hover`` (all of
        it, for the pointer).
    sentence : str
        How many events there are and what was left out, a sentence or two; empty where every
        event of the one machine has a mark of its own.
    """

    rows: pd.DataFrame
    sentence: str


def gather_marks(events: pd.DataFrame, first: Any, last: Any) -> Marks:
    """Gather events between two instants into marks that can be distinguished.

    Events of one day are one mark. Where there are more such days than `MOST_MARKS`, the frequent
    and small ones are left out, and what remains is gathered over several days.

    Parameters
    ----------
    events : DataFrame
        ``at`` (naive local time), ``action`` (words) and optionally ``asset``, what it was done to.
    """
    shown = events[(events["at"] >= first) & (events["at"] <= last)]
    if shown.empty:
        return Marks(pd.DataFrame({"at": [], "action": [], "size": [], "hover": []}), "")
    shown = shown.assign(
        day=shown["at"].dt.normalize(),
        weight=[_rank(action) for action in shown["action"]],
    ).sort_values("at", ignore_index=True)
    left_out = shown[:0]
    minor = shown["action"].isin(MINOR)
    if shown["day"].nunique() > MOST_MARKS and not minor.all():
        left_out, shown = shown[minor], shown[~minor]
    days = 1
    if shown["day"].nunique() > MOST_MARKS:
        begin = shown["day"].iloc[0]
        days = int(np.ceil(((shown["day"].iloc[-1] - begin).days + 1) / MOST_GATHERED))
        step = pd.Timedelta(days=days)
        shown = shown.assign(day=begin + (shown["day"] - begin) // step * step)
    several = "asset" in shown and len(set(events["asset"])) > 1
    largest, rows = shown["day"].value_counts().max(), []
    for day, day_events in shown.groupby("day"):
        main_event = day_events.loc[day_events["weight"].idxmin()]
        at = main_event["at"] if days == 1 else day + pd.Timedelta(days=days) / 2
        size = SMALL if main_event["action"] in MINOR else LARGE
        if days > 1:
            size = SMALL + (LARGE - SMALL) * len(day_events) / largest
        hover = _hover_text(day_events, several)
        rows.append({"at": at, "action": main_event["action"], "size": size, "hover": hover})
    sentence = ""
    if several or len(rows) < len(shown) or len(left_out):
        sentence = f"Marks along the top: {_counts_text(shown)}."
        if days > 1:
            sentence += f" One mark gathers up to {days} days, a larger one more events."
        if len(left_out):
            sentence += f" Not marked, as they are too many: {_counts_text(left_out)}."
    return Marks(pd.DataFrame(rows), sentence)


def _rank(action: str) -> int:
    """Return the position of an action in `ACTION_SYMBOLS`; last for any other action."""
    return list(ACTION_SYMBOLS).index(action) if action in ACTION_SYMBOLS else len(ACTION_SYMBOLS)


def _counts_text(events: pd.DataFrame) -> str:
    counts = events.sort_values("weight", kind="stable").groupby("action", sort=False).size()
    return ", ".join(f"{action} ({n:,})" for action, n in counts.items())


def _hover_text(events: pd.DataFrame, several: bool) -> str:
    begin, end = events["at"].iloc[0], events["at"].iloc[-1]
    lines = [day_text(begin)]
    if begin.date() != end.date():
        lines[0] += f" to {day_text(end)}"
    by_action = list(events.sort_values("weight", kind="stable").groupby("action", sort=False))
    for action, day_events in by_action[:MOST_ACTIONS]:
        names = list(dict.fromkeys(map(label, day_events["asset"]))) if several else []
        more = len(names) - MOST_NAMES
        names_text = ", ".join(names[:MOST_NAMES]) + (f" and {more} more" if more > 0 else "")
        times = f" ({len(day_events)} times)" if not several and len(day_events) > 1 else ""
        lines.append(f"{label(action)}{times}{': ' * bool(names_text)}{names_text}")
    more = len(by_action) - MOST_ACTIONS
    return "<br>".join([*lines, f"and {more} more"] if more > 0 else lines)


def event_layers(
    events: pd.DataFrame, *, first: Any, last: Any, scheme: Scheme
) -> tuple[list[dict[str, Any]], list[dict[str, Any]], str]:
    """Marks along the top of a plot and lines through it, for events between two instants.

    Parameters are those of `gather_marks`. The marks use the axis ``y2``, from 0 to 1.

    Returns
    -------
    traces, shapes : list of dict
        Of plain figures.
    sentence : str
        What to say of them, see `Marks`.
    """
    c = colors(scheme)
    marks = gather_marks(events, first, last)
    shown = marks.rows
    if shown.empty:
        return [], [], ""
    style = {"color": c.muted, "width": 1, "dash": "dot"}
    lines = [
        {"type": "line", "x0": at, "x1": at, "yref": "paper", "y0": 0, "y1": 1}
        | {"line": style, "layer": "below"}
        for at in shown.loc[~shown["action"].isin(MINOR), "at"].map(pd.Timestamp.isoformat)
    ]
    traces = []
    for action in sorted(shown["action"].unique(), key=_rank):
        rows = shown[shown["action"] == action]
        traces.append(
            {
                "type": "scatter",
                "x": rows["at"].map(pd.Timestamp.isoformat).tolist(),
                "y": [0.97] * len(rows),
                "yaxis": "y2",
                "mode": "markers",
                "name": str(action),
                "marker": {
                    "symbol": ACTION_SYMBOLS.get(str(action), "hexagon"),
                    "size": rows["size"].tolist(),
                    "color": c.surface,
                    "line": {"color": c.ink, "width": 1.5},
                },
                "customdata": rows["hover"].tolist(),
                "hovertemplate": "%{customdata}<extra></extra>",
            }
        )
    return traces, lines if len(lines) <= MOST_LINES else [], marks.sentence


def mark_events(
    figure: go.Figure, events: pd.DataFrame, *, first: Any, last: Any, scheme: Scheme
) -> str:
    """Draw events between `first` and `last` as symbols along the top of the plot.

    Parameters are those of `gather_marks`.

    Returns
    -------
    str
        What to say of them, see `Marks`.
    """
    traces, lines, sentence = event_layers(events, first=first, last=last, scheme=scheme)
    if not traces:
        return ""
    figure.update_layout(yaxis2=OVER_IT, shapes=[*figure.layout.shapes, *lines])
    figure.add_traces([go.Scatter(trace) for trace in traces])
    return sentence
