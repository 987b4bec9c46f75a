"""Times and counts of all splices, in little memory, and where splices at a place were made.

A wrong clock is found by the times and counts of all splices of a splicer, and a splice over the
limit may have been made again at a place used before. Both are kept of splices that are not read
again: arrays by splicer instead of rows, and 32 bits of each place.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from arcdrift.analysis.common.event_lookup import to_microseconds
from arcdrift.arrays import Ints

CLOCK_COLUMNS = ("id", "import_id", "spliced_at", "arc_count", "splice_number")
COUNTER_COLUMNS = (*CLOCK_COLUMNS, "splicer", "site")
"""Columns of the splices by which a wrong clock is found."""
PLACE = "place"
SITES, SITE_COUNTS = "sites", "site_counts"


@dataclass(frozen=True)
class SpliceCounters:
    """Times, counts and places of splices.

    Attributes
    ----------
    table : DataFrame
        ``splicer``, and in each row arrays of some of its splices: `CLOCK_COLUMNS` (times in
        microseconds UTC) and ``place``, in order of ids; ``sites`` where it worked, and
        ``site_counts``, its splices there. A splicer may have several rows.
    """

    table: pd.DataFrame

    @classmethod
    def of(cls, splices: pd.DataFrame) -> "SpliceCounters":
        """Counters of splices, each splicer's in order of ids, with ``location`` or without."""
        rows_of = splices.groupby("splicer", observed=True).indices
        values = {
            name: splices[name].to_numpy(np.int64 if "id" in name else np.float64, na_value=np.nan)
            for name in CLOCK_COLUMNS
            if name in splices.columns and name != "spliced_at"
        }
        values["spliced_at"] = to_microseconds(splices["spliced_at"])
        if "location" in splices.columns:
            values[PLACE] = hash_places(splices["location"])
        columns = {
            name: [array[rows] for rows in rows_of.values()] for name, array in values.items()
        }
        sites = [splices["site"].iloc[rows].value_counts() for rows in rows_of.values()]
        used = [counts[counts > 0] for counts in sites]
        return cls(
            pd.DataFrame(
                {
                    "splicer": pd.Series(map(str, rows_of), dtype="str"),
                    **columns,
                    SITES: [counts.index.astype("str").to_list() for counts in used],
                    SITE_COUNTS: [counts.to_numpy() for counts in used],
                }
            )
        )

    @property
    def splicers(self) -> list[str]:
        """Names of the splicers with splices."""
        return [str(name) for name in self.table["splicer"].unique()]

    def and_later(self, later: "SpliceCounters") -> "SpliceCounters":
        """These counters and those of other splices."""
        return SpliceCounters(pd.concat([self.table, later.table], ignore_index=True))

    def of_splicer(self, name: str) -> pd.DataFrame:
        """`CLOCK_COLUMNS` of all splices of a splicer, in order of ids."""
        rows = self.table[self.table["splicer"] == name]
        known = [column for column in CLOCK_COLUMNS if column in rows.columns]
        if rows.empty:
            return pd.DataFrame(columns=known)
        arrays = {column: np.concatenate(rows[column].to_list()) for column in known}
        if (np.diff(arrays["id"]) < 0).any():
            order = np.argsort(arrays["id"], kind="stable")
            arrays = {column: array[order] for column, array in arrays.items()}
        times = pd.DatetimeIndex(arrays["spliced_at"].astype("datetime64[us]"), tz="UTC")
        return pd.DataFrame({**arrays, "spliced_at": times})

    def usual_site(self, name: str) -> str | None:
        """Site at which a splicer made most of its splices, the first by name of several."""
        rows = self.table[self.table["splicer"] == name]
        counts: dict[str, int] = {}
        for sites, numbers in zip(rows[SITES], rows[SITE_COUNTS], strict=True):
            for site, number in zip(sites, numbers, strict=True):
                counts[site] = counts.get(site, 0) + int(number)
        return min(counts, key=lambda site: (-counts[site], site), default=None)

    def ids_at(self, locations: Iterable[str]) -> Ints:
        """Ids of splices that may lie at some locations: all that do, and a few others."""
        wanted = np.unique(hash_places(pd.Series(list(locations), dtype="str")))
        found = [
            ids[np.isin(places, wanted)]
            for ids, places in zip(self.table["id"], self.table[PLACE], strict=True)
        ]
        return np.concatenate([np.zeros(0, np.int64), *found])


def hash_places(locations: pd.Series) -> "np.ndarray[tuple[int], np.dtype[np.uint32]]":
    """32 bits of each location; 0 where it is missing."""
    known = locations.notna().to_numpy()
    places = np.zeros(len(locations), dtype=np.uint32)
    texts = locations.to_numpy(dtype=object)[known]
    places[known] = pd.util.hash_array(texts, categorize=False) & 0xFFFFFFFF
    return places
