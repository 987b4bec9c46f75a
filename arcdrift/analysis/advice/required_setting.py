"""Required arc setting now, and its uncertainty.

The uncertainty includes that of the model's coefficients, a last check that is not in the model
yet, and whether work is in a heated room where only a weather station's reading is known.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Protocol

import numpy as np
import pandas as pd
from scipy.special import ndtr, stdtr, stdtrit

from arcdrift.air.moist_air import R_DRY_AIR, air_density, saturation_vapor_pressure
from arcdrift.analysis.arc.arc_points import REGRESSORS
from arcdrift.analysis.arc.arc_regressors import center_air
from arcdrift.analysis.arc.indoor_checks import (
    COLDER_BY_C,
    ROOM_C,
    ROOM_SD_C,
    indoor_posterior,
    normal_density,
)
from arcdrift.arrays import Floats
from arcdrift.charts.intervals import CONFIDENCE_LEVEL

READING_SD_C, STATION_SD_C = 0.5, 1.0
"""Standard deviation of the air temperature at the splicer about a fresh reading of its site, and
about a weather station's (common practice, no source): sensor and place."""
READING_SD_PCT = 2.0
"""Standard deviation of the relative humidity about a reading (common practice, no source)."""
DAILY_RANGE_C = 10.0
"""Range of the outdoor temperature within a day, usual in mid latitudes (from memory)."""
DRIFT_SD_C_PER_H = DAILY_RANGE_C / 2.0 * 2.0 * np.pi / 24.0 / np.sqrt(2.0)
"""Root mean square of the change of temperature in an hour, for a sine of that range: 0.93 °C."""
SHIFT_SD_C = 5.0
"""Standard deviation of the outdoor temperature within a shift (common practice, no source)."""


class SettingModel(Protocol):
    """What a required setting is computed from: `ArcModel`, or the slopes of a splicer's peers."""

    @property
    def mean(self) -> Sequence[float]:
        """Slopes and the present level, about the references of `center_air`; shape (4,)."""
        ...

    @property
    def cov(self) -> Sequence[Sequence[float]]:
        """Their covariance, shape (4, 4)."""
        ...

    @property
    def sigma(self) -> float:
        """Repeatability of a check, in the unit of the setting."""
        ...

    @property
    def ranges(self) -> Mapping[str, tuple[float, float]]:
        """Smallest and largest air density and vapor pressure at the checks used."""
        ...

    @property
    def indoor_share(self) -> float:
        """Probability of a heated room where only a weather station was read."""
        ...

    @property
    def degrees_of_freedom(self) -> int:
        """Degrees of freedom of its intervals."""
        ...


@dataclass(frozen=True)
class AirAndWear:
    """Air and arcs on the electrodes at one time.

    ``outdoor``: the air is a weather station's. ``age_min``: minutes since it was read.
    """

    temperature_c: float | None
    pressure_hpa: float | None
    air_density: float
    vapor_pressure: float
    arcs: float
    outdoor: bool
    age_min: float = 0.0

    @property
    def regressors(self) -> Floats:
        """Regressors of the model, then 1 for its level; shape (4,)."""
        return regressor_row(self.air_density, self.vapor_pressure, self.arcs)

    @property
    def indoor_regressors(self) -> Floats | None:
        """The same in a heated room; None if it is warm outdoors or the air was measured there."""
        if not self.outdoor or self.temperature_c is None or self.pressure_hpa is None:
            return None
        if self.temperature_c >= ROOM_C - COLDER_BY_C:
            return None
        warm = np.array([ROOM_C])
        humidity = 100.0 * self.vapor_pressure / saturation_vapor_pressure(warm)
        density = air_density(warm, np.array([self.pressure_hpa]), np.minimum(humidity, 100.0))
        return regressor_row(float(density[0]), self.vapor_pressure, self.arcs)


