"""Who and what is compared by their errors: kinds of subjects, and attempts with their errors."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from arcdrift.analysis.attempts.hints.error_dispersion import expected_errors
from arcdrift.analysis.common.grouping import group_index, group_sums, match_rows
from arcdrift.analysis.loss.technician_days import NO_CLEAVER, NO_SITE, NOBODY
from arcdrift.arrays import Bools, Floats

WINDOW_DAYS = 91
"""Days looked at: a quarter."""
RECENT_DAYS = 28
"""Days in which a pattern must still show: what was mended before is none any more."""
SUBJECT_SD = 0.3
"""Standard deviation by which the log rates of people, machines and sites differ without any fault
(common practice, no source)."""
FEWEST_ERRORS = 5
"""Errors of a class from which a pattern is told."""
POINTS_TO, NOT_SEPARABLE = "points to", "not separable"
GROUPS = {
    "position": ("fiber_position",),
    "cleave": ("cleave_angle", "cleave_shape"),
    "dirt": ("fiber_not_seen",),
    "alignment": ("alignment",),
    "arc": ("arc",),
}
"""Classes of reasons that have the same causes (common practice, no source)."""
UNNAMED = (NOBODY, NO_CLEAVER, NO_SITE)


@dataclass(frozen=True)
class Comparison:
    """A kind of subject compared with others of its kind in one group of classes.

    Attributes
    ----------
    kind : str
        A key of `GROUPS`.
    subject_type : str
    subject : tuple of str
        Columns that name a subject.
    within : tuple of str
        Columns that are the same where subjects are compared, so that they explain nothing.
    roughly : tuple of str
        The same for a first comparison, which may still be explained by hands or machines.
    evidence : str
        Column of which a hint needs at least two.
    fewest_days : int
        Days with errors that are enough instead, where the same hands at other positions of the
        blade are evidence enough; 0 for none.
    """

    kind: str
    subject_type: str
    subject: tuple[str, ...]
    within: tuple[str, ...]
    roughly: tuple[str, ...]
    evidence: str
    fewest_days: int = 0


_ON_SPLICER = (("technician", "program"), ("program",), "technician")
COMPARISONS = (
    Comparison("position", "splicer", ("splicer",), *_ON_SPLICER),
    Comparison(
        "position", "technician", ("technician",), ("splicer", "program", "holding"),
        ("program",), "splicer",
    ),
    Comparison(
        "cleave", "blade", ("cleaver", "blade_position"), ("technician",), ("cleaver",),
        "technician", fewest_days=3,
    ),
    Comparison("cleave", "cleaver", ("cleaver",), ("technician",), (), "technician"),
    Comparison("cleave", "technician", ("technician",), ("cutter",), (), "cutter"),
    Comparison("dirt", "site", ("site",), ("technician",), (), "technician"),
    Comparison("alignment", "splicer", ("splicer",), *_ON_SPLICER),
    Comparison("arc", "splicer", ("splicer",), *_ON_SPLICER),
)  # fmt: skip
SITE_DAY = "site-day"
TYPE_OF_COLUMN = {"technician": "technician", "splicer": "splicer", "cutter": "cleaver",
                  "holding": "holding"}  # fmt: skip


@dataclass(frozen=True)
class Attempts:
    """Attempts in cells, with the errors of each group of classes.

    Attributes
    ----------
    cells : DataFrame
        Keys, and ``attempts``.
    counts, expected : dict of array, shape (cells,)
        Errors by group of classes, and those expected (`expected_errors`).
    recent : array of bool, shape (cells,)
        In the last `RECENT_DAYS`.
    """

    cells: pd.DataFrame
    counts: dict[str, Floats]
    expected: dict[str, Floats]
    recent: Bools

    @classmethod
    def of(
        cls, days: pd.DataFrame, errors: pd.DataFrame, keys: Sequence[str], now: pd.Timestamp
    ) -> "Attempts":
        """Sum the attempts of some days by keys, and count the errors.

        Parameters
        ----------
        days : DataFrame
            With the keys, and ``made``.
        """
        code, first = group_index(*(days[name] for name in keys))
        cells = days[list(keys)].iloc[first].reset_index(drop=True)
        cells = cells.assign(attempts=group_sums(code, {"made": days["made"]})["made"])
        row = match_rows(errors, cells, keys)
        classes = errors["class"].to_numpy()
        counts = {
            kind: np.bincount(
                row[np.isin(classes, names) & (row >= 0)], minlength=len(cells)
            ).astype(np.float64)
            for kind, names in GROUPS.items()
        }
        if "splicer" in keys:
            no_cleaver = (cells["cleaver"] == NO_CLEAVER).to_numpy()
            cutter = np.where(no_cleaver, cells["splicer"], cells["cleaver"])
            cells = cells.assign(cutter=cutter.astype(str))
        return cls(
            cells,
            counts,
            {kind: expected_errors(cells, count) for kind, count in counts.items()},
            (cells["day"] > first_day(now, RECENT_DAYS)).to_numpy(),
        )


def in_window(rows: pd.DataFrame, now: pd.Timestamp) -> pd.DataFrame:
    """Rows of the last `WINDOW_DAYS`, by their column ``day``."""
    if rows.empty:
        return rows
    return rows[rows["day"] > first_day(now, WINDOW_DAYS)].reset_index(drop=True)


def first_day(now: pd.Timestamp, days: int) -> pd.Timestamp:
    """Day after which a window of some days begins."""
    return now.tz_localize(None).normalize() - pd.Timedelta(days=days)


def hinted_errors(errors: pd.DataFrame, kind: str, subject_type: str, subject: str,
                  detail: str = "") -> pd.DataFrame:  # fmt: skip
    """Errors behind a hint, the newest first.

    Parameters
    ----------
    errors : DataFrame
        Rows of ``result_error_splices``, with the names that the hint has.
    """
    chosen = errors["class"].isin(GROUPS[kind])
    column = {"blade": "cleaver", SITE_DAY: "site"}.get(subject_type, subject_type)
    chosen &= errors[column] == subject
    if detail:
        chosen &= errors["blade_position" if subject_type == "blade" else "day"] == detail
    return errors[chosen].sort_values("spliced_at", ascending=False, ignore_index=True)
