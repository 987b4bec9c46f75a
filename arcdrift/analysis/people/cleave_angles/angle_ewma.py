"""Alarms of standardized residuals of cleave angles: EWMA, limits and open rises of all subjects.

The charts are those of losses: z one step ahead, one-sided EWMA, limits from the share of the
false-alarm budget.
"""

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd

from arcdrift.analysis.common.days import WORKDAYS_PER_MONTH
from arcdrift.analysis.loss.chart_days import budget_limits
from arcdrift.analysis.loss.day_level import LAMBDA
from arcdrift.analysis.loss.sequential_ewma import SETTLED_SD
from arcdrift.analysis.loss.sequential_learning import LAG_PSEUDO_DAYS, LAGS, widening_for
from arcdrift.arrays import Bools, Floats, Ints
from arcdrift.charts.ewma import ewma_step

EXCESS = 2.0
"""Factor on the run length of these charts. Without it, crews whose people and cleavers differ from
day to day by 8 % and 5 % with a correlation of 0.3 used 2.1 times their share of the budget."""
FIRST_DAYS = 5
"""First days of a subject, which are learned from and not judged."""
CREW_DAYS = 10
"""First days of the crew, likewise."""
QUIET_DAYS = 10
"""Judged days without an alarm after which a rise has ended."""


_ROW_ARRAYS = ("judged", "z", "value", "limit", "alarm", "was_open")
_OF_SUBJECTS = ("open", "widening", "_ewma", "_quiet")


class AngleEwma:
    """Charts of all subjects; rows are days of a subject, in order of day and subject.

    Parameters
    ----------
    day : array of int, shape (rows,)
        Microseconds since 1970.
    subject : array of int, shape (rows,)
        Number of the subject, from 0.
    budget : float
        False alarms a month (22 workdays) allowed from all these charts together.

    Attributes
    ----------
    judged : array of bool, shape (rows,)
        Days past the first ones of subject and crew; the caller may exclude more before they are
        judged.
    z, value, limit : array, shape (rows,)
        Standardized residual, EWMA and its limit; NaN where not judged.
    alarm, was_open : array of bool, shape (rows,)
        Whether the day gave an alarm, and whether a rise was open after it.
    open : array of bool, shape (subjects,)
        An alarm has been given and the rise has not ended.
    widening : float
        Factor on the limits for autocorrelation.
    """

    def __init__(self, day: Ints, subject: Ints, budget: float) -> None:
        self.day, self.subject = day, subject
        self.days, self._first = np.unique(day, return_index=True)
        count, size = len(day), int(subject.max(initial=-1)) + 1
        turn = pd.Series(subject).groupby(subject).cumcount().to_numpy()
        self.judged: Bools = (turn >= FIRST_DAYS) & (np.searchsorted(self.days, day) >= CREW_DAYS)
        self._plain_limit = budget_limits(day, self.judged, budget / EXCESS, None)
        self.z, self.value, self.limit = np.full((3, count), np.nan)
        self.alarm, self.was_open = np.zeros((2, count), dtype=bool)
        self.open = np.zeros(size, dtype=bool)
        self.widening = 1.0
        self._ewma, self._quiet = np.zeros(size), np.zeros(size, dtype=np.int64)

    def state(self, rows: int) -> dict[str, Any]:
        """State after some first rows."""
        of_rows = {name: getattr(self, name)[:rows] for name in _ROW_ARRAYS}
        return {"rows": of_rows} | {name: getattr(self, name) for name in _OF_SUBJECTS}

    def restore(self, state: dict[str, Any], rows: int) -> None:
        """Go on from a state after some first rows."""
        for name, values in state["rows"].items():
            getattr(self, name)[:rows] = values
        for name in _OF_SUBJECTS:
            setattr(self, name, state[name])

    def before(self, row: int) -> Iterator[Any]:
        """Everything but the residuals that the results of the rows before a row depend on."""
        yield from (row, self.open.shape, self.day[:row], self.subject[:row])
        yield self._plain_limit[:row]

    def start_day(self, number: int) -> slice:
        """Rows of a day, by its number; at the start of a month the limits are widened anew."""
        end = self._first[number + 1] if number + 1 < len(self._first) else len(self.day)
        today = slice(int(self._first[number]), int(end))
        if number % WORKDAYS_PER_MONTH == 0:
            self._widen(today.start)
        return today

    def judge(self, today: slice, z: Floats) -> None:
        """Judge the rows of a day by their standardized residuals."""
        subjects = self.subject[today]
        self.z[today] = z
        judged = self.judged[today] & np.isfinite(z)
        place, subject = np.flatnonzero(judged) + today.start, subjects[judged]
        limit = self._plain_limit[place] * self.widening
        step = ewma_step(self._ewma[subject], self.z[place], LAMBDA, limit, sided="one")
        self._ewma[subject] = step.state
        alarm = step.signal > 0
        self.value[place], self.limit[place] = step.value, limit * SETTLED_SD
        self.alarm[place] = alarm
        self._quiet[subject] = np.where(alarm, 0, self._quiet[subject] + 1)
        self.open[subject] = alarm | (self.open[subject] & (self._quiet[subject] < QUIET_DAYS))
        self.was_open[today] = self.open[subjects]

    def _widen(self, upto: int) -> None:
        """Update the factor on the limits with the autocorrelation of z, as the loss charts do."""
        z = np.where(self.judged & ~self.was_open, self.z, np.nan)[:upto]
        order = np.argsort(self.subject[:upto], kind="stable")
        subject, z = self.subject[order], np.clip(z[order], -3, 3)
        lags = np.zeros(LAGS)
        for lag in range(1, LAGS + 1):
            now, before = z[lag:], z[:-lag]
            both = (subject[lag:] == subject[:-lag]) & np.isfinite(before) & np.isfinite(now)
            product = before[both] @ now[both]
            lags[lag - 1] = product / (before[both] @ before[both] + LAG_PSEUDO_DAYS)
        self.widening = widening_for(lags)


def replay_angles(days: pd.DataFrame, budget: float) -> tuple[pd.DataFrame, float]:
    """Alarms of charted days under another budget, from their stored residuals.

    Parameters
    ----------
    days : DataFrame
        Rows of ``result_angle_days``.
    budget : float
        False alarms a month allowed from all these charts together.

    Returns
    -------
    rows : DataFrame
        Alarmed days with their ``statistic`` and ``limit``.
    widening : float
        Factor on the limits at the end.

    Notes
    -----
    Days that were not judged are not judged again. Another budget would change the residuals a
    little after an alarm, because expectations leave open rises out.
    """
    days = days.sort_values(["day", "subject_type", "subject"], ignore_index=True)
    if days.empty:
        return days, 1.0
    day = pd.to_datetime(days["day"]).to_numpy(dtype="datetime64[us]").astype(np.int64)
    subject = days.groupby(["subject_type", "subject"]).ngroup().to_numpy().astype(np.int64)
    charts = AngleEwma(day, subject, budget)
    charts.judged &= days["statistic"].notna().to_numpy()
    z = days["z"].to_numpy(dtype=np.float64)
    for number in range(len(charts.days)):
        today = charts.start_day(number)
        charts.judge(today, z[today])
    rows = days.assign(statistic=charts.value, limit=charts.limit)[charts.alarm]
    return rows, charts.widening
