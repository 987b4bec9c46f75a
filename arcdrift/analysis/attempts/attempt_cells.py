"""Sums of attempts by who made them with what: input of the analyses of errors and holding.

Practice splices are left out.
"""

import numpy as np
import pandas as pd

from arcdrift.analysis.common.days import record_sites
from arcdrift.analysis.common.error_classes import error_classes
from arcdrift.analysis.common.grouping import (
    as_text,
    category_to_text,
    fill_missing_text,
    group_index,
    group_sums,
    rows_with,
)
from arcdrift.analysis.loss.stream_days import NO_PROGRAM
from arcdrift.analysis.loss.technician_days import (
    ANGLE_FLOOR_DEG,
    NO_CLEAVER,
    NOBODY,
    caps_of_cells,
)
from arcdrift.settings import Crew

NO_POSITION = "(position not logged)"
NO_SITE = "(no site)"
NOT_SAID = "not logged"
"""How the fiber was held, where the log does not say."""
NO_REASON = "no_reason"
"""Class of an error whose reason was not logged."""
KEYS = [
    "splicer", "technician", "cleaver", "blade_position", "program", "site", "holding", "day",
]  # fmt: skip
SUMS = ["attempts", "errors", "n", "capped", "angles", "angle", "angle_squares"]
ERROR_COLUMNS = ["id", "spliced_at", *KEYS, "class"]


def attempt_cells(
    splices: pd.DataFrame, day: pd.Series, days: pd.DataFrame, crew: Crew
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Sum production splices of every outcome into cells, and list the errors among them.

    Parameters
    ----------
    splices : DataFrame
        Production splices, including those without a loss figure; text as categories.
    day : Series
        Their local workdays.
    days : DataFrame
        Stream days of the same splices, for their caps (`arcdrift.analysis.loss.stream_days`).

    Returns
    -------
    cells : DataFrame
        `KEYS` and `SUMS`: counts ``attempts``, ``errors``, ``n`` (not errors, with a loss),
        ``angles`` (with both cleave angles); sums of the capped loss (dB) of those without error,
        and of the mean log angle of both sides and its square.
    errors : DataFrame
        `ERROR_COLUMNS`; ``class`` is one of `arcdrift.error_reasons.CLASSES` or `NO_REASON`.
    """
    if splices.empty:
        return pd.DataFrame(columns=[*KEYS, *SUMS]), pd.DataFrame(columns=ERROR_COLUMNS)
    columns = {
        "splicer": splices["splicer"],
        "technician": fill_missing_text(splices["technician"], NOBODY),
        "cleaver": fill_missing_text(splices["cleaver"], NO_CLEAVER),
        "blade_position": fill_missing_text(splices["blade_position"], NO_POSITION),
        "program": fill_missing_text(splices["program"], NO_PROGRAM),
        "site": fill_missing_text(record_sites(splices, crew), NO_SITE),
        "holding": fill_missing_text(splices["holding"], NOT_SAID),
        "day": day,
    }
    code, first = group_index(*columns.values())
    keys = pd.DataFrame({name: values.array[first] for name, values in columns.items()})
    cap = caps_of_cells(keys, days)
    loss, left, right = (
        splices[name].to_numpy(dtype=np.float64)
        for name in ("loss_db", "cleave_left_deg", "cleave_right_deg")
    )
    failed = rows_with(splices["outcome"], "error")
    known, both = np.isfinite(loss) & ~failed, np.isfinite(left) & np.isfinite(right)
    with np.errstate(invalid="ignore"):
        log_left, log_right = (np.log(np.maximum(a, ANGLE_FLOOR_DEG)) for a in (left, right))
    angle = np.where(both, (log_left + log_right) / 2.0, 0.0)
    values = {
        "attempts": 1.0, "errors": failed, "n": known,
        "capped": np.where(known, np.minimum(loss, cap[code]), 0.0),
        "angles": both, "angle": angle, "angle_squares": angle**2,
    }  # fmt: skip
    sums = group_sums(code, values)
    cells = category_to_text(keys)
    at = np.flatnonzero(failed)
    classes = error_classes(splices["error_reason"].iloc[at], crew)
    errors = cells.iloc[code[at]].reset_index(drop=True)
    errors = errors.assign(
        id=splices["id"].to_numpy()[at],
        spliced_at=splices["spliced_at"].array[at],
        **{"class": as_text(classes).fillna(NO_REASON).to_numpy()},
    )
    return pd.concat([cells, sums], axis=1), errors[ERROR_COLUMNS]
