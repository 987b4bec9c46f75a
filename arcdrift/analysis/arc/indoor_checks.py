"""Heated rooms that a weather station outside cannot see.

Where no logger stood beside the splicer, a check made in a heated room or van meets air that is
warmer and so less dense than the weather station tells; vapor and pressure are the same inside
and out. Nobody logs which checks those are, so each is weighed by how well either air explains
the setting it found.
"""

import math
from dataclasses import dataclass

import pandas as pd
from scipy.special import gammaln, ndtri, stdtr

from arcdrift.air import WEATHER_STATION, air_density, saturation_vapor_pressure

ROOM_C = 20.5
"""Warmth of a heated room (common practice, no source)."""
ROOM_SD_C = 1.5
"""How much warmer or colder than that rooms are (common practice, no source)."""
COLDER_BY = 2.0
"""Degrees that it must be colder outside before a room makes a difference."""
SEEN_ASSUMED, HEATED_ASSUMED = 20.0, 2.0
"""What is assumed of a crew before it has shown its own: 2 of 20 cold checks in rooms (invented
prior, soon outweighed)."""
HEATED_AT = 0.3
"""Chance of a heated room from which a check says nothing of what a wrong setting costs."""
FAR = 6.0


def room_density(air: pd.DataFrame) -> pd.Series:
    """Density the air would have in a heated room.

    Parameters
    ----------
    air : DataFrame
        From `arcdrift.air.join_air`.

    Returns
    -------
    Series
        kg/m3 at `ROOM_C`, with the vapor and the pressure of the reading; NaN where the reading
        was not a weather station's, or it was about as warm outside.
    """
    outside = (air["air_source"] == WEATHER_STATION) & (air["temperature_c"] < ROOM_C - COLDER_BY)
    cold = air[outside]
    humidity = 100.0 * cold["vapor_pressure"] / saturation_vapor_pressure(ROOM_C)
    warm = pd.Series(ROOM_C, index=cold.index)
    return air_density(warm, cold["station_pressure_hpa"], humidity).reindex(air.index)


@dataclass
class Rooms:
    """Share of cold checks made in heated rooms, learned from the checks so far."""

    seen: float = SEEN_ASSUMED
    heated: float = HEATED_ASSUMED

    @property
    def share(self) -> float:
        """Chance that the next cold check is made in a heated room."""
        return self.heated / self.seen

    def weigh(self, outdoors: float, indoors: float, df: float) -> tuple[float, float]:
        """Judge a check that was made in one of two airs.

        Parameters
        ----------
        outdoors, indoors : float
            Forecast errors in their standard deviations, by the reading's air and by the room's.
        df : float
            Degrees of freedom of those standard deviations.

        Returns
        -------
        heated : float
            Chance that the check was made in the room.
        z : float
            Normal value as rare as the setting found, under the mixture of both.
        """
        share = self.share
        heated = room_chance(share, _density(indoors, df), _density(outdoors, df))
        self.seen += 1.0
        self.heated += heated
        nearest = min(outdoors, indoors, key=abs)
        if abs(nearest) >= FAR:
            return heated, nearest
        below = (1.0 - share) * stdtr(df, outdoors) + share * stdtr(df, indoors)
        above = (1.0 - share) * stdtr(df, -outdoors) + share * stdtr(df, -indoors)
        # the smaller tail keeps its digits
        return heated, float(ndtri(below) if below < above else -ndtri(above))


def room_chance(share: float, indoors: float, outdoors: float) -> float:
    """Chance of the room by Bayes' rule; ``share`` itself where neither place explains anything.

    ``indoors`` and ``outdoors`` are the densities of what was seen in each.
    """
    inside, other = share * indoors, (1.0 - share) * outdoors
    return float(inside / (inside + other)) if inside + other > 0 else share


def _density(x: float, df: float) -> float:
    """Density of Student's t; for one value at a time, many times faster than scipy.stats."""
    log = float(gammaln((df + 1.0) / 2.0) - gammaln(df / 2.0)) - 0.5 * math.log(df * math.pi)
    return math.exp(log - (df + 1.0) / 2.0 * math.log1p(x * x / df))
