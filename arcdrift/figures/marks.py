"""Marks that charts share: alarms, onset ranges, shaded learning days, broken bands."""

from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from arcdrift.figures.events import mark_events
from arcdrift.figures.theme import Scheme, colors


def shade_ranges(
    figure: go.Figure, ranges: Iterable[tuple[Any, Any]], *, name: str, color: str
) -> None:
    """Shade time ranges over the whole height, with one legend entry."""
    shapes = [
        {"type": "rect", "x0": start, "x1": end, "yref": "paper", "y0": 0, "y1": 1}
        | {"fillcolor": color, "line": {"width": 0}, "layer": "below"}
        for start, end in ranges
    ]
    figure.update_layout(shapes=[*figure.layout.shapes, *shapes])
    if shapes:
        figure.add_trace(
            go.Scatter(
                x=[None],
                y=[None],
                mode="markers",
                name=name,
                marker={"symbol": "square", "size": 12, "color": color},
                hoverinfo="skip",
            )
        )


def mark_alarms(
    figure: go.Figure, at: pd.Series, y: pd.Series, *, name: str, symbol: str, size: int,
    color: str, scheme: Scheme,
) -> None:  # fmt: skip
    """Mark alarms; without alarms there is no legend entry either."""
    if len(at) == 0:
        return
    figure.add_trace(
        go.Scatter(
            x=at,
            y=y,
            mode="markers",
            name=name,
            marker={
                "symbol": symbol,
                "size": size,
                "color": color,
                "line": {"color": colors(scheme).surface, "width": 1},
            },
            hovertemplate=f"%{{x|%-d %b %Y}}<br>{name}<extra></extra>",
        )
    )


HALF_DAY = pd.Timedelta(hours=12)


def mark_days(
    figure: go.Figure,
    at: pd.Series,
    events: pd.DataFrame,
    onset: tuple[Any, Any] | None,
    scheme: Scheme,
) -> str:
    """Draw the likely onset of a change and service events behind a chart of days.

    Returns what to say of the events (`arcdrift.figures.events.mark_events`).

    Parameters
    ----------
    at : Series
        The days in order.
    onset : (earliest, latest) or None
        Range of days in which an open change likely began.
    """
    if onset is not None:
        span = (onset[0] - HALF_DAY, onset[1] + HALF_DAY)
        name = "when the change likely began"
        shade_ranges(figure, [span], name=name, color=colors(scheme).onset)
    first, last = at.iloc[0] - HALF_DAY, at.iloc[-1] + HALF_DAY
    return mark_events(figure, events, first=first, last=last, scheme=scheme)


def runs(flags: pd.Series, at: pd.Series) -> list[tuple[Any, Any]]:
    """Return the first and last instant of every run of true flags, in row order."""
    values = flags.to_numpy(dtype=bool)
    if not values.any():
        return []
    edges = np.diff(np.concatenate(([0], values.astype(np.int8), [0])))
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - 1
    times = at.reset_index(drop=True)
    return [(times.iloc[a], times.iloc[b]) for a, b in zip(starts, ends, strict=True)]


def broken(frame: pd.DataFrame, by: str) -> pd.DataFrame:
    """Insert one empty row wherever `by` changes, so that a line breaks there."""
    change = frame[by].ne(frame[by].shift()).cumsum()
    pieces: list[pd.DataFrame] = []
    for _, piece in frame.groupby(change, sort=False):
        if pieces:
            gap = piece.iloc[[0]].copy()
            numeric = gap.select_dtypes("number").columns
            gap[numeric] = np.nan
            pieces.append(gap.astype(dict.fromkeys(numeric, float)))
        pieces.append(piece.astype(dict.fromkeys(piece.select_dtypes("number").columns, float)))
    return pd.concat(pieces, ignore_index=True) if pieces else frame


def add_band(
    figure: go.Figure,
    x: pd.Series,
    low: pd.Series,
    high: pd.Series,
    *,
    name: str,
    color: str,
    group: pd.Series | None = None,
) -> None:
    """Fill between two lines, broken where a bound is missing or `group` changes."""
    known = low.notna() & high.notna()
    breaks = ~known if group is None else ~known | group.ne(group.shift())
    piece = breaks.cumsum()
    first = True
    for index in x[known].groupby(piece[known], sort=False).groups.values():
        xs = x.loc[index]
        figure.add_trace(
            go.Scatter(
                x=pd.concat([xs, xs.iloc[::-1]]),
                y=pd.concat([high.loc[index], low.loc[index].iloc[::-1]]),
                fill="toself",
                fillcolor=color,
                line={"width": 0},
                mode="lines",
                name=name,
                legendgroup=name,
                showlegend=first,
                hoverinfo="skip",
            )
        )
        first = False


def extent(values: pd.DataFrame) -> tuple[float, float]:
    """Return the lowest and the highest known value of a frame of numbers."""
    numbers = values.to_numpy(dtype=float)
    return float(np.nanmin(numbers)), float(np.nanmax(numbers))
