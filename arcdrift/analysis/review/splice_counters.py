"""Times and counts of all splices, in little memory, and where splices at a place were made.

A wrong clock is found by the times and counts of all splices of a splicer, and a splice over the
limit may have been made again at a place used before. Both are kept of splices that are not read
again: arrays by splicer instead of rows, and 32 bits of each place.
"""

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

from arcdrift.analysis.common.event_lookup import to_microseconds
from arcdrift.analysis.common.grouping import text_codes
from arcdrift.arrays import Floats, Ints

CLOCK_COLUMNS = ("id", "import_id", "spliced_at", "arc_count", "splice_number")
COUNTER_COLUMNS = (*CLOCK_COLUMNS, "splicer", "site")
"""Columns of the splices by which a wrong clock is found."""
_TYPES: dict[str, type[Any]] = {
    "id": np.int64,
    "import_id": np.int64,
    "spliced_at": np.int64,
    "arc_count": np.float64,
    "splice_number": np.float64,
}
PLACE = "place"
_PRIME = 2_654_435_761
_LOW_BITS = (1 << 16) - 1
SITES, SITE_COUNTS = "sites", "site_counts"


@dataclass(frozen=True)
class SpliceCounters:
    """Times, counts and places of splices.

    Attributes
    ----------
    table : DataFrame
        ``splicer``, and in each row arrays of some of its splices, in order of ids: the `_steps`
        of `CLOCK_COLUMNS` (times in microseconds UTC), which take a third of the room when they
        are kept, and ``place``; ``sites`` where it worked, and ``site_counts``, its splices there.
        A splicer may have several rows.
    """

    table: pd.DataFrame

    @classmethod
    def of(cls, splices: pd.DataFrame) -> "SpliceCounters":
        """Counters of splices, each splicer's in order of ids, with ``location`` or without."""
        code, names = text_codes(splices["splicer"])
        order = np.argsort(code, kind="stable")
        present, start = np.unique(code[order], return_index=True)

        def divided(values: npt.NDArray[Any]) -> list[npt.NDArray[Any]]:
            """Values of each splicer."""
            return np.split(values[order], start[1:]) if len(start) else []

        values = {
            name: splices[name].to_numpy(_TYPES[name], na_value=np.nan)
            for name in CLOCK_COLUMNS
            if name in splices.columns and name != "spliced_at"
        }
        values["spliced_at"] = to_microseconds(splices["spliced_at"])
        if "location" in splices.columns:
            values[PLACE] = hash_places(splices["location"])
        site, site_names = text_codes(splices["site"])
        counts = np.zeros((len(names), len(site_names) + 1), dtype=np.int64)
        np.add.at(counts, (code, site), 1)  # the last column: site not logged
        used = [np.flatnonzero(row[:-1]) for row in counts[present]]
        return cls(
            pd.DataFrame(
                {
                    "splicer": pd.Series(names[present].astype("str")),
                    **{
                        name: divided(array)
                        if name == PLACE
                        else [_steps(part) for part in divided(array)]
                        for name, array in values.items()
                    },
                    SITES: [site_names[columns].to_list() for columns in used],
                    SITE_COUNTS: [
                        row[columns] for row, columns in zip(counts[present], used, strict=True)
                    ],
                }
            )
        )

    @property
    def splicers(self) -> list[str]:
        """Names of the splicers with splices."""
        return [str(name) for name in self.table["splicer"].unique()]

    @cached_property
    def _rows_of(self) -> dict[str, list[int]]:
        """Rows of the table by splicer."""
        rows: dict[str, list[int]] = {}
        for row, name in enumerate(self.table["splicer"]):
            rows.setdefault(name, []).append(row)
        return rows

    def and_later(self, later: "SpliceCounters") -> "SpliceCounters":
        """These counters and those of other splices."""
        return SpliceCounters(pd.concat([self.table, later.table], ignore_index=True))

    def of_splicer(self, name: str) -> pd.DataFrame:
        """`CLOCK_COLUMNS` of all splices of a splicer, in order of ids."""
        rows = self._rows_of.get(name, [])
        known = [column for column in CLOCK_COLUMNS if column in self.table.columns]
        if not rows:
            return pd.DataFrame(columns=known)
        arrays = {
            column: np.concatenate(
                [_values(self.table[column].array[row], _TYPES[column]) for row in rows]
            )
            for column in known
        }
        if (np.diff(arrays["id"]) < 0).any():
            order = np.argsort(arrays["id"], kind="stable")
            arrays = {column: array[order] for column, array in arrays.items()}
        times = pd.DatetimeIndex(arrays["spliced_at"].astype("datetime64[us]"), tz="UTC")
        return pd.DataFrame({**arrays, "spliced_at": times})

    def usual_site(self, name: str) -> str | None:
        """Site at which a splicer made most of its splices, the first by name of several."""
        counts: dict[str, int] = {}
        sites_of, numbers_of = self.table[SITES].array, self.table[SITE_COUNTS].array
        for row in self._rows_of.get(name, []):
            for site, number in zip(sites_of[row], numbers_of[row], strict=True):
                counts[site] = counts.get(site, 0) + int(number)
        return min(counts, key=lambda site: (-counts[site], site), default=None)

    def ids_at(self, places: pd.DataFrame) -> Ints:
        """Ids of splices that may lie at some places: all that do, and a few others.

        Parameters
        ----------
        places : DataFrame
            ``splicer`` and ``location``.
        """
        code, names = text_codes(places["splicer"])
        hashed = hash_places(places["location"])
        is_wanted = np.zeros(_LOW_BITS + 1, dtype=bool)  # by the lower bits of a place
        found = [np.zeros(0, np.int64)]
        steps_of, places_of = self.table["id"].array, self.table[PLACE].array
        for number in np.unique(code):
            wanted = np.unique(hashed[code == number])
            is_wanted[wanted & _LOW_BITS] = True
            for row in self._rows_of.get(str(names[number]), []):
                at = places_of[row]
                rows = np.flatnonzero(is_wanted[at & _LOW_BITS])
                rows = rows[np.isin(at[rows], wanted)]
                if len(rows):
                    found.append(_values(steps_of[row], np.int64)[rows])
            is_wanted[wanted & _LOW_BITS] = False
        return np.concatenate(found)


