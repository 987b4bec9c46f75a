"""Splices read here for workers that cannot read the store, sent with the call that needs them."""

from collections.abc import Iterable
from dataclasses import dataclass

import pandas as pd

from arcdrift.analysis.loss.acceptance.accepted_limits import PLACE_KEYS, smallest_limit
from arcdrift.analysis.review.part_reading import DayRange, SpliceReader, first_instant_read
from arcdrift.analysis.review.review_inputs import ReviewInputs
from arcdrift.analysis.review.splice_counters import COUNTER_COLUMNS
from arcdrift.analysis.review.summary import splice_columns


@dataclass(frozen=True)
class SentSplices:
    """Everything that a summary of a part reads of its splices; a reader like that of a store.

    Attributes
    ----------
    splices : DataFrame
        Splices of the days that are summarized.
    counters : DataFrame or None
        `COUNTER_COLUMNS` of all splices, where wrong clocks must be looked for in all.
    places : DataFrame
        Earlier splices at places of the latest ones that may be over the accepted limit.
    """

    splices: pd.DataFrame
    counters: pd.DataFrame | None
    places: pd.DataFrame

    def __call__(
        self,
        names: list[str],
        columns: tuple[str, ...],
        *,
        since: pd.Timestamp | None = None,
        ids: Iterable[int] | None = None,
    ) -> pd.DataFrame:
        """Return what was read; `names` and `since` are those it was read with."""
        if ids is not None:
            return self.places[self.places["id"].isin(list(ids))].reset_index(drop=True)
        if columns == COUNTER_COLUMNS and self.counters is not None:
            return self.counters
        return self.splices


def read_to_send(
    read_splices: SpliceReader, names: list[str], inputs: ReviewInputs, days: DayRange
) -> SentSplices:
    """Read what `arcdrift.analysis.review.parallel.summarize_part` reads of some splicers."""
    columns = splice_columns(inputs.crew)
    if days.earlier is None:
        splices = read_splices(names, columns)
        return SentSplices(splices, None, splices.iloc[:0])
    splices = read_splices(names, columns, since=first_instant_read(days.earlier, inputs.now))
    counters = read_splices(names, COUNTER_COLUMNS) if days.clock_stretches else None
    high = splices["loss_db"].to_numpy(dtype="float64") > smallest_limit(inputs.crew)
    ids = days.earlier.counters.ids_at(splices.loc[high, PLACE_KEYS].dropna())
    places = read_splices(names, columns, ids=ids) if len(ids) else splices.iloc[:0]
    return SentSplices(splices, counters, places)
