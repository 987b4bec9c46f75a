"""Keeps the summary of past days, so that a review reads only the splices of the latest ones.

The kept summary is used as long as no record of its days was added, changed or deleted, and
neither the settings nor the calculation have changed. It is kept in ranges of days: a change makes
those out of date that end after it.
"""

from collections.abc import Callable, Collection, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, fields
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import NamedTuple

import pandas as pd
from sqlalchemy import Engine

import arcdrift
from arcdrift import __version__
from arcdrift.analysis.clock.clock_errors import ClockErrors
from arcdrift.analysis.common.chart_states import ChartStates
from arcdrift.analysis.review.parallel import summarize_parts
from arcdrift.analysis.review.part_reading import DayRange, SpliceReader
from arcdrift.analysis.review.review_inputs import ReviewInputs
from arcdrift.analysis.review.splice_summary import (
    EarlierOutdated,
    EarlierSplices,
    SpliceSummary,
    append_days,
)
from arcdrift.analysis.review.summary import PartSummary, Summary, combine_parts, settle_parts
from arcdrift.analysis.review.wrong_times import MARGIN, stretches_before
from arcdrift.error_reasons import WORD_LIST
from arcdrift.store.records.record_overview import SpliceCounts
from arcdrift.store.results.saved_summary import (
    CHARTS,
    RecordMarks,
    SavedSummary,
    earliest_change,
    read_saved_about,
    read_saved_summary,
)

FEWEST_SPLICES = 50_000
"""Stores with fewer splices are read as a whole: that takes no longer than keeping a summary."""
LATEST_DAYS = 10
"""The latest days are summarized in each review: logs and readings of a week may come late."""
SETTLED_AT_ONCE = 7
"""So many days are settled at a time: a range of few days takes about as long as one of many."""
RANGE_DAYS = 31
"""A range of settled days that is longer is not extended. What is kept of it need not be written
again, and stays valid when a record of later days changes."""
_CODE = ("analysis", "air", "charts")
"""Packages on which a summary depends, besides the modules that everything shares."""


@dataclass(frozen=True)
class SettledDays:
    """Summary of a range of days of the whole crew.

    Attributes
    ----------
    since, until : Timestamp
        First workday of the range, and first one after it, as naive midnights; the first range has
        no first day (None).
    summary : SpliceSummary
    clock_stretches : dict of str
        `arcdrift.analysis.review.wrong_times.stretches_before` the end of the range.
    """

    since: pd.Timestamp | None
    until: pd.Timestamp
    summary: SpliceSummary
    clock_stretches: dict[str, str]

    @property
    def name(self) -> str:
        """Name under which it is kept."""
        return f"{_iso(self.since)}..{_iso(self.until)}"

    @property
    def is_full(self) -> bool:
        """Whether later days are not added to the range."""
        return self.since is None or self.until - self.since >= pd.Timedelta(days=RANGE_DAYS)


class CrewSummary(NamedTuple):
    """Records of a crew, summarized, and what to keep of that.

    Attributes
    ----------
    summary : Summary
    saved : SavedSummary or None
        What to keep for the next review; None where the kept summary is to stay.
    states : ChartStates
        States from which the charts may go on.
    """

    summary: Summary
    saved: SavedSummary | None
    states: ChartStates


def summarize_crew(
    engine: Engine,
    inputs: ReviewInputs,
    marks: RecordMarks,
    read_splices: SpliceReader,
    executor: Executor | None = None,
    *,
    progress: Callable[[int], None] = lambda _done: None,
    from_scratch: bool = False,
) -> CrewSummary:
    """Summarize all records of a crew, with the kept summary of past days where that is valid.

    Parameters
    ----------
    marks : RecordMarks
        State of the records before `inputs` were read.
    read_splices, executor
        As in `arcdrift.analysis.review.parallel.summarize_parts`.
    progress : callable
        Called with the number of splicers done.
    from_scratch : bool
        Whether to summarize all days again.

    Returns
    -------
    CrewSummary
    """
    known = None if from_scratch else _known_summary(engine, inputs)
    settled = _settled_days(known, engine, inputs)
    while True:
        days = days_to_summarize(settled, inputs, had_changes=known is not None)
        parts: list[PartSummary] = []
        try:
            for part in summarize_parts(inputs, read_splices, executor, days):
                parts.append(part)
                progress(sum(len(done.splicers) for done in parts))
        except EarlierOutdated as outdated:
            settled = _still_valid(settled, outdated.since)
        else:
            break
    later = settle_parts(parts)
    summary = combine_parts(parts, [*(known.summary for known in settled), *later])
    extended = _extended(settled, later, days, summary.clocks)
    states = ChartStates(
        until=extended[-1].until if extended else None,
        known={} if known is None else known.contents.get(CHARTS, {}),
    )
    if not later:
        return CrewSummary(summary, None, states)
    kept = [days.name for days in settled]
    return CrewSummary(summary, to_save(extended, kept, inputs, marks), states)


