"""Runs every analysis over a store; the one entry for command line, report and dashboard.

Three steps: summarize the splicers in parts, look at the crew (pools, budget), chart each stream
and splicer. The results replace those of the last review in one transaction.
"""

import time
from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass

import pandas as pd
from sqlalchemy import Engine

from arcdrift import __version__
from arcdrift.air import AirSources
from arcdrift.analysis.advice.advice_from_store import advise_now, now_of
from arcdrift.analysis.clock.clock_errors import crew_began
from arcdrift.analysis.review.parallel import Common, sum_up
from arcdrift.analysis.review.pipeline import assess
from arcdrift.analysis.review.result_tables import for_store
from arcdrift.analysis.review.summary import Summary, joined
from arcdrift.errors import UsageError
from arcdrift.finding import Finding
from arcdrift.settings import Crew
from arcdrift.store import read
from arcdrift.store.baseline_marks import marks
from arcdrift.store.clock_shifts import clock_shifts
from arcdrift.store.write import replace_results

__all__ = ["Review", "advise_now", "now_of", "review"]

Progress = Callable[[str, int, int], None]
"""Called with what is being done, how many are done, and how many there are."""


@dataclass(frozen=True)
class Review:
    """What a review did."""

    now: pd.Timestamp
    names: tuple[str, ...]
    splices: int
    checks: int
    findings: tuple[Finding, ...]
    seconds: float

    @property
    def splicers(self) -> int:
        """How many splicers were looked at."""
        return len(self.names)


def review(
    engine: Engine,
    crew: Crew,
    *,
    now: pd.Timestamp | None = None,
    progress: Progress | None = None,
    executor: Executor | None = None,
) -> Review:
    """Analyze everything in the store and replace the results.

    Parameters
    ----------
    now : Timestamp, optional
        UTC; by default as crew.toml says (`now_of`).
    progress : callable, optional
        Told after each part of the crew.
    executor : Executor, optional
        Takes part of the work (`arcdrift.analysis.review.parallel`); by default all is done in this
        process.

    Raises
    ------
    UsageError
        When the store holds no checks and no splices.
    """
    started = time.perf_counter()
    counts = read.splices_of(engine)
    names = sorted(counts)
    if not names:
        raise UsageError("There is nothing to analyze yet; import arc checks or splices first.")
    now = now_of(engine, crew) if now is None else now
    readings = AirSources.of(read.records(engine, "readings"), crew)
    checks = read.records(engine, "arc-checks")
    service = read.records(engine, "service")
    began = crew_began(
        pd.concat(
            [
                checks[["splicer", "checked_at"]],
                read.oldest_splices(engine).rename(columns={"spliced_at": "checked_at"}),
            ]
        ),
        "checked_at",
    )
    common = Common(crew, now, checks, service, readings, began, tuple(clock_shifts(engine)))
    parts: list[Summary] = []
    for part in sum_up(engine, counts, common, executor):
        parts.append(part)
        if progress is not None:
            done = sum(len(one.splicers) for one in parts)
            progress("Summarizing splicers", done, len(names))
    summary = joined(parts)
    if progress is not None:
        progress("Charting", len(names), len(names))
    told = assess(summary, service, crew, now, marks(engine), executor)
    frames = told.frames | {
        "analysis_run": pd.DataFrame(
            {
                "id": [1],
                "assessed_on": [pd.Timestamp.now("UTC").as_unit("us")],
                "now": [now],
                "version": [__version__],
                "seconds": [time.perf_counter() - started],
                "splices": [summary.splices],
                "checks": [len(checks)],
                "summary": [told.settings],
            }
        ),
    }
    replace_results(engine, {name: for_store(name, frame) for name, frame in frames.items()})
    return Review(
        now=now,
        names=tuple(names),
        splices=summary.splices,
        checks=len(checks),
        findings=told.findings,
        seconds=time.perf_counter() - started,
    )
