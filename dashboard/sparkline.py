"""A small drawing of a stream's last days."""

import numpy as np
import pandas as pd

from arcdrift.figures.theme import Scheme, colors

WIDTH, HEIGHT, EDGE = 280.0, 48.0, 7.0


def sparkline(days: pd.DataFrame, scheme: Scheme) -> str:
    """Return an SVG of day means, their expected value, and triangles at alarms.

    Parameters
    ----------
    days : DataFrame
        At least one row of ``result_stream_days`` in order of day; gaps are closed up.
    """
    c = colors(scheme)
    count = len(days)
    frame = days.reset_index(drop=True)
    values = frame["capped_mean_db"]
    drawn = pd.concat([values, frame["expected_db"]]).dropna()
    # not from zero: the shape matters here, the numbers stand beside it
    bottom, top = 0.8 * float(drawn.min()), max(float(drawn.max()), 1e-9)
    step = (WIDTH - 2 * EDGE) / max(count - 1, 1)

    def x(position: int) -> float:
        return EDGE + step * position

    def y(value: float) -> float:
        return HEIGHT - EDGE - (HEIGHT - 2 * EDGE) * (value - bottom) / (top - bottom)

    def path(series: pd.Series) -> str:
        known = np.flatnonzero(series.notna()).tolist()
        return " ".join(f"{x(i):.1f},{y(float(series[i])):.1f}" for i in known)

    alarms = "".join(
        f'<path d="M{x(i):.1f} {y(values[i]) - 7:.1f} l5 9 h-10 z" fill="{c.rise}"/>'
        for i in np.flatnonzero(frame["alarm"] == "up").tolist()
    )
    alarms += "".join(
        f'<path d="M{x(i):.1f} {y(values[i]) + 7:.1f} l5 -9 h-10 z" fill="{c.fall}"/>'
        for i in np.flatnonzero(frame["alarm"] == "down").tolist()
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {HEIGHT:g}">'
        f'<polyline points="{path(frame["expected_db"])}" fill="none" stroke="{c.expected}" '
        'stroke-width="1.3" stroke-dasharray="4 3"/>'
        f'<polyline points="{path(values)}" fill="none" stroke="{c.main}" stroke-width="1.8"/>'
        f"{alarms}</svg>"
    )
