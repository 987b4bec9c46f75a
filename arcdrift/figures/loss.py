"""Evidence of a lasting change of one splicer and program, as a share of the limit."""

from typing import Any

import numpy as np
import pandas as pd

from arcdrift.figures.events import OVER_IT, event_layers
from arcdrift.figures.marks import HALF_DAY
from arcdrift.figures.picture import Picture, nothing
from arcdrift.figures.plain_figure import (
    HOVER_DAY,
    dots,
    level_line,
    line,
    note,
    plain_figure,
    shade,
)
from arcdrift.figures.stream_chart import NO_EVENTS
from arcdrift.figures.theme import Scheme, colors
from arcdrift.wording import count_text

HEADROOM = 1.15
"""Height of the axis over that of the data, to leave room for event marks."""
COLUMNS = ["day", "z", "ewma_up", "limit_up", "ewma_down", "limit_down", "alarm", "learning"]


def stream_evidence(
    days: pd.DataFrame,
    events: pd.DataFrame = NO_EVENTS,
    *,
    onset: tuple[Any, Any] | None = None,
    scheme: Scheme = "light",
) -> Picture:
    """Draw the control chart of one stream: one-sided EWMAs of day scores over their limits.

    Parameters
    ----------
    days : DataFrame
        Rows of ``result_stream_days`` of one stream.
    events : DataFrame
        Service events, ``at`` (naive local) and ``action``.
    onset : (earliest, latest), optional
        Range of days in which an open change likely began.
    """
    table = days.sort_values("day").loc[:, COLUMNS]
    if table[["ewma_up", "ewma_down"]].isna().all(axis=None):
        return nothing("No evidence is kept yet: five days of work are needed first.", table)
    c = colors(scheme)
    at = pd.to_datetime(table["day"])
    up = 100 * table["ewma_up"] / table["limit_up"]
    down = -100 * table["ewma_down"] / table["limit_down"]
    figure = plain_figure(scheme, y_title="Evidence, % of the limit", height=300)
    layout, data = figure["layout"], figure["data"]
    if onset is not None:
        layout["shapes"].append(shade(onset[0] - HALF_DAY, onset[1] + HALF_DAY, c.onset))
        layout["annotations"].append(
            note(onset[0].isoformat(), 0, "likely began", c.muted, yref="paper", yanchor="bottom",
                 xanchor="left")
        )  # fmt: skip
    for values, word, color in ((up, "higher", c.rise), (down, "lower", c.fall)):
        data.append(
            line(at, values, color, customdata=values.abs().round().tolist(), hovertemplate=(
                f"{HOVER_DAY}<br>%{{customdata}} % of the limit for {word} loss<extra></extra>"))
        )  # fmt: skip
    for level, text in ((100, "limit: an alarm above it"), (-100, "limit: loss has fallen")):
        if level > 0 or np.nanmin(down) < -60:
            shape, words = level_line(level, text, c.limit, scheme)
            layout["shapes"].append(shape)
            layout["annotations"].append(words)
    for side, symbol, color, values in (
        ("up", "triangle-up", c.rise, up), ("down", "triangle-down", c.fall, down),
    ):  # fmt: skip
        alarm = table["alarm"] == side
        if alarm.any():
            data.append(dots(at[alarm], values[alarm], color, size=13, symbol=symbol,
                             hoverinfo="skip"))  # fmt: skip
    low, high = float(np.nanmin(down)), max(float(np.nanmax(up)), 100.0)
    layout["yaxis"] |= {"range": [HEADROOM * min(low, 0.0), HEADROOM * high], "ticksuffix": " %"}
    first, last = at.iloc[0] - 2 * HALF_DAY, at.iloc[-1] + 2 * HALF_DAY
    layout["xaxis"] |= {"range": [first.isoformat(), last.isoformat()]}
    marks, lines, _ = event_layers(events, first=first, last=last, scheme=scheme)
    data += marks
    layout["shapes"] += lines
    if marks:
        layout["yaxis2"] = OVER_IT
    rises, falls = (int((table["alarm"] == side).sum()) for side in ("up", "down"))
    newest = up[up.notna()]
    summary = (
        f"{count_text(rises, 'alarm')} for higher and {falls} for lower loss. On the last judged "
        f"day the evidence of higher loss stood at {newest.iloc[-1]:.0f} % of its limit. It grows "
        "while days run above the expected loss, fades when they do not, and starts again from "
        "zero after an alarm. Lower loss is drawn downward."
    )
    return Picture(figure, summary, table)
