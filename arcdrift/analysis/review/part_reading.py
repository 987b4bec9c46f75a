"""What a review reads of the splices of a part of a crew, and of which days."""

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Protocol

import pandas as pd

from arcdrift.analysis.advice.splicer_states_at import COUNT_DAYS
from arcdrift.analysis.review.splice_summary import EarlierSplices
from arcdrift.analysis.review.wrong_times import MARGIN


class SpliceReader(Protocol):
    """Reads some columns of the splices of some splicers."""

    def __call__(
        self,
        names: list[str],
        columns: tuple[str, ...],
        *,
        since: pd.Timestamp | None = None,
        ids: Iterable[int] | None = None,
    ) -> pd.DataFrame:
        """Read the splices, all of them or those since an instant (UTC) or with some ids."""


@dataclass(frozen=True)
class DayRange:
    """Days of a crew to be summarized, and what is known of those before.

    Attributes
    ----------
    settle_until : tuple of Timestamp
        Workdays at which ranges of days end that are summarized apart, to be kept; the last is the
        first of the latest workdays.
    earlier : EarlierSplices or None
        What is needed of the days that are not summarized again.
    clock_stretches : dict of str
        Stretches with a wrong clock that began before, by splicer, as `stretches_before`
        describes them.
    """

    settle_until: tuple[pd.Timestamp, ...] = ()
    earlier: EarlierSplices | None = None
    clock_stretches: dict[str, str] = field(default_factory=dict)

    def for_splicers(self, names: list[str]) -> "DayRange":
        """Leave out other splicers."""
        if self.earlier is None:
            return self
        return replace(
            self,
            earlier=self.earlier.for_splicers(names),
            clock_stretches={
                name: stretches for name, stretches in self.clock_stretches.items() if name in names
            },
        )


def first_instant_read(earlier: EarlierSplices, now: pd.Timestamp) -> pd.Timestamp:
    """First instant (UTC) of the splices that the days from `earlier` on need."""
    counted_from = now - pd.Timedelta(days=COUNT_DAYS)
    return min(earlier.since.tz_localize("UTC") - MARGIN, counted_from)
