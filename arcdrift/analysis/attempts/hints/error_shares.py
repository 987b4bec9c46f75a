"""How often splices of each subject fail, and why, beside those of the others."""

import numpy as np
import pandas as pd

from arcdrift.analysis.attempts.attempt_cells import NO_REASON
from arcdrift.analysis.attempts.hints.comparisons import UNNAMED, in_window
from arcdrift.analysis.attempts.hints.error_dispersion import Dispersion
from arcdrift.analysis.checks.compliance import wilson
from arcdrift.analysis.common.grouping import group_index
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
    tables = [_of_subjects(cells, errors, name) for name in SUBJECTS]
    return pd.concat(tables, ignore_index=True)[COLUMNS]


def _of_subjects(cells: pd.DataFrame, errors: pd.DataFrame, name: str) -> pd.DataFrame:
    """Rows of the subjects of one type."""
    made = cells["made"].to_numpy(dtype=np.float64)
    subject, first = group_index(cells[name])
    names = cells[name].iloc[first].astype("str").to_numpy()
    attempts = np.bincount(subject, made)
    # days of each subject, with the errors of each class among them
    of_day, first_of_day = group_index(subject, cells["day"])
    days = cells[[name, "day"]].iloc[first_of_day].reset_index(drop=True)
    own = subject[first_of_day]
    made_on = np.bincount(of_day, made)
    row_of = pd.MultiIndex.from_frame(days).get_indexer(
        pd.MultiIndex.from_frame(errors[[name, "day"]])
    )
    named = ~np.isin(names, UNNAMED)
    parts = []
    for each in ALL_CLASSES:
        rows = row_of[((errors["class"] == each) & (row_of >= 0)).to_numpy()]
        if not len(rows):
            continue
        on_day = np.bincount(rows, minlength=len(days)).astype(np.float64)
        count = np.bincount(own, on_day)
        expected = made_on * (count / attempts)[own]
        spread = Dispersion(own, days["day"], on_day, expected)
        phi = np.array([spread.of_subject(number) for number in range(len(names))])
        low, high = zip(*map(wilson, count / phi, attempts / phi), strict=True)
        parts.append(
            pd.DataFrame(
                {
                    "subject_type": name, "subject": names, "class": each, "errors": count,
                    "attempts": attempts, "low": low, "high": high,
                    "other_errors": count.sum() - count,
                    "other_attempts": attempts.sum() - attempts,
                }
            )[named]
        )  # fmt: skip
    whole = ["errors", "attempts", "other_errors", "other_attempts"]
    return pd.concat(parts, ignore_index=True).astype(dict.fromkeys(whole, np.int64))
