"""The setting an arc needs now, with everything that makes it uncertain.

Beyond the model's own coefficients: a last check the model has not learned from yet, and a
weather station outside where the work may be in a heated room.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd
from scipy.stats import norm

from arcdrift.air.moist_air import air_density, saturation_vapor_pressure
from arcdrift.analysis.arc.arc_drift import center_air
from arcdrift.analysis.arc.arc_model import ArcModel
from arcdrift.analysis.arc.arc_points import REGRESSORS
from arcdrift.analysis.arc.indoor_checks import (
    COLDER_BY_C,
    PRIOR_COLD_CHECKS,
    PRIOR_INDOOR_CHECKS,
    ROOM_C,
    ROOM_SD_C,
    indoor_posterior,
)
from arcdrift.arrays import Floats

SHIFT_SD_C = 5.0
"""How far outdoor air warms or cools within a shift (common practice, no source)."""


@dataclass(frozen=True)
class Met:
    """Air met at one instant and the arcs on the electrodes then.

    ``outdoor``: the air is a weather station's.
    """

    temperature_c: float | None
    pressure_hpa: float | None
    air_density: float
    vapor_pressure: float
    arcs: float
    outdoor: bool

    @property
    def row(self) -> Floats:
        """Regressors of the model, then 1 for its level."""
        return row(self.air_density, self.vapor_pressure, self.arcs)

    @property
    def in_room(self) -> Floats | None:
        """The same in a heated room; None where that makes no difference or cannot be."""
        if not self.outdoor or self.temperature_c is None or self.pressure_hpa is None:
            return None
        if self.temperature_c >= ROOM_C - COLDER_BY_C:
            return None
        warm = np.array([ROOM_C])
        humidity = 100.0 * self.vapor_pressure / saturation_vapor_pressure(warm)
        density = air_density(warm, np.array([self.pressure_hpa]), np.minimum(humidity, 100.0))
        return row(float(density[0]), self.vapor_pressure, self.arcs)


@dataclass(frozen=True)
class Required:
    """What the arc needs, as a mixture of being outdoors and in a heated room.

    ``outdoors`` and ``indoors`` are settings, ``sd`` and ``sd_indoors`` their standard deviations,
    ``heated`` the chance of the room, ``row`` the regressors to expect, ``mean`` and ``cov`` the
    coefficients used.
    """

    outdoors: float
    indoors: float
    sd: float
    sd_indoors: float
    heated: float
    row: Floats
    mean: Floats
    cov: Floats

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

    def off_by_more(self, setting: float, tolerance: float) -> float:
        """Chance that a setting is off by more than the tolerance.

        Of a normal law with the mixture's mean and spread. The mixture's own two peaks told 79 %
        where 69 % were off (26 simulated crews): which air it was is less sure than they have
        it. The normal law told 79 % where 75 % were, at the same mean squared error.
        """
        off, sd = self.value - setting, self.spread
        return float(norm.cdf((-tolerance - off) / sd) + norm.sf((tolerance - off) / sd))


def required_now(
    model: ArcModel, now: Met, check: Met | None, setting: float, *, same_shift: bool, learned: bool
) -> Required:
    """Work out the setting needed now.

    Parameters
    ----------
    now, check : Met
        The air and wear of now and of the last passed check; None where not known.
    setting : float
        What that check stored.
    same_shift : bool
        Whether the check is of this workday or shift: who checked in a room still works there.
    learned : bool
        Whether the model was fitted with that check.

    Notes
    -----
    A check stores what the arc needed then, give or take its repeatability. One that the model
    has not learned from is a fresh observation and updates the coefficients (normal posterior);
    leaving it out told 80 % where 58 % were off, because settings far from a forecast are far
    partly by the forecast's own error. Asked at work on 36 simulated crews, of answers told 75 to
    85 % 76 % were off (95 %: 68 to 83), of those told 85 to 95 % 90 %.

    The chance of a heated room starts from the share of this splicer's checks that seemed to be
    made in one.
    """
    mean, cov = np.array(model.mean), np.array(model.cov)
    share = (PRIOR_INDOOR_CHECKS + model.expected_indoor) / (
        PRIOR_COLD_CHECKS + model.ambiguous_checks
    )
    heated = share
    if check is not None:
        outside, room = check.row, check.in_room
        was_heated = share
        if room is not None:
            sd = float(np.sqrt(model.sigma**2 + outside @ cov @ outside))
            warmth = float(np.hypot(sd, _unsure_warmth(room, mean)))
            was_heated = indoor_posterior(
                share,
                norm.pdf(setting, room @ mean, warmth),
                norm.pdf(setting, outside @ mean, sd),
            )
        elif not check.outdoor:
            was_heated = _room_felt(check, now, share)
        if same_shift:
            heated = was_heated
        if not learned:
            met, noise = outside, model.sigma**2
            if room is not None:
                step = float((room - outside) @ mean)
                met = outside + was_heated * (room - outside)
                noise += was_heated * (1.0 - was_heated) * step**2
                noise += was_heated * _unsure_warmth(room, mean) ** 2
            gain = cov @ met / (noise + met @ cov @ met)
            mean = mean + gain * (setting - met @ mean)
            cov = cov - np.outer(gain, met @ cov)
    outdoors, indoors = now.row, now.in_room
    if indoors is None:
        heated, indoors = 0.0, outdoors
    sd = float(np.sqrt(outdoors @ cov @ outdoors))
    return Required(
        outdoors=float(outdoors @ mean),
        indoors=float(indoors @ mean),
        sd=sd,
        sd_indoors=float(np.hypot(sd, _unsure_warmth(indoors, mean))),
        heated=heated,
        row=outdoors + heated * (indoors - outdoors),
        mean=mean,
        cov=cov,
    )


def _room_felt(check: Met, now: Met, share: float) -> float:
    """Chance that a check was made in a heated room, by the warmth a sensor beside it felt.

    Outdoors that warmth would be about the present one of the weather station.
    """
    if check.temperature_c is None or now.temperature_c is None:
        return share
    return indoor_posterior(
        share,
        norm.pdf(check.temperature_c, ROOM_C, ROOM_SD_C),
        norm.pdf(check.temperature_c, now.temperature_c, SHIFT_SD_C),
    )


def _unsure_warmth(room: Floats, mean: Floats) -> float:
    """Setting units that the unknown warmth of a room leaves open; density falls as 1/T."""
    density = float(room[0] - row(0.0, 0.0, 0.0)[0])
    return abs(float(mean[0])) * density * ROOM_SD_C / (ROOM_C + 273.15)


def row(density: float, vapor: float, arcs: float) -> Floats:
    """Regressors as the model takes them, shape (4,), the last 1 for its level."""
    origin, unit = _centering()
    return np.append(origin + unit * np.array([density, vapor, arcs]), 1.0)


@cache
def _centering() -> tuple[Floats, Floats]:
    """Where `center_air` puts zero, and what it makes of one more unit of each regressor."""
    ends = pd.DataFrame({name: [0.0, 1.0] for name in REGRESSORS})
    zero, one = center_air(ends).to_numpy(dtype=float)
    return zero, one - zero
