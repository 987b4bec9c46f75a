"""Days until a rise of a cleaver's or person's cleave angles gives an alarm."""

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import pandas as pd

from arcdrift.analysis.budget.detection_delays import (
    HISTORY_DAYS,
    LONGEST_DAYS,
    RISES,
    RUNS,
    DetectionDelay,
    delay_of,
)
from arcdrift.analysis.common.days import WORKDAYS_PER_MONTH, workdays_of
from arcdrift.analysis.loss.day_level import CLIP, LAMBDA, SHORTEST_RUN
from arcdrift.analysis.loss.sequential_ewma import SETTLED_SD
from arcdrift.analysis.people.cleave_angles.angle_cells import MACHINE_SD
from arcdrift.analysis.people.cleave_angles.angle_charts import DAILY_SD
from arcdrift.analysis.people.cleave_angles.angle_ewma import EXCESS, QUIET_DAYS
from arcdrift.arrays import Floats
from arcdrift.charts.intervals import Z95
from arcdrift.charts.limits import ewma_limit

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
    `HISTORY_DAYS` days of history, whose level learns from the rise until the alarm.
    """
    month = workdays_of(angle_days["day"])[-WORKDAYS_PER_MONTH:]
    judged = angle_days[angle_days["statistic"].notna() & angle_days["day"].isin(month)]
    high = judged.groupby(["subject_type", "subject"])["high"].median().to_numpy(np.float64)
    if not len(high):
        return []
    sd = np.log(high) / Z95
    lines = tuple(
        ewma_limit(LAMBDA, float(f"{max(length, SHORTEST_RUN) * EXCESS:.3g}"), sided="one")
        * widening
        * SETTLED_SD
        for length in run_lengths
    )
    days = _days_to_alarm(lines)
    return [
        [
            delay_of(rise, line_days[np.abs(np.log(shift[:, None] / SHIFTS)).argmin(axis=1)])
            for rise, shift in zip(rises, [np.log(rise) / sd for rise in rises], strict=True)
        ]
        for line_days in days
    ]


@lru_cache(maxsize=32)
def _days_to_alarm(lines: tuple[float, ...], seed: int = 20_250_102) -> Floats:
    """Simulated days from a lasting shift to the alarm, shape (lines, shifts, runs).

    Infinite beyond `LONGEST_DAYS`. The level follows the days as a local level model does, but not
    while a rise is open; alarms before the shift reset the chart, as they do in use.
    """
    rng = np.random.default_rng(seed)
    shape = (len(lines), len(SHIFTS), RUNS)
    line = np.array(lines)[:, None, None]
    level, ewma = np.zeros((2, *shape))
    variance = np.full(shape, (MACHINE_SD / TYPICAL_SD) ** 2)
    quiet = np.full(shape, QUIET_DAYS)
    found = np.full(shape, np.inf)
    for day, noise in enumerate(rng.standard_normal((HISTORY_DAYS + LONGEST_DAYS, RUNS))):
        variance = variance + (DAILY_SD / TYPICAL_SD) ** 2
        y = np.broadcast_to(noise + (SHIFTS[:, None] if day >= HISTORY_DAYS else 0.0), shape)
        sd = np.sqrt(1.0 + variance)
        z = (y - level) / sd
        judged = variance < 1.0
        ewma = np.where(judged, np.maximum((1 - LAMBDA) * ewma + LAMBDA * z, 0.0), 0.0)
        alarm = ewma > line
        ewma = np.where(alarm, 0.0, ewma)
        quiet = np.where(alarm, 0, quiet + 1)
        gain = np.where(quiet >= QUIET_DAYS, variance / sd**2, 0.0)
        reach = np.where(judged, CLIP * sd, np.inf)
        level = level + gain * np.clip(y - level, -reach, reach)
        variance = variance * (1.0 - gain)
        if day >= HISTORY_DAYS:
            found = np.where(alarm & np.isinf(found), day - HISTORY_DAYS + 1.0, found)
            if np.isfinite(found).all():
                break
    return found
