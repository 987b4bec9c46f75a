"""Sums over splices and checks for the crew as a whole: losses, outcomes, imports, air."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from arcdrift.analysis.advice.reading_gaps import NO_SITE
from arcdrift.analysis.common.days import WORKDAY, record_sites
from arcdrift.analysis.common.event_lookup import (
    first_and_last,
    splicer_index,
    to_microseconds,
)
from arcdrift.analysis.common.grouping import (
    as_text,
    category_to_text,
    group_index,
    group_sums,
    rows_with,
)
from arcdrift.analysis.common.places import Places
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


def daily_outcomes(splices: pd.DataFrame, places: Places) -> pd.DataFrame:
    """Count splices and places by day.

    Parameters
    ----------
    splices : DataFrame
        Production splices of all outcomes, with their `WORKDAY`.
    places : Places
        Their places.

    Returns
    -------
    DataFrame
        ``day``, ``splices``, ``measured`` (with a loss), ``total`` (dB), ``over`` (above 0.10 dB),
        ``errors``, ``places`` (of which it is known whether they were right first time), ``again``
        (those that were not).
    """
    day = splices[WORKDAY].to_numpy()
    loss = splices["loss_db"].to_numpy(dtype=np.float64, na_value=np.nan)
    group, first = group_index(day)
    sums = {
        "splices": 1,
        "measured": ~np.isnan(loss),
        "total": np.nan_to_num(loss),
        "over": loss > OVER_DB,
        "errors": rows_with(splices["outcome"], "error"),
        "places": places.assessed,
        "again": places.again,
    }
    counts = tuple(name for name in sums if name != "total")
    table = group_sums(group, sums, counts=counts)
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
    at = to_microseconds(records[when])
    group, row = group_index(records["splicer"], records["import_id"])
    first, last = first_and_last(group, at, len(row))
    keys = category_to_text(records[_SPAN_KEYS].iloc[row].reset_index(drop=True))
    return keys.assign(first=first, last=last)


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
