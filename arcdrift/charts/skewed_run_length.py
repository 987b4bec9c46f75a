"""How long an EWMA chart runs when its values are skewed (gamma) or heavy-tailed (Student's t).

The same integral equation as for normal values, but the density has a jump or a pole at the
gamma's lower end, so quadrature nodes would miss it. The run length is taken as linear between
equally spaced positions and integrated exactly against the density through its distribution
function and partial mean; the error falls with the square of the spacing, and what is left of it
is removed by Richardson's extrapolation from two spacings (stable to about 1e-5 of the answer).
What it is for: Borror, Montgomery and Runger 1999 (Journal of Quality Technology 31, 309-316)
show how far limits meant for normal values alarm too often on values that are not.
"""

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from scipy.special import gammainc, gammaincc, stdtr

from arcdrift.charts.run_length import LONGEST, FloatArray, Sided, check_sided, excursions
from arcdrift.errors import BadInput

_PER_STEP = 10.0
"""Intervals of the coarse grid to each standard deviation of a step."""


class Noise(Protocol):
    """A distribution with mean 0 and standard deviation 1."""

    def below(self, x: FloatArray) -> FloatArray:
        """Chance of a value of at most `x`."""
        ...

    def above(self, x: FloatArray) -> FloatArray:
        """Chance of a value above `x`, without cancellation."""
        ...

    def partial_mean(self, x: FloatArray) -> FloatArray:
        """Mean over the values up to `x`: integral of ``v f(v)`` up to `x`."""
        ...


@dataclass(frozen=True)
class Gamma:
    """Gamma values of the given shape, standardized: ``(G - shape) / sqrt(shape)``."""

    shape: float

    def __post_init__(self) -> None:
        """Refuse shapes without a distribution."""
        if not (math.isfinite(self.shape) and self.shape > 0.0):
            raise BadInput(f"The shape of a gamma distribution is above 0, not {self.shape:g}.")

    def _plain(self, x: FloatArray) -> FloatArray:
        return np.maximum(self.shape + math.sqrt(self.shape) * x, 0.0)

    def below(self, x: FloatArray) -> FloatArray:  # noqa: D102
        return np.asarray(gammainc(self.shape, self._plain(x)), dtype=np.float64)

    def above(self, x: FloatArray) -> FloatArray:  # noqa: D102
        return np.asarray(gammaincc(self.shape, self._plain(x)), dtype=np.float64)

    def partial_mean(self, x: FloatArray) -> FloatArray:  # noqa: D102
        # The partial mean of a gamma is its shape times the next shape's distribution function;
        # the difference of the two is a density, g^shape exp(-g) / Gamma(shape + 1).
        g = self._plain(x)
        with np.errstate(divide="ignore"):
            density = np.exp(self.shape * np.log(g) - g - math.lgamma(self.shape + 1.0))
        return np.asarray(-math.sqrt(self.shape) * density, dtype=np.float64)


@dataclass(frozen=True)
class StudentT:
    """Student's t with `df` degrees of freedom (above 2), divided by its standard deviation."""

    df: float

    def __post_init__(self) -> None:
        """Refuse degrees of freedom without a variance."""
        if not (math.isfinite(self.df) and self.df > 2.0):
            raise BadInput(f"Student's t has a variance only above 2 degrees, not {self.df:g}.")

    @property
    def _sd(self) -> float:
        return math.sqrt(self.df / (self.df - 2.0))

    def below(self, x: FloatArray) -> FloatArray:  # noqa: D102
        return np.asarray(stdtr(self.df, x * self._sd), dtype=np.float64)

    def above(self, x: FloatArray) -> FloatArray:  # noqa: D102
        return np.asarray(stdtr(self.df, -x * self._sd), dtype=np.float64)

    def partial_mean(self, x: FloatArray) -> FloatArray:  # noqa: D102
        # The density f has ``v f(v) = -(df / (df - 1)) d/dv ((1 + v^2 / df) f(v))``.
        df = self.df
        scale = math.exp(math.lgamma((df + 1.0) / 2.0) - math.lgamma(df / 2.0))
        scale *= math.sqrt(df / math.pi) / (df - 1.0) / self._sd
        power = (1.0 - df) / 2.0
        return np.asarray(
            -scale * np.exp(power * np.log1p((x * self._sd) ** 2 / df)), dtype=np.float64
        )


def ewma_arl_of(
    noise: Noise, lam: float, limit: float, shift: float = 0.0, *, sided: Sided = "two"
) -> float:
    """Average run length of an EWMA chart of values that are not normal, from a start at 0.

    Parameters
    ----------
    noise : Gamma or StudentT
        Distribution of a plotted value about its mean, in its standard deviations.
    lam, limit, shift, sided
        As in `arcdrift.charts.run_length.ewma_arl`, with the settled limit.

    Returns
    -------
    float
        Mean number of values up to and including the alarm; two-sided, infinite beyond `LONGEST`.

    Raises
    ------
    BadInput
        When a parameter is out of range.
    """
    if not 0.0 < lam <= 1.0:
        raise BadInput(f"The EWMA weight must be above 0 and at most 1, not {lam:g}.")
    if not (math.isfinite(limit) and limit > 0.0):
        raise BadInput(f"The EWMA limit must be a number above 0, not {limit:g}.")
    check_sided(sided)
    intervals = 2 * math.ceil(max(30.0, _PER_STEP * limit / math.sqrt(lam * (2.0 - lam))))
    line = limit * math.sqrt(lam / (2.0 - lam))
    points = np.linspace(0.0 if sided == "one" else -line, line, 2 * intervals + 1)
    # Value that moves the chart from each position (row) to each position (column).
    ahead = (1.0 - lam) * points + lam * shift
    value = (points[None, :] - ahead[:, None]) / lam
    # Up to each position: chance to land there, and mean landing place over those landings.
    mass = noise.below(value)
    moment = ahead[:, None] * mass + lam * noise.partial_mean(value)
    alarm = noise.above(value[:, -1])
    fine = _arl(points, mass, moment, alarm, sided)
    coarse = _arl(points[::2], mass[::2, ::2], moment[::2, ::2], alarm[::2], sided)
    if not math.isfinite(coarse + fine):
        return math.inf
    # Richardson on the logarithms, so that the result stays above 0.
    return fine * math.exp(math.log(fine / coarse) / 3.0)


def _arl(
    points: FloatArray, mass: FloatArray, moment: FloatArray, alarm: FloatArray, sided: Sided
) -> float:
    within = np.diff(mass, axis=1)
    share = (np.diff(moment, axis=1) - points[:-1] * within) / (points[1] - points[0])
    chance = np.zeros_like(mass)
    chance[:, :-1] = within - share
    chance[:, 1:] += share
    if sided == "one":
        chance[:, 0] += mass[:, 0]
        length, ends = excursions(chance, alarm)
        return float(length[0] / ends[0]) if ends[0] > 0.0 else math.inf
    try:
        run = np.linalg.solve(np.eye(len(points)) - chance, np.ones(len(points)))
    except np.linalg.LinAlgError:
        return math.inf
    if run.min() <= 0.5 or run.max() >= LONGEST:
        return math.inf
    return float(run[len(points) // 2])