@dataclass(frozen=True)
class RequiredSetting:
    """Required setting as a mixture of working outdoors and in a heated room.

    ``outdoors`` and ``indoors`` are settings, ``sd`` and ``sd_indoors`` their standard deviations,
    ``heated`` the probability of the room, ``regressors`` the expected ones, ``mean`` and ``cov``
    those of the coefficients, ``degrees_of_freedom`` those of the variance of a check.
    """

    outdoors: float
    indoors: float
    sd: float
    sd_indoors: float
    heated: float
    regressors: Floats
    mean: Floats
    cov: Floats
    degrees_of_freedom: float

    @property
    def value(self) -> float:
        """Expected setting."""
        return (1.0 - self.heated) * self.outdoors + self.heated * self.indoors

    @property
    def spread(self) -> float:
        """Standard deviation of the whole mixture."""
        between = self.heated * (1.0 - self.heated) * (self.indoors - self.outdoors) ** 2
        within = (1.0 - self.heated) * self.sd**2 + self.heated * self.sd_indoors**2
        return float(np.sqrt(within + between))

    @property
    def interval(self) -> tuple[float, float]:
        """Ends of the 95 % interval: equal tails of the mixture of both airs.

        Either part is Student's t, because the variance of a check is estimated. Mean and spread
        of the mixture are not enough: with a probability of 8 % of a room, two standard deviations
        reach around the outdoor value only, and hold the truth in 92 %.
        """
        tail, df = (1.0 - CONFIDENCE_LEVEL) / 2.0, self.degrees_of_freedom
        half = -float(stdtrit(df, tail))
        if self.heated == 0.0:
            return self.outdoors - half * self.sd, self.outdoors + half * self.sd

        # loaded here: only a mixture needs it, and it takes a third as long to load as pandas
        from scipy.optimize import brentq

        def below(value: float) -> float:
            """Probability that the setting is below a value."""
            outdoors = stdtr(df, (value - self.outdoors) / self.sd)
            indoors = stdtr(df, (value - self.indoors) / self.sd_indoors)
            return float((1.0 - self.heated) * outdoors + self.heated * indoors)

        ends = [
            setting + sign * 1.01 * half * sd  # a little beyond, for rounding
            for setting, sd in ((self.outdoors, self.sd), (self.indoors, self.sd_indoors))
            for sign in (-1.0, 1.0)
        ]
        first, last = min(ends), max(ends)
        low, high = (
            float(brentq(lambda value, p=p: below(value) - p, first, last))
            for p in (tail, 1.0 - tail)
        )
        return low, high

    def probability_off(self, setting: float, tolerance: float) -> float:
        """Probability that a setting is off by more than the tolerance.

        Computed from a normal distribution with the mixture's mean and spread. The two-peaked
        mixture itself said 79 % where 69 % were off (26 simulated crews), because which air it
        was is less certain than it assumes. The normal distribution said 79 % where 75 % were, at
        the same mean squared error.
        """
        difference, sd = self.value - setting, self.spread
        return float(ndtr((-tolerance - difference) / sd) + ndtr((difference - tolerance) / sd))


def required_setting(
    model: SettingModel,
    now: AirAndWear,
    check: AirAndWear | None,
    setting: float,
    *,
    same_shift: bool,
    learned: bool,
) -> RequiredSetting:
    """Setting that the arc requires now.

    Parameters
    ----------
    now, check : AirAndWear
        The air and wear now and at the last passed check; None if not known.
    setting : float
        Setting stored by that check.
    same_shift : bool
        Whether the check is of this workday or shift: if it was made in a room, work is there too.
    learned : bool
        Whether the model was fitted with that check.

    Notes
    -----
    A check stores the setting required then, up to its repeatability. One that is not in the
    model yet is a new observation and updates the coefficients (normal posterior); without this
    update the probabilities were 80 % where 58 % were off, because settings far from a forecast
    are far partly by the forecast's own error. In 12 simulated crews, of answers of 75 to 85 %,
    69 % were off (95 %: 56 to 80), of those of 85 to 95 %, 89 %; those of 25 to 35 % were too high,
    with 23 % off (17 to 30).

    The air now is known up to the error of its reading and to what it did since
    (`_reading_variance`). In crews of twelve makings (``python -m tests.recovery.advice_study``)
    the 95 % interval held the required setting in 94.4 % (95 % range 93.2 to 95.4) of 4,901
    answers, at a mean width of 2.45 repeatabilities. With a constant error of the reading, normal
    quantiles and the normal distribution in place of the mixture it held 91.3 % at 2.27. Of what
    was missing, the age of a reading made up most: half an hour of a morning changes the air by
    half a degree. The attenuation of slopes by errors of the readings was .07 standard errors of
    the density slope; a wider spread between splicers than pooling assumes lost nothing.

    The prior probability of a heated room is `ArcModel.indoor_share`.
    """
    mean, cov = np.array(model.mean), np.array(model.cov)
    share = model.indoor_share
    heated = share
    if check is not None:
        outdoor_row, indoor_row = check.regressors, check.indoor_regressors
        check_heated = share
        if indoor_row is not None:
            sd = float(np.sqrt(model.sigma**2 + outdoor_row @ cov @ outdoor_row))
            indoor_sd = float(np.hypot(sd, _indoor_setting_sd(indoor_row, mean)))
            check_heated = indoor_posterior(
                share,
                normal_density(setting, float(indoor_row @ mean), indoor_sd),
                normal_density(setting, float(outdoor_row @ mean), sd),
            )
        elif not check.outdoor:
            check_heated = _indoor_by_temperature(check, now, share)
        if same_shift:
            heated = check_heated
        if not learned:
            expected, variance = outdoor_row, model.sigma**2
            if indoor_row is not None:
                step = float((indoor_row - outdoor_row) @ mean)
                expected = outdoor_row + check_heated * (indoor_row - outdoor_row)
                variance += check_heated * (1.0 - check_heated) * step**2
                variance += check_heated * _indoor_setting_sd(indoor_row, mean) ** 2
            gain = cov @ expected / (variance + expected @ cov @ expected)
            mean = mean + gain * (setting - expected @ mean)
            cov = cov - np.outer(gain, expected @ cov)
    outdoors, indoors = now.regressors, now.indoor_regressors
    if indoors is None:
        heated, indoors = 0.0, outdoors
    reading_variance = _reading_variance(now, mean)
    room_variance = _indoor_setting_sd(indoors, mean) ** 2
    return RequiredSetting(
        outdoors=float(outdoors @ mean),
        indoors=float(indoors @ mean),
        sd=float(np.sqrt(outdoors @ cov @ outdoors + reading_variance)),
        sd_indoors=float(np.sqrt(indoors @ cov @ indoors + room_variance)),
        heated=heated,
        regressors=outdoors + heated * (indoors - outdoors),
        mean=mean,
        cov=cov,
        degrees_of_freedom=model.degrees_of_freedom,
    )


