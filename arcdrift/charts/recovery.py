"""Decides whether a raised level went back to usual after an action, at looks planned beforehand.

Who looks every day until a difference is significant finds one sooner or later. The days after an
action are therefore judged only when the first look is due, and again when they have doubled.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from arcdrift.arrays import Bools, Floats
from arcdrift.charts.intervals import Z95

Verdict = Literal["cured", "better", "no-change", "worse", "too-early"]
POWER = 1.281552
"""Normal 0.9 quantile: a full recovery is told from none with this probability at the first look
(`planned_looks`)."""
FEWEST_DAYS = 5
"""Days after the action before the first look."""
MOST_DAYS = 44
"""The first look comes at the latest after so many days; two months of work."""
CORRELATED = 1.5
"""Factor on the variance of a mean of days that are correlated by 0.2 from one to the next."""


@dataclass(frozen=True)
class LevelsAroundAction:
    """Shift of a level from its usual value, before an action and after it.

    Attributes
    ----------
    before, after : float
        Estimated shifts: from the onset to the action, and from the action on.
    covariance : array, shape (2, 2)
        Covariance of the two estimates.
    """

    before: float
    after: float
    covariance: Floats

    @property
    def difference(self) -> float:
        """After minus before."""
        return self.after - self.before

    def _half_width(self, contrast: tuple[float, float]) -> float:
        weights = np.array(contrast)
        return Z95 * math.sqrt(max(float(weights @ self.covariance @ weights), 0.0))

    @property
    def after_interval(self) -> tuple[float, float]:
        """95 % interval of the shift after the action."""
        half = self._half_width((0.0, 1.0))
        return self.after - half, self.after + half

    @property
    def difference_interval(self) -> tuple[float, float]:
        """95 % interval of the difference."""
        half = self._half_width((-1.0, 1.0))
        return self.difference - half, self.difference + half


@dataclass(frozen=True)
class Recovery:
    """A raised level before and after an action, in the unit of its values.

    Attributes
    ----------
    verdict : str
        ``cured``, ``better``, ``no-change``, ``worse`` (`judge_recovery`) or ``too-early``.
    before : float
        Shift from the usual level before the action.
    after, low, high : float
        Shift after it, with its 95 % interval; NaN while it is too early.
    difference, difference_low, difference_high : float
        After minus before, likewise.
    days_before, days_after : int
        Days from the onset to the action, and days after it that were judged.
    days_needed : int
        Days still to come before the first look; 0 where a verdict stands.
    """

    verdict: Verdict
    before: float
    after: float
    low: float
    high: float
    difference: float
    difference_low: float
    difference_high: float
    days_before: int
    days_after: int
    days_needed: int

    @classmethod
    def too_early(
        cls, before: float, days_before: int, days_after: int, days_needed: int
    ) -> "Recovery":
        """Before the first look."""
        nan = math.nan
        return cls(
            "too-early", before, *(nan,) * 6, days_before, days_after, days_needed
        )  # fmt: skip

    @classmethod
    def judged(cls, levels: LevelsAroundAction, days_before: int, days_after: int) -> "Recovery":
        """At a look."""
        return cls(
            judge_recovery(levels), levels.before, levels.after, *levels.after_interval,
            levels.difference, *levels.difference_interval, days_before, days_after, 0,
        )  # fmt: skip


def first_look(rise: float, day_variance: float, variance_before: float = 0.0) -> int:
    """Days after an action when a recovery can be told from none.

    Parameters
    ----------
    rise : float
        Shift before the action.
    day_variance : float
        Variance of the estimated shift after the action, times the number of its days.
    variance_before : float
        Variance of the estimated shift before the action.

    Notes
    -----
    With ``z = 1.96 + 1.28`` the standard error of the difference is ``rise / z`` or less: a
    two-sided 5 % test finds the whole rise gone with a probability of 90 % (sample size of a
    comparison of two means; Cohen 1988, section 2.4). If what came before is known too little for
    this, the level after is compared with the usual one alone.
    """
    if rise == 0.0:
        return MOST_DAYS
    wanted = (rise / (Z95 + POWER)) ** 2
    left = wanted - variance_before
    days = day_variance / (left if left > 0.25 * wanted else wanted)
    return int(min(max(math.ceil(days), FEWEST_DAYS), MOST_DAYS))


def latest_look(first: int, days_after: int) -> int | None:
    """Days after the action that are judged: the first look, twice, four times that; None if none.

    Parameters
    ----------
    first : int
        Days of the first look.
    days_after : int
        Days that have passed.
    """
    if days_after < first:
        return None
    doublings = (days_after // first).bit_length() - 1
    return int(first * 2**doublings)


def judge_recovery(levels: LevelsAroundAction) -> Verdict:
    """Judge the levels around an action at a planned look.

    ``cured``: it fell, and less than half of the rise is left at the upper end of the 95 %
    interval, whose lower end reaches the usual level. ``better``: it fell. ``worse``: it rose.
    ``no-change``: neither is sure.
    """
    low, high = levels.difference_interval
    if levels.before < 0:  # a level that was too low
        low, high = -high, -low
    if high < 0:
        after = sorted(math.copysign(1.0, levels.before) * end for end in levels.after_interval)
        is_back = after[0] <= 0.0 and after[1] < abs(levels.before) / 2.0
        return "cured" if is_back else "better"
    return "worse" if low > 0 else "no-change"


def series_recovery(before: Floats, after: Floats, usual_variance: float = 0.0) -> Recovery:
    """Compare the values of days before and after an action, which are 0 in the mean as usual.

    Parameters
    ----------
    before, after : array
        Values of days, or of checks, in order of time; two or more before.
    usual_variance : float
        Variance of the usual level.

    Notes
    -----
    Normal intervals with the pooled scatter of both sides, widened for a correlation of 0.2 from
    day to day (factor (1 + 0.2) / (1 - 0.2) = 1.5 on the variance, from memory).
    """
    n = len(before)
    rise = float(np.mean(before))
    variance = CORRELATED * float(np.var(before, ddof=1))
    first = first_look(rise, variance, variance / n)
    look = latest_look(first, len(after))
    if look is None:
        return Recovery.too_early(rise, n, len(after), first - len(after))
    judged = np.asarray(after[:look])
    squares = np.sum((before - rise) ** 2) + np.sum((judged - judged.mean()) ** 2)
    variance = CORRELATED * float(squares) / (n + look - 2)
    covariance = np.diag([variance / n, variance / look]) + usual_variance
    levels = LevelsAroundAction(rise, float(judged.mean()), covariance)
    return Recovery.judged(levels, n, look)


def share_recovery(before: Bools, after: Bools, usual: float) -> Recovery:
    """Compare the share of days with a fault before and after an action.

    Parameters
    ----------
    before, after : array of bool
        Whether each day had the fault, in order of time.
    usual : float
        Usual share; shifts are from it.

    Notes
    -----
    One success and one failure are added to each side, and a Wald interval is taken (Agresti and
    Caffo 2000, "Simple and effective confidence intervals for proportions and differences of
    proportions", The American Statistician 54, 280-288).
    """
    share = [(float(np.sum(side)) + 1.0) / (len(side) + 2.0) for side in (before, after)]
    rise = share[0] - usual
    variance = share[0] * (1.0 - share[0])
    first = first_look(rise, variance, variance / (len(before) + 2.0))
    look = latest_look(first, len(after))
    if look is None:
        return Recovery.too_early(rise, len(before), len(after), first - len(after))
    later = (float(np.sum(after[:look])) + 1.0) / (look + 2.0)
    covariance = np.diag(
        [variance / (len(before) + 2.0), later * (1.0 - later) / (look + 2.0)]
    )  # fmt: skip
    return Recovery.judged(LevelsAroundAction(rise, later - usual, covariance), len(before), look)
