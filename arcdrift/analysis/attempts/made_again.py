"""What splices made again cost: attempts, minutes and arcs, by what made them necessary."""

import numpy as np
import pandas as pd

from arcdrift.analysis.attempts.attempt_cells import NO_REASON
from arcdrift.analysis.attempts.stretches import BREAK_MIN
from arcdrift.analysis.common.error_classes import error_classes
from arcdrift.analysis.common.event_lookup import to_microseconds
from arcdrift.analysis.common.grouping import (
    as_text,
    rows_with,
    sums_by_keys,
)
from arcdrift.analysis.common.places import TOLERANCE_DB, Places
from arcdrift.arrays import Floats
from arcdrift.settings import Crew

OVER_LIMIT = "over_limit"
"""Cause of an attempt after one whose loss was over the accepted limit."""
WITHIN_LIMIT = "within_limit"
"""The same within the limit: somebody made a finished splice again for a reason not logged."""
MOST_ARCS = 50
"""Arcs between two attempts above which the count was set or more than one splice lies between."""
KEYS = ["splicer", "day", "cause"]
SUMS = ["attempts", "minutes", "untimed", "arcs", "uncounted"]


def made_again(
    splices: pd.DataFrame, day: pd.Series, places: Places, limit: Floats, crew: Crew
) -> pd.DataFrame:
    """Sum the attempts after the first at their places.

    Parameters
    ----------
    splices : DataFrame
        Production splices of every outcome; text as categories.
    day : Series
        Their local workdays.
    places : Places
        `arcdrift.analysis.common.places.find_places` of them.
    limit : array of shape (splices,)
        Loss accepted for each as a single splice (dB).

    Returns
    -------
    DataFrame
        `KEYS` and `SUMS`. ``cause`` is the class of the reason of the attempt before
        (`arcdrift.error_reasons.CLASSES`), `OVER_LIMIT` where it was finished over the limit,
        `WITHIN_LIMIT` where it was finished within it, or
        `arcdrift.analysis.attempts.attempt_cells.NO_REASON`. ``minutes`` lie between the attempt
        before and this one, so that those of a place add up to the time from its first attempt to
        its last; after a break they are not known, and ``untimed`` counts these attempts. ``arcs``
        are those that the splicer counted meanwhile; ``uncounted`` counts attempts without it.
    """
    again = np.flatnonzero(places.nth > 1)
    if not len(again):
        return pd.DataFrame(columns=[*KEYS, *SUMS])
    # the attempt before each: by place and number
    order = np.lexsort((places.nth, places.place))
    before = np.empty(len(order), dtype=np.int64)
    before[order[1:]] = order[:-1]
    former = before[again]
    at = to_microseconds(splices["spliced_at"])
    minutes = (at[again] - at[former]) / 6e7
    timed = (minutes >= 0) & (minutes <= BREAK_MIN)
    count = splices["arc_count"].to_numpy(dtype=np.float64)
    arcs = count[again] - count[former]
    with np.errstate(invalid="ignore"):
        counted = (arcs > 0) & (arcs <= MOST_ARCS)
        loss = splices["loss_db"].to_numpy(dtype=np.float64)[former]
        over = loss > limit[former] + TOLERANCE_DB
    unlogged = np.where(over, OVER_LIMIT, np.where(np.isfinite(loss), WITHIN_LIMIT, NO_REASON))
    failed = rows_with(splices["outcome"].iloc[former], "error")
    reasons = as_text(error_classes(splices["error_reason"].iloc[former], crew)).fillna(NO_REASON)
    # a redo may have a reason logged as well
    logged = reasons.to_numpy() != NO_REASON
    cause = np.where(logged, reasons, np.where(failed, NO_REASON, unlogged))
    columns = {
        "splicer": splices["splicer"].iloc[again],
        "day": day.iloc[again],
        "cause": pd.Series(cause.astype(str)),
    }
    values = {
        "attempts": np.ones(len(again)), "minutes": np.where(timed, minutes, 0.0),
        "untimed": ~timed, "arcs": np.where(counted, arcs, 0.0), "uncounted": ~counted,
    }  # fmt: skip
    return sums_by_keys(columns, values)
