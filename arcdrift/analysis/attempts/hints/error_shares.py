"""How often splices of each subject fail, and why, beside those of the others."""

from collections.abc import Iterator

import numpy as np
import pandas as pd

from arcdrift.analysis.attempts.attempt_cells import NO_REASON
from arcdrift.analysis.attempts.hints.comparisons import UNNAMED, in_window
from arcdrift.analysis.attempts.hints.error_dispersion import Dispersion
from arcdrift.analysis.checks.compliance import wilson
from arcdrift.analysis.common.grouping import as_text, group_index, match_rows, text_codes
from arcdrift.arrays import Ints
from arcdrift.error_reasons import CLASSES

ALL_CLASSES = (*CLASSES, NO_REASON)
SUBJECTS = ("splicer", "technician", "cleaver", "site")
COLUMNS = [
    "subject_type", "subject", "class", "errors", "attempts", "low", "high", "other_errors",
    "other_attempts",
]  # fmt: skip


def error_shares(cells: pd.DataFrame, errors: pd.DataFrame, now: pd.Timestamp) -> pd.DataFrame:
    """Count errors by class for each splicer, person, cleaver and site of the last quarter.

    Parameters
    ----------
    cells, errors, now
        As for `arcdrift.analysis.attempts.hints.error_hints.error_hints`.

    Returns
    -------
    DataFrame
        `COLUMNS`; a row for each subject and class of which the crew has an error. ``low`` and
        ``high`` are the 95 % interval of the share; ``other_errors`` of ``other_attempts`` are
        those of all others of its kind.

    Notes
    -----
    Wilson's interval (`arcdrift.analysis.checks.compliance.wilson`), with errors and attempts
    divided by the variation between days and weeks
    (`arcdrift.analysis.attempts.hints.error_dispersion`).
    """
    cells, errors = (in_window(rows, now) for rows in (cells, errors))
    if cells.empty or errors.empty:
        return pd.DataFrame(columns=COLUMNS)
    error_class, classes = text_codes(errors["class"])
    tables = [
        table
        for name in SUBJECTS
        for table in _of_subjects(cells, errors[[name, "day"]], error_class, classes, name)
    ]
    columns = {name: np.concatenate([table[name] for table in tables]) for name in COLUMNS}
    return pd.DataFrame(columns)


def _of_subjects(
    cells: pd.DataFrame, errors: pd.DataFrame, error_class: Ints, classes: pd.Index, name: str
) -> Iterator[dict[str, np.ndarray]]:
    """Columns of the subjects of one type, of one class after the other.

    Parameters
    ----------
    error_class : array of int, shape (errors,)
        Number of each error's class among `classes`.
    """
    made = cells["made"].to_numpy(dtype=np.float64)
    subject, first = group_index(cells[name])
    names = as_text(cells[name].iloc[first]).to_numpy(dtype=object)
    attempts = np.bincount(subject, made)
    # days of each subject, with the errors of each class among them
    of_day, first_of_day = group_index(subject, cells["day"])
    days = cells[[name, "day"]].iloc[first_of_day].reset_index(drop=True)
    own = subject[first_of_day]
    made_on = np.bincount(of_day, made)
    row_of = match_rows(errors, days, [name, "day"])
    named = ~np.isin(names, UNNAMED)
    for each in ALL_CLASSES:
        number = np.flatnonzero(classes == each)
        rows = row_of[np.isin(error_class, number) & (row_of >= 0)]
        if not len(rows):
            continue
        on_day = np.bincount(rows, minlength=len(days)).astype(np.float64)
        count = np.bincount(own, on_day)
        expected = made_on * (count / attempts)[own]
        phi = Dispersion(own, days["day"], on_day, expected).of_subjects()
        low, high = zip(*map(wilson, count / phi, attempts / phi), strict=True)
        texts = {"subject_type": np.full(len(names), name, dtype=object), "subject": names,
                 "class": np.full(len(names), each, dtype=object)}  # fmt: skip
        whole = {
            "errors": count, "attempts": attempts, "other_errors": count.sum() - count,
            "other_attempts": attempts.sum() - attempts,
        }  # fmt: skip
        figures = texts | {key: values.astype(np.int64) for key, values in whole.items()}
        figures |= {"low": np.array(low), "high": np.array(high)}
        yield {key: values[named] for key, values in figures.items()}