def _reading_variance(air: AirAndWear, mean: Floats) -> float:
    """Variance of the required setting from what is not known of the air; setting units squared.

    Notes
    -----
    First-order propagation (JCGM 100:2008, section 5.1.2) of three independent errors: those of
    the thermometer and of the humidity sensor, and the change of temperature since the reading.
    Density is (p - 0.378 e) / (R T) and vapor pressure e = U es(T): an error of the thermometer
    changes both, a change of the air's temperature only the density.
    """
    celsius = ROOM_C if air.temperature_c is None else air.temperature_c
    kelvin = celsius + 273.15
    below, saturation, above = saturation_vapor_pressure(np.array([-0.5, 0.0, 0.5]) + celsius)
    by_density, by_vapor = float(mean[0]), float(mean[1])
    # both effects of vapor: its own, and that on density
    by_vapor -= by_density * 0.378 * 100.0 / (R_DRY_AIR * kelvin)
    by_temperature = -by_density * air.air_density / kelvin
    by_sensor = by_temperature + by_vapor * air.vapor_pressure * (above - below) / saturation
    sensor_sd = STATION_SD_C if air.outdoor else READING_SD_C
    parts = (
        by_sensor * sensor_sd,
        by_temperature * DRIFT_SD_C_PER_H * air.age_min / 60.0,
        by_vapor * saturation / 100.0 * READING_SD_PCT,
    )
    return float(sum(part**2 for part in parts))


def _indoor_by_temperature(check: AirAndWear, now: AirAndWear, share: float) -> float:
    """Probability that a check was made in a heated room, from the temperature measured beside it.

    Outdoors that temperature would be near the weather station's present one.
    """
    if check.temperature_c is None or now.temperature_c is None:
        return share
    return indoor_posterior(
        share,
        normal_density(check.temperature_c, ROOM_C, ROOM_SD_C),
        normal_density(check.temperature_c, now.temperature_c, SHIFT_SD_C),
    )


def _indoor_setting_sd(row: Floats, mean: Floats) -> float:
    """Sd of the required setting from that of the temperature of rooms; density falls as 1/T."""
    density = float(row[0] - regressor_row(0.0, 0.0, 0.0)[0])
    return abs(float(mean[0])) * density * ROOM_SD_C / (ROOM_C + 273.15)


def regressor_row(density: float, vapor: float, arcs: float) -> Floats:
    """Regressors in the model's units, shape (4,); the last is 1 for its level."""
    origin, unit = _centering()
    return np.append(origin + unit * np.array([density, vapor, arcs]), 1.0)


@cache
def _centering() -> tuple[Floats, Floats]:
    """Value of `center_air` at zero, and its change per unit of each regressor; shapes (3,)."""
    ends = pd.DataFrame({name: [0.0, 1.0] for name in REGRESSORS})
    zero, unit = center_air(ends).to_numpy(dtype=float)
    return zero, unit - zero
