"""Days until a rise of a cleaver's or person's cleave angles gives an alarm."""

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import pandas as pd

from arcdrift.analysis.budget.simulated_delays import (
    RISES,
    RUNS,
    DetectionDelay,
    alarm_lines,
    days_to_alarm,
    delays_at,
)
from arcdrift.analysis.common.days import WORKDAYS_PER_MONTH, workdays_of
from arcdrift.analysis.loss.day_level import CLIP, LAMBDA
from arcdrift.analysis.people.cleave_angles.angle_cells import MACHINE_SD
from arcdrift.analysis.people.cleave_angles.angle_charts import DAILY_SD
from arcdrift.analysis.people.cleave_angles.angle_ewma import EXCESS, QUIET_DAYS
from arcdrift.arrays import Bools, Floats
from arcdrift.charts.intervals import Z95

SHIFTS = np.geomspace(0.25, 12.0, 36)
"""Simulated shifts, in standard deviations of a day; each subject takes the nearest."""
TYPICAL_SD = 0.07
"""Standard deviation of a day's mean log angle with which the level's steps are scaled."""


def angle_delays(
    angle_days: pd.DataFrame,
    widening: float,
    run_lengths: Sequence[float],
    *,
    rises: Sequence[float] = RISES,
) -> list[list[DetectionDelay]]:
    """Detection delay of lasting rises of cleave angles, for each run length and rise.

    Parameters
    ----------
    angle_days : DataFrame
        Rows of ``result_angle_days``; each subject judged in the last 22 workdays is equally
        likely to rise.
    widening : float
        Factor on the limits (`arcdrift.analysis.people.cleave_angles.angle_charts.AngleCharts`).
    run_lengths : sequence of float
        Days of a subject from one false alarm to the next, as the budget allows
        (`arcdrift.analysis.budget.detection_delays.ChartPlan.run_length`).
    rises : sequence of float
        Angle as a multiple of before.

    Returns
    -------
    list of list of DetectionDelay
        Empty where no subject was judged.

    Notes
    -----
    A rise by the factor r shifts the day's mean log angle by log r; the standard deviation of the
    day is that of the prediction limits on record. The delay comes from a seeded simulation of the
    chart of `arcdrift.analysis.people.cleave_angles.angle_ewma.AngleEwma` on a subject with
    a history (`arcdrift.analysis.budget.simulated_delays.HISTORY_DAYS`), whose level learns from
    the rise until the alarm.
    """
    month = workdays_of(angle_days["day"])[-WORKDAYS_PER_MONTH:]
    judged = angle_days[angle_days["statistic"].notna() & angle_days["day"].isin(month)]
    high = judged.groupby(["subject_type", "subject"])["high"].median().to_numpy(np.float64)
    if not len(high):
        return []
    sd = np.log(high) / Z95
    days = _days_to_alarm(alarm_lines(run_lengths, widening, excess=EXCESS))
    return delays_at(days, SHIFTS, rises, [np.log(rise) / sd for rise in rises])


@lru_cache(maxsize=32)
def _days_to_alarm(lines: tuple[float, ...]) -> Floats:
    """Simulated days to the alarm of a subject's chart, shape (lines, shifts, runs)."""
    return days_to_alarm(_SimulatedSubject(lines).judge, len(lines), SHIFTS, seed=20_250_102)


class _SimulatedSubject:
    """Charts of simulated cleavers or people; arrays have the shape (lines, shifts, runs).

    The level follows the days as a local level model does, but not while a rise is open.
    """

    def __init__(self, lines: tuple[float, ...]) -> None:
        shape = (len(lines), len(SHIFTS), RUNS)
        self.line = np.array(lines)[:, None, None]
        self.level, self.ewma = np.zeros((2, *shape))
        self.variance = np.full(shape, (MACHINE_SD / TYPICAL_SD) ** 2)
        self.quiet = np.full(shape, QUIET_DAYS)

    def judge(self, y: Floats) -> Bools:
        """Judge a day by the level of earlier days, then learn from it (`Judge`)."""
        variance = self.variance + (DAILY_SD / TYPICAL_SD) ** 2
        sd = np.sqrt(1.0 + variance)
        z = (y - self.level) / sd
        judged = variance < 1.0
        ewma = np.where(judged, np.maximum((1 - LAMBDA) * self.ewma + LAMBDA * z, 0.0), 0.0)
        alarm = ewma > self.line
        self.ewma = np.where(alarm, 0.0, ewma)
        self.quiet = np.where(alarm, 0, self.quiet + 1)
        gain = np.where(self.quiet >= QUIET_DAYS, variance / sd**2, 0.0)
        reach = np.where(judged, CLIP * sd, np.inf)
        self.level = self.level + gain * np.clip(y - self.level, -reach, reach)
        self.variance = variance * (1.0 - gain)
        return np.asarray(alarm, dtype=bool)
