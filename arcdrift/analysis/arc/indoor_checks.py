"""Probability that a check was made indoors, where only a weather station's reading is known.

A check in a heated room or van is made in air that is warmer, and so less dense, than the weather
station reads; vapor pressure and air pressure are the same indoors and outdoors. Which checks
those are is not logged, so each gets a probability from how well either air explains its setting.
"""

import math
from dataclasses import dataclass

import pandas as pd
from scipy.special import gammaln, ndtri, stdtr

from arcdrift.air.air_join import WEATHER_STATION
from arcdrift.air.moist_air import air_density, saturation_vapor_pressure

ROOM_C = 20.5
"""Temperature of a heated room (common practice, no source)."""
ROOM_SD_C = 1.5
"""Standard deviation of that temperature between rooms (common practice, no source)."""
COLDER_BY_C = 2.0
"""If it is outdoors less than this many degrees colder than `ROOM_C`, indoors is ignored."""
PRIOR_COLD_CHECKS, PRIOR_INDOOR_CHECKS = 20.0, 2.0
"""Prior of a crew's share of indoor checks: 2 of 20 cold checks (assumed, soon outweighed)."""
PRIOR_SHARE = PRIOR_INDOOR_CHECKS / PRIOR_COLD_CHECKS
INDOOR_PROBABILITY_LIMIT = 0.3
"""Checks more probably indoors than this are left out when the cost of a wrong setting is
estimated."""
MAX_TAIL_SD = 6.0
"""Forecast errors beyond this are not converted to the normal scale: their tails round to 0."""


def room_density(air: pd.DataFrame) -> pd.Series:
    """Density that the air of a reading would have in a heated room.

    Parameters
    ----------
    air : DataFrame
        From `arcdrift.air.air_join.join_air`.

    Returns
    -------
    Series
        kg/m3 at `ROOM_C`, with the vapor and the pressure of the reading; NaN where the reading
        was not a weather station's, or it was about as warm outside.
    """
    outside = (air["air_source"] == WEATHER_STATION) & (air["temperature_c"] < ROOM_C - COLDER_BY_C)
    cold = air[outside]
    humidity = 100.0 * cold["vapor_pressure"] / saturation_vapor_pressure(ROOM_C)
    warm = pd.Series(ROOM_C, index=cold.index)
    return air_density(warm, cold["station_pressure_hpa"], humidity).reindex(air.index)


@dataclass
class IndoorMixture:
    """Share of cold checks made in heated rooms, updated check by check.

    Attributes
    ----------
    cold_checks, indoor_checks : float
        Number of cold checks so far, and the expected number of them indoors, prior included.
    """

    cold_checks: float = PRIOR_COLD_CHECKS
    indoor_checks: float = PRIOR_INDOOR_CHECKS

    @property
    def share(self) -> float:
        """Probability that the next cold check is made in a heated room."""
        return self.indoor_checks / self.cold_checks

    def score(self, outdoors: float, indoors: float, df: float) -> tuple[float, float]:
        """Score a check made in one of two airs, and update the share of indoor checks.

        Parameters
        ----------
        outdoors, indoors : float
            Forecast error in standard deviations if made outdoors, and if made indoors.
        df : float
            Degrees of freedom of those standard deviations.

        Returns
        -------
        heated : float
            Probability that the check was made indoors.
        z : float
            Standard normal value with the same tail probability under the mixture of both.
        """
        share = self.share
        heated = indoor_posterior(share, _t_density(indoors, df), _t_density(outdoors, df))
        self.cold_checks += 1.0
        self.indoor_checks += heated
        nearest = min(outdoors, indoors, key=abs)
        if abs(nearest) >= MAX_TAIL_SD:
            return heated, nearest
        below = (1.0 - share) * stdtr(df, outdoors) + share * stdtr(df, indoors)
        above = (1.0 - share) * stdtr(df, -outdoors) + share * stdtr(df, -indoors)
        # the smaller tail is numerically exact
        return heated, float(ndtri(below) if below < above else -ndtri(above))


def indoor_posterior(share: float, indoors: float, outdoors: float) -> float:
    """Posterior probability of indoors by Bayes' rule; ``share`` itself if both densities are 0.

    ``indoors`` and ``outdoors`` are the probability densities of the observation in each place.
    """
    joint_in, joint_out = share * indoors, (1.0 - share) * outdoors
    return float(joint_in / (joint_in + joint_out)) if joint_in + joint_out > 0 else share


def normal_density(x: float, mean: float, sd: float) -> float:
    """Density of the normal distribution; scipy.stats would take as long to load as pandas."""
    return math.exp(-0.5 * ((x - mean) / sd) ** 2) / (sd * math.sqrt(2.0 * math.pi))


def _t_density(x: float, df: float) -> float:
    """Density of Student's t; for single values many times faster than scipy.stats."""
    log = float(gammaln((df + 1.0) / 2.0) - gammaln(df / 2.0)) - 0.5 * math.log(df * math.pi)
    return math.exp(log - (df + 1.0) / 2.0 * math.log1p(x * x / df))
