"""Runs of bad cleaves, and practice splices: what has to be kept splice by splice."""

import json

import numpy as np
import pandas as pd

from arcdrift.analysis.common.grouping import category_to_text, fill_missing_text, group_index
from arcdrift.analysis.loss.technician_days import NOBODY
from arcdrift.arrays import Ints
from arcdrift.settings import Crew

RUN_COLUMNS = [
    "splicer", "technician", "cleaver", "blade_position", "began", "ended", "length", "worst_deg",
    "splices",
]  # fmt: skip
PRACTICE_COLUMNS = ["splicer", "technician", "at", "loss_db", "angle_deg", "outcome"]
MOST_IDS = 50


def worse_angle(splices: pd.DataFrame) -> pd.Series:
    """The worse of both cleave angles, degrees; NaN where neither is logged."""
    left, right = (splices[f"cleave_{side}_deg"].to_numpy(float) for side in ("left", "right"))
    return pd.Series(np.fmax(left, right), splices.index)


def cleave_runs(splices: pd.DataFrame, day: pd.Series, crew: Crew) -> pd.DataFrame:
    """Runs of bad cleaves of one technician in one workday on one splicer.

    Parameters
    ----------
    splices : DataFrame
        Production splices; those without any angle are passed over.
    day : Series
        Their local workdays.

    Returns
    -------
    DataFrame
        `RUN_COLUMNS`; ``splices`` is JSON, ids of the splices in the run.
    """
    kept, stretch = bad_stretches(splices, day, crew)
    if not len(kept):
        return pd.DataFrame(columns=RUN_COLUMNS)
    run = category_to_text(splices.iloc[kept])
    run = run.assign(worse=worse_angle(run), stretch=stretch)
    run["technician"] = run["technician"].fillna(NOBODY)
    told = run.groupby("stretch").agg(
        splicer=("splicer", "first"),
        technician=("technician", "first"),
        cleaver=("cleaver", "first"),
        blade_position=("blade_position", "first"),
        began=("spliced_at", "first"),
        ended=("spliced_at", "last"),
        length=("worse", "size"),
        worst_deg=("worse", "max"),
        splices=("id", lambda ids: json.dumps([int(one) for one in ids[:MOST_IDS]])),
    )
    return told.sort_values(["splicer", "began"], ignore_index=True)[RUN_COLUMNS]


def bad_stretches(splices: pd.DataFrame, day: pd.Series, crew: Crew) -> tuple[Ints, Ints]:
    """Places of the splices in runs of bad cleaves, in time order, and each one's run.

    Parameters
    ----------
    splices : DataFrame
        As in `cleave_runs`.
    day : Series
        Their local workdays.

    Returns
    -------
    place, run : array of shape (bad splices in runs,)
    """
    angle = worse_angle(splices).to_numpy()
    who, _ = group_index(splices["splicer"], fill_missing_text(splices["technician"], NOBODY), day)
    order = np.lexsort((splices["spliced_at"].astype("int64").to_numpy(), who))
    order = order[~np.isnan(angle[order])]
    worse, who = angle[order], who[order]
    bad = worse > crew.prep.bad_cleave_deg
    # a new stretch begins wherever good and bad, or the person or day, change
    change = np.r_[True, (bad[1:] != bad[:-1]) | (who[1:] != who[:-1])] if len(bad) else bad
    stretch = np.cumsum(change)
    length = np.bincount(stretch)[stretch] if len(bad) else stretch
    kept = np.flatnonzero(bad & (length >= crew.prep.run_length))
    return order[kept], stretch[kept].astype(np.int64)


def practice_splices(splices: pd.DataFrame) -> pd.DataFrame:
    """Practice splices of each splicer in time order: `PRACTICE_COLUMNS`."""
    made = category_to_text(
        splices[(splices["purpose"] == "practice") & splices["technician"].notna()]
    )
    told = made.assign(angle_deg=worse_angle(made), at=made["spliced_at"])[PRACTICE_COLUMNS]
    return told.sort_values(["splicer", "at"], kind="stable", ignore_index=True)
