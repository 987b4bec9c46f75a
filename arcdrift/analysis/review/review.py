"""Runs every analysis over a store: the entry for command line, report and dashboard.

Three steps: summarize the splicers in parts; pool variances, slopes and the alarm budget over the
crew; chart each stream and splicer. The results replace those of the last review in one
transaction.
"""

import time
from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial

import pandas as pd
from sqlalchemy import Engine

from arcdrift import __version__
from arcdrift.analysis.review.parallel import FleetExecutor
from arcdrift.analysis.review.part_reading import SpliceReader
from arcdrift.analysis.review.pipeline import assess
from arcdrift.analysis.review.review_inputs import SplicesAtAddress, read_inputs, read_splices
from arcdrift.analysis.review.settled_days import kept_splice_counts, summarize_crew
from arcdrift.errors import UsageError
from arcdrift.finding import Finding
from arcdrift.settings import Crew
from arcdrift.store.database.connect import Waiting, snapshot
from arcdrift.store.database.read_only import require_writable
from arcdrift.store.records.record_overview import assessment_time
from arcdrift.store.results.analysis_lock import analysis_lock
from arcdrift.store.results.result_replacement import ResultsReplaced, replace_results
from arcdrift.store.results.result_rows import read_analysis_mark
from arcdrift.store.results.saved_summary import record_marks
from arcdrift.store.results.store_versions import records_version

_TRIES = 3
"""How often a review begins anew when another one was stored meanwhile, which a lock prevents."""
Progress = Callable[[str, int, int], None]
"""Called with the step, how many splicers are done, and how many there are."""


@dataclass(frozen=True)
class Review:
    """Size and duration of a review, and its findings."""

    now: pd.Timestamp
    names: tuple[str, ...]
    splices: int
    checks: int
    findings: tuple[Finding, ...]
    seconds: float

    @property
    def splicers(self) -> int:
        """Number of splicers reviewed."""
        return len(self.names)


def review(
    engine: Engine,
    crew: Crew,
    *,
    now: pd.Timestamp | None = None,
    progress: Progress | None = None,
    executor: Executor | None = None,
    from_scratch: bool = False,
    waiting: Waiting | None = None,
) -> Review:
    """Analyze everything in the store and replace the results.

    One review of a store runs at a time; another one waits, and reads what is there then.

    Parameters
    ----------
    now : Timestamp, optional
        UTC; by default as crew.toml says
        (`arcdrift.store.records.record_overview.assessment_time`).
    progress : callable, optional
        Called after each part of the crew.
    executor : Executor, optional
        Takes part of the work (`arcdrift.analysis.review.parallel`); by default all is done in this
        process.
    from_scratch : bool
        Whether to summarize all days again, also those whose summary was kept.
    waiting : callable, optional
        Called once when another review must be waited for.

    Raises
    ------
    UsageError
        When the store holds no checks and no splices.
    StoreTrouble
        When the results cannot be stored.
    """
    require_writable(engine)
    with analysis_lock(engine, waiting):
        for again in range(_TRIES):
            try:
                return _review(engine, crew, now, progress, executor, from_scratch=from_scratch)
            except ResultsReplaced:
                if again == _TRIES - 1:
                    raise
    raise AssertionError


def _review(
    engine: Engine,
    crew: Crew,
    now: pd.Timestamp | None,
    progress: Progress | None,
    executor: Executor | None,
    *,
    from_scratch: bool,
) -> Review:
    started = time.perf_counter()
    mark = read_analysis_mark(engine)
    # before anything is read: what is stored meanwhile may be missing from the results
    with snapshot(engine):
        version, marks = records_version(engine), record_marks(engine)
        now = assessment_time(engine, crew) if now is None else now
    known = None if from_scratch else kept_splice_counts(engine, marks)
    inputs = read_inputs(engine, crew, now, known, marks.newest)
    names = sorted(inputs.splice_counts)
    if not names:
        raise UsageError("There is nothing to analyze yet; import arc checks or splices first.")
    report = progress if progress is not None else _no_progress
    newest_splice = marks.newest.get("splices", 0)
    read_part: SpliceReader = partial(read_splices, engine, newest_id=newest_splice)
    if executor is not None and not (
        isinstance(executor, FleetExecutor) and not executor.reads_store
    ):
        address = engine.url.render_as_string(hide_password=False)
        read_part = SplicesAtAddress(address, newest_splice)
    summary, saved, states = summarize_crew(
        engine,
        inputs,
        marks,
        read_part,
        executor,
        progress=lambda done: report("Summarizing splicers", done, len(names)),
        from_scratch=from_scratch,
    )
    report("Charting", len(names), len(names))
    assessment = assess(
        summary, inputs.service, crew, now, inputs.baseline_marks, executor,
        inputs.kept_cases, inputs.coaching, inputs.acted_on, states,
    )  # fmt: skip
    frames = assessment.frames | {
        "analysis_run": pd.DataFrame(
            {
                "id": [1],
                "assessed_on": [pd.Timestamp.now("UTC").as_unit("us")],
                "now": [now],
                "version": [__version__],
                "records_version": [str(version)],
                "seconds": [time.perf_counter() - started],
                "splices": [summary.splices],
                "checks": [len(inputs.checks)],
                "summary": [assessment.settings],
            }
        ),
    }
    replace_results(
        engine, frames, saved, marks.changes, assessment.cases.kept, assessment.chart_states,
        instead_of=mark,
    )  # fmt: skip
    return Review(
        now=now,
        names=tuple(names),
        splices=summary.splices,
        checks=len(inputs.checks),
        findings=assessment.findings,
        seconds=time.perf_counter() - started,
    )


def _no_progress(step: str, done: int, total: int) -> None:
    """Report nothing."""