def _steps(values: Ints | Floats) -> Ints:
    """Differences of the 64 bits of successive numbers; small, or alike, where a count runs on."""
    bits: Ints = values.view(np.int64)
    return np.subtract(bits, np.r_[np.zeros(min(len(bits), 1), np.int64), bits[:-1]])


def _values(steps: Ints, kind: type[Any]) -> npt.NDArray[Any]:
    """Numbers from their `_steps`, bit by bit as they were."""
    return np.asarray(np.cumsum(steps, dtype=np.int64).view(kind))


def hash_places(locations: pd.Series) -> "npt.NDArray[np.uint32]":
    """32 bits of each location; 0 where it is missing.

    Polynomial hash: the bytes of the text times powers of an odd number, modulo 2^32.
    """
    texts = pa.array(locations, type=pa.large_string(), from_pandas=True)
    texts = texts.combine_chunks() if isinstance(texts, pa.ChunkedArray) else texts
    texts = texts.fill_null("")  # which need not begin where the texts began in their buffer
    _, offsets, content = texts.buffers()
    places = np.zeros(len(locations), dtype=np.uint32)
    if content is None or not len(content):
        return places
    begin = np.frombuffer(offsets, np.int64)[texts.offset : texts.offset + len(texts) + 1]
    letters = np.frombuffer(content, np.uint8)[begin[0] : begin[-1]]
    begin, length = begin[:-1] - begin[0], np.diff(begin)
    power = np.cumprod(np.full(length.max(initial=0), _PRIME, dtype=np.uint32), dtype=np.uint32)
    nth = np.arange(len(letters)) - np.repeat(begin, length)
    filled = length > 0
    places[filled] = np.add.reduceat(letters * power[nth], begin[filled], dtype=np.uint32)
    return places
