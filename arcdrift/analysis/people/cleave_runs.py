"""Runs of bad cleaves, and practice splices: both need single splices rather than sums."""

import json

import numpy as np
import pandas as pd

from arcdrift.analysis.common.event_lookup import to_microseconds
from arcdrift.analysis.common.grouping import (
    category_to_text,
    fill_missing_text,
    group_index,
    rows_with,
    time_order,
)
from arcdrift.analysis.loss.technician_days import NOBODY
from arcdrift.arrays import Ints
from arcdrift.settings import Crew

RUN_COLUMNS = [
    "splicer", "technician", "cleaver", "blade_position", "began", "ended", "length", "worst_deg",
    "splices",
]  # fmt: skip
PRACTICE_COLUMNS = ["splicer", "technician", "at", "loss_db", "angle_deg", "outcome"]
PRACTICE_LOGGED = [
    "splicer", "technician", "spliced_at", "loss_db", "cleave_left_deg", "cleave_right_deg",
    "outcome",
]  # fmt: skip
MOST_IDS = 50
"""Splice ids stored at most for one run."""


def worse_angle(splices: pd.DataFrame) -> pd.Series:
    """Return the larger of both cleave angles, degrees; NaN where neither is logged."""
    left, right = (splices[f"cleave_{side}_deg"].to_numpy(float) for side in ("left", "right"))
    return pd.Series(np.fmax(left, right), splices.index)


def cleave_runs(splices: pd.DataFrame, day: pd.Series, crew: Crew) -> pd.DataFrame:
    """Find runs of bad cleaves of one technician in one workday on one splicer.

    Parameters
    ----------
    splices : DataFrame
        Production splices; those without any angle are ignored.
    day : Series
        Their local workdays.

    Returns
    -------
    DataFrame
        `RUN_COLUMNS`; ``splices`` is a JSON list of the ids of the splices in the run.
    """
    places, stretch = bad_stretches(splices, day, crew)
    if not len(places):
        return pd.DataFrame(columns=RUN_COLUMNS)
    splices_in_runs = category_to_text(splices.iloc[places])
    splices_in_runs = splices_in_runs.assign(worse=worse_angle(splices_in_runs), stretch=stretch)
    splices_in_runs["technician"] = splices_in_runs["technician"].fillna(NOBODY)
    runs = splices_in_runs.groupby("stretch").agg(
        splicer=("splicer", "first"),
        technician=("technician", "first"),
        cleaver=("cleaver", "first"),
        blade_position=("blade_position", "first"),
        began=("spliced_at", "first"),
        ended=("spliced_at", "last"),
        length=("worse", "size"),
        worst_deg=("worse", "max"),
        splices=("id", lambda ids: json.dumps([int(splice_id) for splice_id in ids[:MOST_IDS]])),
    )
    return runs.sort_values(["splicer", "began"], ignore_index=True)[RUN_COLUMNS]


def bad_stretches(splices: pd.DataFrame, day: pd.Series, crew: Crew) -> tuple[Ints, Ints]:
    """Find the splices that belong to runs of bad cleaves.

    Parameters
    ----------
    splices : DataFrame
        As in `cleave_runs`.
    day : Series
        Their local workdays.

    Returns
    -------
    place, run : array of shape (bad splices in runs,)
        Row of each such splice, in time order within a person's day, and number of its run.
    """
    angle = worse_angle(splices).to_numpy()
    person_day, _ = group_index(
        splices["splicer"], fill_missing_text(splices["technician"], NOBODY), day
    )
    order = time_order(person_day, to_microseconds(splices["spliced_at"]))
    order = order[~np.isnan(angle[order])]
    worse, person_day = angle[order], person_day[order]
    bad = worse > crew.prep.bad_cleave_deg
    # a new stretch begins where good changes to bad or back, and at each person's day
    change = (
        np.r_[True, (bad[1:] != bad[:-1]) | (person_day[1:] != person_day[:-1])]
        if len(bad)
        else bad
    )
    stretch = np.cumsum(change)
    length = np.bincount(stretch)[stretch] if len(bad) else stretch
    in_run = np.flatnonzero(bad & (length >= crew.prep.run_length))
    return order[in_run], stretch[in_run].astype(np.int64)


def practice_splices(splices: pd.DataFrame) -> pd.DataFrame:
    """Select practice splices of each splicer in time order: `PRACTICE_COLUMNS`."""
    is_practice = rows_with(splices["purpose"], "practice") & splices["technician"].notna()
    practice = category_to_text(splices.loc[is_practice, PRACTICE_LOGGED])
    rows = practice.assign(angle_deg=worse_angle(practice), at=practice["spliced_at"])[
        PRACTICE_COLUMNS
    ]
    return rows.sort_values(["splicer", "at"], kind="stable", ignore_index=True)
