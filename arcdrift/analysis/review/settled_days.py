"""Keeps the summary of past days, so that a review reads only the splices of the latest ones.

The kept summary is used as long as no record of its days was added, changed or deleted, and
neither the settings nor the calculation have changed; otherwise every day is summarized again.
"""

from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass, fields
from functools import cache
from hashlib import sha256
from pathlib import Path

import pandas as pd
from sqlalchemy import Engine

import arcdrift
from arcdrift import __version__
from arcdrift.analysis.clock.clock_errors import ClockErrors
from arcdrift.analysis.review.parallel import DayRange, SpliceReader, summarize_parts
from arcdrift.analysis.review.review_inputs import ReviewInputs
from arcdrift.analysis.review.splice_summary import EarlierOutdated, EarlierSplices, SpliceSummary
from arcdrift.analysis.review.summary import PartSummary, Summary, combine_parts, settle_parts
from arcdrift.analysis.review.wrong_times import MARGIN, stretches_before
from arcdrift.store.results.saved_summary import (
    RecordMarks,
    SavedSummary,
    earliest_change,
    read_saved_summary,
)

FEWEST_SPLICES = 50_000
"""Stores with fewer splices are read as a whole: that takes no longer than keeping a summary."""
_CODE = ("analysis", "air", "charts")
"""Packages on which a summary depends, besides the modules that everything shares."""


@dataclass(frozen=True)
class SettledDays:
    """Summary of all days before a workday.

    Attributes
    ----------
    until : Timestamp
        That workday, as a naive midnight.
    summary : SpliceSummary
    clock_stretches : dict of str
        `arcdrift.analysis.review.wrong_times.stretches_before` that day.
    """

    until: pd.Timestamp
    summary: SpliceSummary
    clock_stretches: dict[str, str]


def summarize_crew(
    engine: Engine,
    inputs: ReviewInputs,
    marks: RecordMarks,
    read_splices: SpliceReader,
    executor: Executor | None = None,
    *,
    progress: Callable[[int], None] = lambda _done: None,
    from_scratch: bool = False,
) -> tuple[Summary, SavedSummary | None]:
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
    summary : Summary
    saved : SavedSummary or None
        What to keep for the next review; None where the kept summary is to stay.
    """
    settled = None if from_scratch else settled_days(engine, inputs)
    days = days_to_summarize(settled, inputs)
    parts: list[PartSummary] = []
    try:
        for part in summarize_parts(inputs, read_splices, executor, days):
            parts.append(part)
            progress(sum(len(done.splicers) for done in parts))
    except EarlierOutdated:
        return summarize_crew(
            engine, inputs, marks, read_splices, executor, progress=progress, from_scratch=True
        )
    before = None if settled is None else settled.summary
    later = settle_parts(parts, before)
    if later is None or days.settle_until is None:
        return combine_parts(parts, before), None
    summary = combine_parts(parts, later)
    return summary, to_save(later, days.settle_until, summary.clocks, inputs, marks)


def first_latest_day(now: pd.Timestamp) -> pd.Timestamp:
    """First day of the month before that of `now`: later days are summarized in each review."""
    month = now.tz_convert("UTC").tz_localize(None).to_period("M")
    return pd.Timestamp((month - 1).start_time)


def settled_days(engine: Engine, inputs: ReviewInputs) -> SettledDays | None:
    """Return the kept summary of past days; None where it is missing or out of date."""
    saved = read_saved_summary(engine)
    if saved is None or saved.about.get("rests_on") != _rests_on(inputs):
        return None
    if set(saved.contents) != {field.name for field in fields(SpliceSummary)}:
        return None
    until = pd.Timestamp(saved.about["until"])
    change = earliest_change(engine, saved.about["newest"])
    is_unchanged = change is None or change >= until.tz_localize("UTC") + _margin(inputs)
    if not is_unchanged or until > first_latest_day(inputs.now):
        return None
    return SettledDays(until, SpliceSummary(**saved.frames()), saved.about["clock_stretches"])


def days_to_summarize(settled: SettledDays | None, inputs: ReviewInputs) -> DayRange:
    """Days that a review must summarize beside those of a kept summary."""
    latest = first_latest_day(inputs.now)
    if settled is None:
        enough = sum(inputs.splice_counts.values()) >= FEWEST_SPLICES
        return DayRange(settle_until=latest if enough else None)
    return DayRange(
        settle_until=latest if latest > settled.until else None,
        earlier=EarlierSplices.after(settled.summary, settled.until),
        clock_stretches=settled.clock_stretches,
    )


def to_save(
    summary: SpliceSummary,
    until: pd.Timestamp,
    clocks: dict[str, ClockErrors],
    inputs: ReviewInputs,
    marks: RecordMarks,
) -> SavedSummary:
    """Summary of past days as it is kept.

    Parameters
    ----------
    summary : SpliceSummary
        Of the whole crew.
    until : Timestamp
        First workday after it.
    clocks : dict of ClockErrors
        By splicer.
    marks : RecordMarks
        From before the records were read.
    """
    about = {
        "rests_on": _rests_on(inputs),
        "until": until.isoformat(),
        "newest": marks.newest,
        "clock_stretches": stretches_before(clocks, until),
    }
    return SavedSummary.of(about, vars(summary))


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
    """Digest of the modules that summarize."""
    package = Path(arcdrift.__file__).parent
    modules = [
        *package.glob("*.py"),
        *(p for name in _CODE for p in package.glob(f"{name}/**/*.py")),
    ]
    digest = sha256(__version__.encode())
    for module in sorted(modules):
        digest.update(module.read_bytes())
    return digest.hexdigest()
