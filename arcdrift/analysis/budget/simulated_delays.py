"""Simulated days until a lasting shift gives an alarm, and the detection delays they stand for."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from arcdrift.analysis.common.days import WORKDAYS_PER_MONTH
from arcdrift.analysis.loss.day_level import LAMBDA, SHORTEST_RUN
from arcdrift.analysis.loss.sequential_ewma import SETTLED_SD
from arcdrift.arrays import Bools, Floats
from arcdrift.charts.limits import ewma_limit, rounded_run_length

RISES = (1.25, 1.5, 2.0)
"""Rises whose delay is reported, as multiples of what was usual before."""
HISTORY_DAYS = 40
"""Days of history a subject has in the simulation before the rise."""
LONGEST_DAYS = 120
"""Days simulated after the rise."""
RUNS = 400
"""Simulated subjects per shift."""

Judge = Callable[[Floats], Bools]
"""Judges the next day by its values, in standard deviations of a day, and learns from them; returns
which give an alarm. Both arrays have the shape (lines, shifts, `RUNS`)."""


@dataclass(frozen=True)
class DetectionDelay:
    """Days of work from a lasting rise to the alarm, over all streams, or all cleavers and people.

    Attributes
    ----------
    rise : float
        Loss or angle as a multiple of before.
    median_days, ninety_percent_days : float
        Days of work of the subject within which half, and 90 %, of such rises are detected;
        infinite beyond `LONGEST_DAYS`.
    within_month : float
        Share detected within 22 of them.
    """

    rise: float
    median_days: float
    ninety_percent_days: float
    within_month: float


def alarm_lines(
    run_lengths: Sequence[float], widening: float, *, excess: float = 1.0
) -> tuple[float, ...]:
    """Values of the settled one-sided EWMA above which charts with these run lengths alarm.

    Parameters
    ----------
    widening : float
        Factor on the limits for autocorrelation.
    excess : float
        Factor on the run length of charts that alarm more often than their limit says.
    """
    lengths = [rounded_run_length(max(length, SHORTEST_RUN) * excess) for length in run_lengths]
    return tuple(
        ewma_limit(LAMBDA, length, sided="one") * widening * SETTLED_SD for length in lengths
    )


def days_to_alarm(judge: Judge, lines: int, shifts: Floats, seed: int) -> Floats:
    """Simulated days from a lasting shift to the alarm, shape (lines, shifts, `RUNS`).

    Infinite beyond `LONGEST_DAYS`. Alarms before the shift reset the chart, as they do in use.
    """
    rng = np.random.default_rng(seed)
    shape = (lines, len(shifts), RUNS)
    found = np.full(shape, np.inf)
    for day, noise in enumerate(rng.standard_normal((HISTORY_DAYS + LONGEST_DAYS, RUNS))):
        shifted = noise + (shifts[:, None] if day >= HISTORY_DAYS else 0.0)
        alarm = judge(np.broadcast_to(shifted, shape))
        if day >= HISTORY_DAYS:
            found = np.where(alarm & np.isinf(found), day - HISTORY_DAYS + 1.0, found)
            if np.isfinite(found).all():
                break
    return found


def delays_at(
    days: Floats, shifts: Floats, rises: Sequence[float], shifts_of_rises: Sequence[Floats]
) -> list[list[DetectionDelay]]:
    """Detection delays for each line and rise, from simulated days.

    Parameters
    ----------
    days : array, shape (lines, shifts, runs)
        From `days_to_alarm`.
    shifts : array, shape (shifts,)
        The simulated ones.
    shifts_of_rises : sequence of array
        For each rise the shift of every subject, which takes the nearest simulated one.
    """
    nearest = [np.abs(np.log(shift[:, None] / shifts)).argmin(axis=1) for shift in shifts_of_rises]
    return [
        [_delay(rise, line_days[places]) for rise, places in zip(rises, nearest, strict=True)]
        for line_days in days
    ]


def _delay(rise: float, days: Floats) -> DetectionDelay:
    median, ninety_percent = np.quantile(days, [0.5, 0.9], method="inverted_cdf")
    within_month = float((days <= WORKDAYS_PER_MONTH).mean())
    return DetectionDelay(rise, float(median), float(ninety_percent), within_month)