def _still_valid(settled: list[SettledDays], outdated: pd.Timestamp | None) -> list[SettledDays]:
    """Ranges before one that does not fit the records, by the day from which on they do not fit."""
    if outdated is None:
        return settled[: len(settled) // 2]
    return [known for known in settled[:-1] if known.until <= outdated]


def _extended(
    settled: Sequence[SettledDays],
    later: Sequence[SpliceSummary],
    days: DayRange,
    clocks: dict[str, ClockErrors],
) -> list[SettledDays]:
    """Settled ranges with later ones, which extend the last range as long as it is not full."""
    ranges = list(settled)
    for summary, until in zip(later, days.settle_until, strict=True):
        since, parts = ranges[-1].until if ranges else None, [summary]
        if ranges and not ranges[-1].is_full:
            last = ranges.pop()
            since, parts = last.since, [last.summary, summary]
        stretches = stretches_before(clocks, until)
        ranges.append(SettledDays(since, until, append_days(parts), stretches))
    return ranges


def first_latest_day(now: pd.Timestamp) -> pd.Timestamp:
    """First of the days that are summarized in each review, whatever is kept."""
    today = now.tz_convert("UTC").tz_localize(None).normalize()
    return pd.Timestamp(today - pd.Timedelta(days=LATEST_DAYS))


def settled_days(engine: Engine, inputs: ReviewInputs) -> list[SettledDays]:
    """Return the ranges of past days whose kept summary is up to date, from the first on."""
    return _settled_days(_known_summary(engine, inputs), engine, inputs)


def _known_summary(engine: Engine, inputs: ReviewInputs) -> SavedSummary | None:
    """What is kept, if settings and calculation are as they were."""
    saved = read_saved_summary(engine)
    return None if saved is None or saved.about.get("rests_on") != _rests_on(inputs) else saved


def kept_splice_counts(engine: Engine, marks: RecordMarks) -> SpliceCounts | None:
    """Counts of splices when the summary was kept; None where one was changed or deleted since."""
    about = read_saved_about(engine)
    changed = any(kind == "splices" for kind, _day in marks.changes)
    if about is None or changed or "splices" not in about:  # as kept by an earlier version
        return None
    return SpliceCounts(**about["splices"])


def _settled_days(
    saved: SavedSummary | None, engine: Engine, inputs: ReviewInputs
) -> list[SettledDays]:
    if saved is None:
        return []
    change = earliest_change(engine, saved.about["newest"])
    found: list[SettledDays] = []
    for about in saved.about["ranges"]:
        until = pd.Timestamp(about["until"])
        since = None if about["since"] is None else pd.Timestamp(about["since"])
        is_unchanged = change is None or change >= until.tz_localize("UTC") + _margin(inputs)
        frames = saved.frames(about["name"])
        complete = set(frames) == {field.name for field in fields(SpliceSummary)}
        if not (complete and is_unchanged and until <= first_latest_day(inputs.now)):
            break
        summary = SpliceSummary(**frames)
        found.append(SettledDays(since, until, summary, about["clock_stretches"]))
    return found


def days_to_summarize(
    settled: Sequence[SettledDays], inputs: ReviewInputs, *, had_changes: bool = False
) -> DayRange:
    """Days that a review must summarize beside those of a kept summary.

    Parameters
    ----------
    had_changes : bool
        Whether records of past days changed before, as they may again: without settled days, those
        of the last month then become a range of their own.
    """
    latest = first_latest_day(inputs.now)
    if not settled:
        enough = sum(inputs.splice_counts.values()) >= FEWEST_SPLICES
        ends = [latest - pd.Timedelta(days=RANGE_DAYS)] * had_changes + [latest]
        return DayRange(settle_until=tuple(ends) if enough else ())
    last = settled[-1]
    enough = latest - last.until >= pd.Timedelta(days=SETTLED_AT_ONCE)
    return DayRange(
        settle_until=(latest,) if enough else (),
        earlier=EarlierSplices.after([days.summary for days in settled], last.until),
        clock_stretches=last.clock_stretches,
    )


def to_save(
    settled: Sequence[SettledDays], kept: Collection[str], inputs: ReviewInputs, marks: RecordMarks
) -> SavedSummary:
    """Summary of past days as it is kept.

    Parameters
    ----------
    settled : sequence of SettledDays
        All ranges of days, one after the other.
    kept : collection of str
        Names of ranges that are kept already.
    marks : RecordMarks
        From before the records were read.
    """
    about = {
        "rests_on": _rests_on(inputs),
        "newest": marks.newest,
        "splices": inputs.counts._asdict(),
        "ranges": [
            {
                "name": days.name,
                "since": _iso(days.since),
                "until": _iso(days.until),
                "clock_stretches": days.clock_stretches,
            }
            for days in settled
        ],
    }
    return SavedSummary.of(
        about,
        {days.name: vars(days.summary) for days in settled if days.name not in kept},
        [days.name for days in settled if days.name in kept],
    )


def _iso(day: pd.Timestamp | None) -> str | None:
    return None if day is None else day.date().isoformat()


def _margin(inputs: ReviewInputs) -> pd.Timedelta:
    """Longest time by which a record can reach into earlier days."""
    shifts = [abs(pd.Timedelta(shift.shift)) for shift in inputs.shifts]
    reach = pd.Timedelta(minutes=inputs.crew.air_max_age_min)
    return MARGIN + max([reach, *shifts])


def _rests_on(inputs: ReviewInputs) -> str:
    """Digest of everything but the records that a summary of past days depends on."""
    settings = repr((inputs.crew, inputs.shifts))
    return sha256(f"{_code_digest()} {settings}".encode()).hexdigest()


@cache
def _code_digest() -> str:
    """Digest of the modules that summarize, and of the words by which reasons have a class."""
    package = Path(arcdrift.__file__).parent
    modules = [
        WORD_LIST,
        *package.glob("*.py"),
        *(p for name in _CODE for p in package.glob(f"{name}/**/*.py")),
    ]
    digest = sha256(__version__.encode())
    for module in sorted(modules):
        digest.update(module.read_bytes())
    return digest.hexdigest()
