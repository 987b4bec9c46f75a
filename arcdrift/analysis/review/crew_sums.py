"""Sums over splices and checks for the crew as a whole: losses, outcomes, imports, air."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from arcdrift.analysis.advice.reading_gaps import NO_SITE
from arcdrift.analysis.common.days import WORKDAY, record_sites
from arcdrift.analysis.common.event_lookup import splicer_index
from arcdrift.analysis.common.grouping import as_text, category_to_text, group_index, group_sums
from arcdrift.settings import Crew

HISTOGRAM_STEP_DB = 0.001
_SPAN_KEYS = ["splicer", "import_id"]
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


def air_coverage(kind: str, records: pd.DataFrame, air: pd.DataFrame) -> pd.DataFrame:
    """Count checks or splices of each splicer, and those with an air reading near them.

    Returns
    -------
    DataFrame
        ``kind``, ``splicer``, ``rows``, ``with_air``.
    """
    names = pd.Index(sorted(records["splicer"].unique()))
    position = splicer_index(records["splicer"], names)
    with_air = np.bincount(position, air["air_density"].notna(), minlength=len(names))
    return pd.DataFrame(
        {
            "kind": kind,
            "splicer": names.astype("str"),
            "rows": np.bincount(position, minlength=len(names)),
            "with_air": with_air.astype(int),
        }
    )


def add_coverage(parts: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Add counts of `air_coverage`, with a row of each kind for each splicer."""
    counts = pd.concat(parts).groupby(["kind", "splicer"])[["rows", "with_air"]].sum()
    names = sorted(counts.index.unique("splicer"))
    kinds = ("arc-checks", "splices")
    every = pd.MultiIndex.from_product([kinds, names], names=counts.index.names)
    return counts.reindex(every, fill_value=0).reset_index()


def import_spans(records: pd.DataFrame, when: str) -> pd.DataFrame:
    """First and last instant of the records that each import brought of each splicer.

    Returns
    -------
    DataFrame
        ``splicer``, ``import_id``, ``first``, ``last``.
    """
    grouped = records.groupby(_SPAN_KEYS, observed=True)[when]
    return category_to_text(grouped.agg(first="min", last="max").reset_index())


def join_spans(parts: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """First and last instant by splicer and import over several frames of `import_spans`."""
    spans: pd.DataFrame = pd.concat(parts).groupby(_SPAN_KEYS).agg({"first": "min", "last": "max"})
    return spans.reset_index()


def records_without_air(
    records: pd.DataFrame, air: pd.DataFrame, when: str, crew: Crew
) -> pd.DataFrame:
    """Site and instant of each check or splice that has no air reading near it.

    Returns
    -------
    DataFrame
        ``site``, ``at``, in the order of time.
    """
    unread = records[air["air_density"].isna()]
    sites = as_text(record_sites(unread, crew)).fillna(NO_SITE)
    table = pd.DataFrame({"site": sites, "at": unread[when]})
    return table.sort_values("at", ignore_index=True)
