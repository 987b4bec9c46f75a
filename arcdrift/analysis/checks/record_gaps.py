"""Which splicers and sources of readings have not been heard of while the crew worked."""

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple

QUIET_DAYS = 4
"""Crew days without a record from which a source counts as missing; common practice, no source."""


class Heard(NamedTuple):
    """When a source was last heard of, and on which days since 1970 (UTC)."""

    newest: datetime
    days: Collection[int]


@dataclass(frozen=True)
class RecordGap:
    """How fresh a source is.

    Attributes
    ----------
    quiet : int
        Days on which the crew worked after its newest record.
    without : int
        Days, of those on which the crew worked lately, without any record of it.
    of : int
        Those days.
    """

    quiet: int
    without: int
    of: int

    @property
    def is_missing(self) -> bool:
        """Whether somebody should send its records."""
        return self.quiet >= QUIET_DAYS


def crew_days(splicers: Iterable[Heard]) -> set[int]:
    """Days on which any splicer has a record: those on which the crew worked."""
    found: set[int] = set()
    for heard in splicers:
        found.update(heard.days)
    return found


def record_gap(heard: Heard, worked: Collection[int]) -> RecordGap:
    """How fresh a source is, beside the days on which the crew worked.

    That a splicer has no record of a day may mean that it stayed in its case: what is counted is
    days without records, never days of missing work.
    """
    newest = int(heard.newest.timestamp() // 86_400)
    return RecordGap(
        quiet=sum(day > newest for day in worked),
        without=len(set(worked) - set(heard.days)),
        of=len(set(worked)),
    )
