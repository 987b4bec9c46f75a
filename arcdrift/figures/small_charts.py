"""Small charts of many splicers and programs on one common scale: weeks against the usual loss."""

from collections.abc import Callable, Sequence
from math import log

import numpy as np
import pandas as pd

from arcdrift.figures.loss_titles import LossChange
from arcdrift.figures.theme import Scheme, colors

WIDTH, HEIGHT = 280.0, 84.0
LEFT, RIGHT, EDGE = 34.0, 6.0, 7.0
LOWEST, HIGHEST = 0.5, 2.0
"""Multiples of the usual loss that every small chart shows; what lies beyond sits at the edge."""
FEWEST = 10
"""Splices of a week with a mark."""


def small_chart(
    days: pd.DataFrame,
    usual_db: float,
    first: pd.Timestamp,
    last: pd.Timestamp,
    *,
    accepted_db: float | None = None,
    changes: Sequence[LossChange] = (),
    scheme: Scheme = "light",
) -> str:
    """Return an SVG of one stream's weekly mean losses as multiples of its usual loss.

    Parameters
    ----------
    days : DataFrame
        ``day`` (ISO), ``splices`` and ``total`` (dB) of the period.
    usual_db : float
        Usual loss of a splice.
    first, last : Timestamp
        Ends of the common time axis.
    """
    c = colors(scheme)
    span = max((last - first).days, 1)

    def x(day: pd.Timestamp) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * min(max((day - first).days / span, 0.0), 1.0)

    def y(ratio: float) -> float:
        share = log(max(ratio, 1e-6) / LOWEST) / log(HIGHEST / LOWEST)
        return EDGE + (HEIGHT - 2 * EDGE) * (1.0 - min(max(share, 0.0), 1.0))

    parts = [
        f'<rect x="{x(pd.Timestamp(change.since)):.1f}" y="0" height="{HEIGHT:g}" '
        f'width="{_width(change, last, x):.1f}" fill="{c.rise}" fill-opacity="0.16"/>'
        for change in changes
    ]
    for ratio, text in ((HIGHEST, "twice"), (1.0, "usual"), (LOWEST, "half")):
        color = c.muted if ratio == 1.0 else c.grid
        parts.append(
            f'<path d="M{LEFT:g} {y(ratio):.1f}H{WIDTH - RIGHT:g}" stroke="{color}"/>'
            f'<text x="{LEFT - 4:g}" y="{y(ratio) + 3.5:.1f}" text-anchor="end" font-size="10" '
            f'font-family="sans-serif" fill="{c.muted}">{text}</text>'
        )
    if accepted_db is not None and LOWEST < accepted_db / usual_db < HIGHEST:
        parts.append(
            f'<path d="M{LEFT:g} {y(accepted_db / usual_db):.1f}H{WIDTH - RIGHT:g}" '
            f'stroke="{c.limit}" stroke-dasharray="5 3"/>'
        )
    points = [(x(at), y(ratio), ratio) for at, ratio in _weeks(days, usual_db)]
    path = " ".join(f"{left:.1f},{top:.1f}" for left, top, _ in points)
    parts.append(f'<polyline points="{path}" fill="none" stroke="{c.main}" stroke-width="1.8"/>')
    parts += [
        f'<circle cx="{left:.1f}" cy="{top:.1f}" r="2.4" fill="{c.main}"/>'
        if LOWEST <= ratio <= HIGHEST
        else f'<path d="M{left:.1f} {top - 4:.1f}l4 7h-8z" fill="{c.rise}"/>'
        for left, top, ratio in points
    ]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {HEIGHT:g}">'
        f"{''.join(parts)}</svg>"
    )


def _width(change: LossChange, last: pd.Timestamp, x: Callable[[pd.Timestamp], float]) -> float:
    end = last if change.is_open else pd.Timestamp(change.back or change.until)
    return max(x(end) - x(pd.Timestamp(change.since)), 3.0)


def _weeks(days: pd.DataFrame, usual_db: float) -> list[tuple[pd.Timestamp, float]]:
    """Middle and ratio to the usual loss of each week with enough splices."""
    # in numbers: pandas would take most of the time of a page of small charts
    day = np.array(days["day"].tolist(), dtype="datetime64[D]").astype(np.int64)
    monday, week = np.unique(day - (day + 3) % 7, return_inverse=True)
    splices, total = (
        np.bincount(week, days[name].to_numpy(np.float64), minlength=len(monday))
        for name in ("splices", "total")
    )
    enough = splices >= FEWEST
    ratio = total[enough] / splices[enough] / usual_db
    wednesday = (monday[enough] + 2).astype("datetime64[D]")
    return [(pd.Timestamp(at), float(value)) for at, value in zip(wednesday, ratio, strict=True)]
