"""Sums over splices and checks for the crew as a whole: losses, outcomes, imports, air."""

import numpy as np
import pandas as pd

from arcdrift.analysis.common.days import WORKDAY, record_sites
from arcdrift.analysis.common.event_lookup import splicer_index
from arcdrift.analysis.common.grouping import as_text, category_to_text, group_index, group_sums
from arcdrift.settings import Crew

HISTOGRAM_STEP_DB = 0.001
OVER_DB = 0.10
"""Loss above which the crew's daily chart counts a splice."""


def loss_histogram(work: pd.DataFrame, day: pd.Series) -> pd.DataFrame:
    """Count production splices by day and loss, in steps of 0.001 dB.

    Exact enough for percentiles of the whole crew, and small.

    Returns
    -------
    DataFrame
        ``day``, ``bin`` (loss in steps of `HISTOGRAM_STEP_DB`), ``count``.
    """
    bins = np.rint(work["loss_db"].to_numpy(dtype=float) / HISTOGRAM_STEP_DB).astype(int)
    days = day.to_numpy()
    group, first = group_index(days, bins)
    return pd.DataFrame({"day": days[first], "bin": bins[first]}).join(
        group_sums(group, {"count": 1}, counts=("count",))
    )


def daily_outcomes(splices: pd.DataFrame) -> pd.DataFrame:
    """Count production splices by day and outcome.

    Returns
    -------
    DataFrame
        ``day``, ``splices``, ``measured`` (with a loss), ``total`` (dB), ``over`` (above 0.10 dB),
        ``redo``, ``errors``.
    """
    production_splices = splices.loc[
        splices["purpose"] == "production", [WORKDAY, "loss_db", "outcome"]
    ]
    day = production_splices[WORKDAY].to_numpy()
    group, first = group_index(day)
    sums = {
        "splices": 1,
        "measured": production_splices["loss_db"].notna(),
        "total": production_splices["loss_db"].fillna(0.0),
        "over": production_splices["loss_db"] > OVER_DB,
        "redo": production_splices["outcome"] == "redo",
        "errors": production_splices["outcome"] == "error",
    }
    table = group_sums(group, sums, counts=("splices", "measured", "over", "redo", "errors"))
    table.insert(0, "day", day[first])
    return table


def air_coverage(
    splices: pd.DataFrame, splice_air: pd.DataFrame, checks: pd.DataFrame, check_air: pd.DataFrame
) -> pd.DataFrame:
    """Count checks and splices of each splicer, and those with an air reading near them.

    Returns
    -------
    DataFrame
        ``kind``, ``splicer``, ``rows``, ``with_air``.
    """
    names = sorted({*splices["splicer"].unique(), *checks["splicer"].unique()})
    index, parts = pd.Index(names), []
    for kind, records, air in (
        ("arc-checks", checks, check_air),
        ("splices", splices, splice_air),
    ):
        position = splicer_index(records["splicer"], index)
        with_air = np.bincount(position, air["air_density"].notna(), minlength=len(names))
        counts = {
            "rows": np.bincount(position, minlength=len(names)),
            "with_air": with_air.astype(int),
        }
        parts.append(pd.DataFrame({"kind": kind, "splicer": index} | counts))
    return pd.concat(parts, ignore_index=True)


def import_spans(splices: pd.DataFrame, checks: pd.DataFrame) -> pd.DataFrame:
    """First and last instant of the records that each import brought of each splicer.

    Returns
    -------
    DataFrame
        ``splicer``, ``import_id``, ``first``, ``last``.
    """
    keys = ["splicer", "import_id"]
    parts = [
        category_to_text(records.groupby(keys)[when].agg(first="min", last="max").reset_index())
        for records, when in ((splices, "spliced_at"), (checks, "checked_at"))
    ]
    spans: pd.DataFrame = pd.concat(parts).groupby(keys).agg({"first": "min", "last": "max"})
    return spans.reset_index()


def records_without_air(
    splices: pd.DataFrame,
    splice_air: pd.DataFrame,
    checks: pd.DataFrame,
    check_air: pd.DataFrame,
    crew: Crew,
) -> pd.DataFrame:
    """Site and instant of each check and splice that has no air reading near it.

    Returns
    -------
    DataFrame
        ``site``, ``at``, in the order of time.
    """
    parts = []
    for records, air, when in (
        (splices, splice_air, "spliced_at"),
        (checks, check_air, "checked_at"),
    ):
        unread = records[air["air_density"].isna()]
        sites = record_sites(unread, crew)
        parts.append(pd.DataFrame({"site": as_text(sites).fillna("(no site)"), "at": unread[when]}))
    return pd.concat(parts, ignore_index=True).sort_values("at", ignore_index=True)
