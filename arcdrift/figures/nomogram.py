"""Nomogram of the arc setting: lines of equal setting over temperature and elevation.

It is read at the crossing of a temperature and an elevation: the setting lies between the lines on
either side (an intersection nomogram).
"""

from dataclasses import dataclass
from math import ceil, floor, log10
from typing import Any

import numpy as np
import pandas as pd

from arcdrift.arrays import Floats
from arcdrift.figures.picture import Picture, nothing
from arcdrift.figures.plain_figure import band, label, line, note, plain_figure
from arcdrift.figures.theme import Scheme, colors
from arcdrift.wording import number_text

FEWEST_LINES = 5
"""Lines of equal setting that are aimed at, at least."""
NOT_SEEN = "no line: air that its checks have never seen"


@dataclass(frozen=True)
class SettingSurface:
    """Settings over temperature and elevation.

    Attributes
    ----------
    temperature_c : array of shape (n,)
    elevation_m : array of shape (m,)
        Of the standard atmosphere; rising.
    settings : array of shape (n, m)
        NaN in air that was never seen.
    """

    temperature_c: Floats
    elevation_m: Floats
    settings: Floats

    def elevations_of(self, setting: float) -> Floats:
        """Return the elevation at which each temperature needs a setting; NaN where none does.

        At one temperature the setting rises or falls all the way with elevation, as the density
        of the air does.
        """
        return np.array([self._elevation(row, setting) for row in self.settings])

    def _elevation(self, row: Floats, setting: float) -> float:
        known = ~np.isnan(row)
        values, heights = row[known], self.elevation_m[known]
        if len(values) < 2 or not values.min() <= setting <= values.max():
            return float("nan")
        order = np.argsort(values, kind="stable")
        return float(np.interp(setting, values[order], heights[order]))

    def elevations_within(self, low: float, high: float) -> tuple[Floats, Floats]:
        """Return, for each temperature, between which elevations the setting lies in a range."""
        ends = np.full((2, len(self.settings)), np.nan)
        for number, row in enumerate(self.settings):
            known = ~np.isnan(row)
            if not known.any():
                continue
            values = row[known]
            if values.max() < low or values.min() > high:
                continue
            inside = [
                end
                for end in (self._elevation(row, low), self._elevation(row, high))
                if end == end  # NaN is not itself
            ]
            edges = self.elevation_m[known][[0, -1]]
            within = [
                float(height)
                for height, value in zip(edges, values[[0, -1]], strict=True)
                if low <= value <= high
            ]
            ends[:, number] = min(inside + within), max(inside + within)
        return ends[0], ends[1]


def setting_nomogram(
    surface: SettingSurface,
    elevation_ticks: list[tuple[float, str]],
    *,
    unit: str,
    setting: float,
    tolerance: float,
    scheme: Scheme = "light",
) -> Picture:
    """Draw lines of equal setting, and the air in which the setting in force still fits.

    Parameters
    ----------
    elevation_ticks : list of (m, text)
    setting, tolerance : float
        The setting in force, and the difference that calls for a recalibration.
    """
    table = pd.DataFrame(
        surface.settings, index=surface.temperature_c, columns=surface.elevation_m
    ).rename_axis("temperature_c")
    known = surface.settings[~np.isnan(surface.settings)]
    if not len(known):
        return nothing("There is no air in which a setting can be told.", table)
    c = colors(scheme)
    figure = plain_figure(scheme, y_title="Elevation and its standard pressure", height=380,
                          over_time=False)  # fmt: skip
    layout, data = figure["layout"], figure["data"]
    low, high = surface.temperature_c[[0, -1]]
    layout["xaxis"] |= {
        "range": [float(low), float(high)], "title": {"text": "Air temperature, °C"},
        "showgrid": True, "nticks": 12,
    }  # fmt: skip
    layout["yaxis"] |= {
        "range": [float(surface.elevation_m[0]), float(surface.elevation_m[-1])],
        "tickmode": "array", "tickvals": [at for at, _ in elevation_ticks],
        "ticktext": [label(text) for _, text in elevation_ticks],
    }  # fmt: skip
    layout["margin"] = {"r": 46, "t": 14}
    bottom, top = surface.elevations_within(setting - tolerance, setting + tolerance)
    for piece in _pieces(~np.isnan(bottom)):
        data += band(surface.temperature_c[piece], bottom[piece], top[piece], c.band)
    lines = _lines_between(float(known.min()), float(known.max()))
    for value in lines:
        heights = surface.elevations_of(value)
        drawn = np.flatnonzero(~np.isnan(heights))
        if len(drawn) < 2:
            continue
        data.append(line(surface.temperature_c, heights, c.main, hoverinfo="skip"))
        end = drawn[-1]
        layout["annotations"].append(
            note(
                float(surface.temperature_c[end]),
                float(heights[end]),
                number_text(value, 0),
                c.ink,
                xanchor="left",
                yanchor="bottom",
                xshift=4,
            )
        )
    summary = (
        f"Lines of equal arc setting, in {unit}, each {_step_text(lines)}apart; between two lines "
        f"it lies between theirs. Shaded: where the setting in force, {setting:g}, fits within "
        f"{number_text(tolerance, 1)}. Where there is {NOT_SEEN}."
    )
    return Picture(figure, summary, table)


def _step_text(lines: list[float]) -> str:
    return f"{lines[1] - lines[0]:g} " if len(lines) > 1 else ""


def _lines_between(low: float, high: float) -> list[float]:
    """Return round settings, at least `FEWEST_LINES` of them where there is room for whole ones."""
    rough = max((high - low) / FEWEST_LINES, 1.0)
    power = 10.0 ** floor(log10(rough))
    step = max(power * size for size in (1.0, 2.0, 5.0) if power * size <= rough * (1 + 1e-9))
    return [number * step for number in range(ceil(low / step), floor(high / step) + 1)]


def _pieces(known: Any) -> list[np.ndarray]:
    """Return the runs of neighbors that are known."""
    at = np.flatnonzero(known)
    return [run for run in np.split(at, np.flatnonzero(np.diff(at) > 1) + 1) if len(run) > 1]
