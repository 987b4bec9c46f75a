"""Service events along the top of a chart, as many as can be told apart."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from arcdrift.figures.theme import Scheme, colors

NEW_SPLICER = "first day on another splicer"
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
}
"""The weightiest first: it lends its symbol to a mark that stands for several."""
MINOR = frozenset({"cleaned", "blade rotated", "other"})
"""Frequent and small: a symbol, but no line through the plot."""
MOST_MARKS = 30
"""Days of a chart that have a mark of their own; more than these run together on a phone."""
MOST_GATHERED = 20
"""Marks of several days each that stand side by side on a phone."""
SMALL, LARGE = 7, 11
"""Sizes of marks, in pixels."""
MOST_LINES = 12
"""Lines through one plot beyond which they hide the data."""
MOST_NAMES, MOST_ACTIONS = 4, 6
"""Names of an action, and actions of a mark, that are listed."""


@dataclass(frozen=True)
class Marks:
    """Events as they are drawn.

    Attributes
    ----------
    rows : DataFrame
        One a mark: ``at``, ``action`` (the weightiest), ``size`` in pixels, and ``told`` (all of
        it, for the pointer).
    words : str
        How many events there are and what was left out, a sentence or two; empty where every
        event of the one machine has a mark of its own.
    """

    rows: pd.DataFrame
    words: str


def condensed(events: pd.DataFrame, first: Any, last: Any) -> Marks:
    """Gather events between two instants into marks that can be told apart.

    Events of one day are one mark. Where there are more such days than `MOST_MARKS`, the frequent
    and small ones are left out, and what remains is gathered over several days.

    Parameters
    ----------
    events : DataFrame
        ``at`` (naive local time), ``action`` (words) and optionally ``asset``, what it was done to.
    """
    shown = events[(events["at"] >= first) & (events["at"] <= last)]
    if shown.empty:
        return Marks(pd.DataFrame({"at": [], "action": [], "size": [], "told": []}), "")
    shown = shown.assign(
        day=shown["at"].dt.normalize(),
        weight=[_weight(action) for action in shown["action"]],
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
    most, rows = shown["day"].value_counts().max(), []
    for day, mine in shown.groupby("day"):
        main = mine.loc[mine["weight"].idxmin()]
        at = main["at"] if days == 1 else day + pd.Timedelta(days=days) / 2
        size = SMALL if main["action"] in MINOR else LARGE
        if days > 1:
            size = SMALL + (LARGE - SMALL) * len(mine) / most
        told = _told(mine, several)
        rows.append({"at": at, "action": main["action"], "size": size, "told": told})
    words = ""
    if several or len(rows) < len(shown) or len(left_out):
        words = f"Marks along the top: {_counted(shown)}."
        if days > 1:
            words += f" One mark gathers up to {days} days, a larger one more events."
        if len(left_out):
            words += f" Not marked, as they are too many: {_counted(left_out)}."
    return Marks(pd.DataFrame(rows), words)


def _weight(action: str) -> int:
    """Place of an action in `ACTION_SYMBOLS`; last where it is not in it."""
    return list(ACTION_SYMBOLS).index(action) if action in ACTION_SYMBOLS else len(ACTION_SYMBOLS)


def _counted(events: pd.DataFrame) -> str:
    counts = events.sort_values("weight", kind="stable").groupby("action", sort=False).size()
    return ", ".join(f"{action} ({n:,})" for action, n in counts.items())


def _told(events: pd.DataFrame, several: bool) -> str:
    begin, end = events["at"].iloc[0], events["at"].iloc[-1]
    lines = [f"{begin:%d %b %Y}"]
    if begin.date() != end.date():
        lines[0] += f" to {end:%d %b %Y}"
    by_action = list(events.sort_values("weight", kind="stable").groupby("action", sort=False))
    for action, mine in by_action[:MOST_ACTIONS]:
        names = list(dict.fromkeys(map(str, mine["asset"]))) if several else []
        more = len(names) - MOST_NAMES
        said = ", ".join(names[:MOST_NAMES]) + (f" and {more} more" if more > 0 else "")
        times = f" ({len(mine)} times)" if not several and len(mine) > 1 else ""
        lines.append(f"{action}{times}{': ' * bool(said)}{said}")
    more = len(by_action) - MOST_ACTIONS
    return "<br>".join([*lines, f"and {more} more"] if more > 0 else lines)


def mark_events(
    figure: go.Figure, events: pd.DataFrame, *, first: Any, last: Any, scheme: Scheme
) -> str:
    """Draw events between `first` and `last` as symbols along the top of the plot.

    Parameters are those of `condensed`.

    Returns
    -------
    str
        What to say of them, see `Marks`.
    """
    c = colors(scheme)
    marks = condensed(events, first, last)
    shown = marks.rows
    if shown.empty:
        return ""
    figure.update_layout(
        yaxis2={
            "overlaying": "y",
            "range": [0, 1],
            "visible": False,
            "fixedrange": True,
        }
    )
    line = {"color": c.muted, "width": 1, "dash": "dot"}
    lines = [
        {"type": "line", "x0": at, "x1": at, "yref": "paper", "y0": 0, "y1": 1}
        | {"line": line, "layer": "below"}
        for at in shown.loc[~shown["action"].isin(MINOR), "at"]
    ]
    if len(lines) <= MOST_LINES:
        figure.update_layout(shapes=[*figure.layout.shapes, *lines])
    for action in sorted(shown["action"].unique(), key=_weight):
        rows = shown[shown["action"] == action]
        figure.add_trace(
            go.Scatter(
                x=rows["at"],
                y=np.full(len(rows), 0.97),
                yaxis="y2",
                mode="markers",
                name=str(action),
                marker={
                    "symbol": ACTION_SYMBOLS.get(str(action), "hexagon"),
                    "size": rows["size"],
                    "color": c.surface,
                    "line": {"color": c.ink, "width": 1.5},
                },
                customdata=rows["told"],
                hovertemplate="%{customdata}<extra></extra>",
            )
        )
    return marks.words
