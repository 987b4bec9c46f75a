"""Whether a subject's rise went back after an action, on the cells that named the subject."""

from collections.abc import Sequence

import numpy as np

from arcdrift.analysis.causes.measure_model import MeasureModel, SubjectShift
from arcdrift.analysis.causes.shift_cells import ShiftCells
from arcdrift.analysis.causes.shift_sizes import BEFORE_SPAN
from arcdrift.analysis.loss.day_level import ratio_of
from arcdrift.analysis.loss.proportion_charts import COUNTED
from arcdrift.arrays import Bools, Ints
from arcdrift.charts.recovery import (
    LevelsAroundAction,
    Recovery,
    first_look,
    latest_look,
)

FEWEST_DAYS_BEFORE = 3
"""Days from the onset to the action with which a rise is known at all."""


def shift_recovery(
    cells: ShiftCells,
    shift: SubjectShift,
    action: np.datetime64,
    others: Sequence[SubjectShift] = (),
) -> Recovery | None:
    """Compare a subject's level before and after an action.

    Parameters
    ----------
    shift : SubjectShift
        The rise; ``first`` is its onset, ``last`` the last day on record.
    action : datetime64[D]
        Local day of the action, which itself counts for neither side.
    others : sequence of SubjectShift
        Rises of other subjects in the same cells, which are allowed for.

    Returns
    -------
    Recovery or None
        In the unit of the cells' values (`shift_ratio`); None if the subject worked on fewer than
        three days from the onset to the action.

    Notes
    -----
    Generalized least squares with the random effects by which the subject was found (people, days
    of the crew, days of a splicer), so that a change of hands is not taken for a recovery. The
    interval includes how well the usual level is known.
    """
    rows = cells.rows_between(shift.first - BEFORE_SPAN, shift.last)
    subject = cells.cells.subject(shift.subject_type, shift.subject_id, rows)
    day = cells.cells.day[rows]
    before = np.unique(day[subject & (day >= shift.first) & (day < action)])
    after = np.unique(day[subject & (day > action)])
    if len(before) < FEWEST_DAYS_BEFORE:
        return None
    # two halves of the days before tell how much a day scatters: both lie on the same usual level
    middle = before[len(before) // 2]
    halves = _levels(cells, shift, rows[day < action], middle, others, gap=False)
    levels = _levels(cells, shift, rows[day <= action], action, others)
    if halves is None or levels is None:
        return None
    first_half = len(before) // 2
    contrast = np.array([-1.0, 1.0])
    day_variance = float(contrast @ halves.covariance @ contrast) / (
        1.0 / first_half + 1.0 / (len(before) - first_half)
    )
    first = first_look(levels.before, day_variance, day_variance / len(before))
    look = latest_look(first, len(after))
    if look is None:
        return Recovery.too_early(levels.before, len(before), len(after), first - len(after))
    levels = _levels(cells, shift, rows[day <= after[look - 1]], action, others)
    return None if levels is None else Recovery.judged(levels, len(before), look)


def _levels(
    cells: ShiftCells,
    shift: SubjectShift,
    rows: Ints,
    action: np.datetime64,
    others: Sequence[SubjectShift],
    *,
    gap: bool = True,
) -> LevelsAroundAction | None:
    """Estimated shifts before and after a day, which itself counts for neither with a gap.

    Without days after it, both are the one before.
    """
    model = cells.model(shift.measure, rows, shift.first, service_steps=False)
    subject = cells.cells.subject(shift.subject_type, shift.subject_id, model.rows)
    sets = [
        subject & (model.day >= shift.first) & (model.day < action),
        subject & (model.day == action) & gap,
        subject & ((model.day > action) | ((model.day == action) & (not gap))),
    ]
    if not sets[0].any():
        return None
    depends_on = ["levels", model.content, others, *map(np.packbits, sets)]
    return cells.kept.get(depends_on, lambda: _estimate(model, sets, others))


def _estimate(
    model: MeasureModel, sets: Sequence[Bools], others: Sequence[SubjectShift]
) -> LevelsAroundAction:
    """Estimated shifts of the cells before an action, and of those after it."""
    present = [index for index, chosen in enumerate(sets) if chosen.any()]
    indicators = np.stack([sets[index] for index in present], axis=1)
    score, information = model.with_shifts(others).scores_and_information(indicators)
    covariance = np.linalg.pinv(information, hermitian=True)
    estimate = covariance @ score
    ends = [0, present.index(2) if 2 in present else 0]
    before, after = (float(estimate[end]) for end in ends)
    return LevelsAroundAction(before, after, np.asarray(covariance[np.ix_(ends, ends)], np.float64))


def shift_ratio(measure: str, value: float) -> float:
    """Ratio to the usual level of a shift in the unit of the cells' values; NaN stays NaN."""
    if measure in COUNTED:
        return max(1.0 + value, 0.0)
    ratio = float(ratio_of(np.array(value)))
    return ratio**0.5 if measure == "spread" else ratio
