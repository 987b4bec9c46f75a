"""Whether an action helped: the measure of a case before and after it, adjusted as its charts are.

A rise of loss is measured on the cells and with the model that named its subject, a rise of cleave
angles by the ratio to the expected angle, a habit by the share of workdays.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property

import numpy as np
import pandas as pd

from arcdrift.analysis.cases.check_habits import CheckHabit, is_missed, worked_days
from arcdrift.analysis.cases.outcome import OF_USUAL, OF_WORKDAYS, Outcome
from arcdrift.analysis.causes.measure_model import SubjectShift
from arcdrift.analysis.causes.shift_cells import ShiftCells
from arcdrift.analysis.causes.shift_recovery import (
    FEWEST_DAYS_BEFORE,
    shift_ratio,
    shift_recovery,
)
from arcdrift.arrays import Bools, Datetimes, Floats
from arcdrift.case import Key
from arcdrift.charts.recovery import Recovery, series_recovery, share_recovery
from arcdrift.finding import Finding

MEASURE_OF_KIND = {
    "loss-raised": "level",
    "loss-scattered": "spread",
    "loss-dirty": "dirty",
    "first-time-lowered": "first_time",
    "errors-raised": "errors",
}
NOUNS = {
    "level": "loss",
    "spread": "scatter of loss",
    "dirty": "dirty splices",
    "first_time": "places not right first time",
    "errors": "errors per attempt",
}
"""What is measured, in words."""
MOST_DAYS_BEFORE = 60
"""Calendar days before the action that are compared with it; an older onset adds nothing."""


@dataclass(frozen=True)
class CaseMeasures:
    """What cases of a crew are measured by.

    Attributes
    ----------
    cells : ShiftCells
        Cells of losses with the charts' baselines.
    angle_days : DataFrame
        ``subject_type``, ``subject``, ``day`` (ISO), ``ratio`` of the day's angle to the expected
        one; may be empty.
    check_days : DataFrame
        ``splicer``, ``day``, ``status``, ``day_over``.
    """

    cells: ShiftCells
    angle_days: pd.DataFrame
    check_days: pd.DataFrame

    def outcome(
        self, key: Key, finding: Finding, onset: date, action: date, today: date
    ) -> Outcome | None:
        """Compare the measure of a finding before and after an action.

        Parameters
        ----------
        key : Key
            Of the case: a rise that is told of a person is measured on that person.
        onset, action, today : date
            Local days of the subject.

        Returns
        -------
        Outcome or None
            None where the kind of finding has no such measure, or too few days lie before the
            action.
        """
        if action <= onset:
            return None
        onset = max(onset, action - timedelta(days=MOST_DAYS_BEFORE))
        subject = finding.subject_type, finding.subject_id
        if key[1] == "technician":
            subject = "technician", key[2]
        if finding.kind in MEASURE_OF_KIND:
            return self._loss_outcome(MEASURE_OF_KIND[finding.kind], subject, onset, action, today)
        if finding.kind == "cleave-raised":
            return self._angle_outcome(subject, onset, action, today)
        return None

    def habit_outcome(self, habit: CheckHabit, onset: date, action: date) -> Outcome | None:
        """Compare the share of workdays with a missed or late check before and after an action."""
        days = self._checked_days.get(habit.splicer)
        if days is None:
            return None
        day, is_bad = days
        before = is_bad[(day >= np.datetime64(onset)) & (day < np.datetime64(action))]
        after = is_bad[day > np.datetime64(action)]
        if len(before) < FEWEST_DAYS_BEFORE:
            return None
        found = share_recovery(before, after, habit.usual)
        return _outcome(
            found, lambda shift: 100.0 * min(max(shift + habit.usual, 0.0), 1.0), OF_WORKDAYS
        )

    def _loss_outcome(
        self, measure: str, subject: tuple[str, str], onset: date, action: date, today: date
    ) -> Outcome | None:
        shift = SubjectShift(
            measure, *subject, np.datetime64(onset, "D"), np.datetime64(today, "D")
        )
        if subject[1] not in self.cells.cells.names.get(subject[0], ()) and subject[0] != "crew":
            return None
        found = shift_recovery(self.cells, shift, np.datetime64(action, "D"))
        if found is None:
            return None
        return _outcome(
            found,
            lambda value: 100.0 * (shift_ratio(measure, value) - 1.0),
            OF_USUAL,
            NOUNS[measure],
        )

    def _angle_outcome(
        self, subject: tuple[str, str], onset: date, action: date, today: date
    ) -> Outcome | None:
        rows = self._angles.get(subject)
        if rows is None:
            return None
        day, level = rows
        before = level[(day >= np.datetime64(onset)) & (day < np.datetime64(action))]
        after = level[(day > np.datetime64(action)) & (day <= np.datetime64(today))]
        if len(before) < FEWEST_DAYS_BEFORE:
            return None
        return _outcome(
            series_recovery(before, after),
            lambda value: 100.0 * float(np.expm1(value)),
            OF_USUAL,
            "cleave angles",
        )

    @cached_property
    def _angles(self) -> dict[tuple[str, str], tuple[Datetimes, Floats]]:
        """Days and log ratios of each subject, in order of time."""
        if self.angle_days.empty:
            return {}
        rows = self.angle_days[self.angle_days["ratio"] > 0].sort_values("day", kind="stable")
        return {
            (str(kind), str(name)): (
                part["day"].to_numpy(dtype="datetime64[D]"),
                np.log(part["ratio"].to_numpy(dtype=np.float64)),
            )
            for (kind, name), part in rows.groupby(["subject_type", "subject"])
        }

    @cached_property
    def _checked_days(self) -> dict[str, tuple[Datetimes, Bools]]:
        """Workdays of each splicer in order of time, and whether the check was missed or late."""
        return {
            str(name): (part["day"].to_numpy(dtype="datetime64[D]"), is_missed(part))
            for name, part in worked_days(self.check_days).groupby("splicer")
        }


def _outcome(
    found: Recovery, shown: Callable[[float], float], unit: str, measure: str = ""
) -> Outcome:
    """Outcome in the unit that is shown."""
    needed = found.days_needed
    if found.verdict == "too-early":
        return Outcome(
            "too-early", before=round(shown(found.before), 1), unit=unit, workdays_needed=needed
        )
    before, after, low, high = (
        round(shown(value), 1) for value in (found.before, found.after, found.low, found.high)
    )
    difference = round(after - before, 1)
    return Outcome(found.verdict, before, after, difference, low, high, unit, measure=measure)
