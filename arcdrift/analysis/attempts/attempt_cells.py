"""Errors one by one, and attempts by blade position: what the analyses of errors rest on.

The other attempts are in `arcdrift.analysis.loss.technician_days`. Practice splices are left out.
"""

import numpy as np
import pandas as pd

from arcdrift.analysis.common.days import record_sites
from arcdrift.analysis.common.error_classes import error_classes
from arcdrift.analysis.common.grouping import (
    as_text,
    category_to_text,
    fill_missing_text,
    rows_with,
    sort_rows,
    sums_by_keys,
)
from arcdrift.analysis.loss.stream_days import NO_PROGRAM
from arcdrift.analysis.loss.technician_days import NO_CLEAVER, NO_HOLDING, NO_SITE, NOBODY
from arcdrift.settings import Crew

NO_REASON = "no_reason"
"""Class of an error whose reason was not logged."""
NO_POSITION = "(position not logged)"
KEYS = ["splicer", "technician", "cleaver", "program", "holding", "site", "day"]
ERROR_COLUMNS = ["id", "spliced_at", *KEYS, "blade_position", "class"]
BLADE_KEYS = ["technician", "cleaver", "blade_position", "day"]
BLADE_COLUMNS = ["splicer", *BLADE_KEYS, "made"]


def error_splices(splices: pd.DataFrame, day: pd.Series, crew: Crew) -> pd.DataFrame:
    """List the attempts that ended in an error.

    Parameters
    ----------
    splices : DataFrame
        Production splices of every outcome; text as categories.
    day : Series
        Their local workdays.

    Returns
    -------
    DataFrame
        `ERROR_COLUMNS`; ``class`` is one of `arcdrift.error_reasons.CLASSES` or `NO_REASON`.
    """
    failed = np.flatnonzero(rows_with(splices["outcome"], "error"))
    rows = splices.iloc[failed]
    if rows.empty:
        return pd.DataFrame(columns=ERROR_COLUMNS)
    classes = as_text(error_classes(rows["error_reason"], crew)).fillna(NO_REASON)
    columns = {
        "id": rows["id"],
        "spliced_at": rows["spliced_at"],
        "splicer": rows["splicer"],
        "technician": fill_missing_text(rows["technician"], NOBODY),
        "cleaver": fill_missing_text(rows["cleaver"], NO_CLEAVER),
        "program": fill_missing_text(rows["program"], NO_PROGRAM),
        "holding": fill_missing_text(rows["holding"], NO_HOLDING),
        "site": fill_missing_text(record_sites(rows, crew), NO_SITE),
        "day": day.iloc[failed],
        "blade_position": fill_missing_text(rows["blade_position"], NO_POSITION),
        "class": classes,
    }
    errors = category_to_text(pd.DataFrame(columns).reset_index(drop=True))
    return sort_rows(errors, ["splicer", "spliced_at", "id"])


def blade_days(splices: pd.DataFrame, day: pd.Series) -> pd.DataFrame:
    """Count attempts by splicer, person, cleaver, blade position and day.

    Parameters
    ----------
    splices, day
        As for `error_splices`.

    Returns
    -------
    DataFrame
        `BLADE_COLUMNS`; without attempts whose cleaver or blade position is not logged.
    """
    known = splices["cleaver"].notna() & splices["blade_position"].notna()
    rows = np.flatnonzero(known.to_numpy())
    if not len(rows):
        return pd.DataFrame(columns=BLADE_COLUMNS)
    columns = {
        "splicer": splices["splicer"].iloc[rows],
        "technician": fill_missing_text(splices["technician"].iloc[rows], NOBODY),
        "cleaver": splices["cleaver"].iloc[rows],
        "blade_position": splices["blade_position"].iloc[rows],
        "day": day.iloc[rows],
    }
    return sums_by_keys(columns, {"made": 1.0})
