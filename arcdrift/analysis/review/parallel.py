"""Splits a review over the processes of an executor."""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, wait
from typing import ParamSpec, TypeVar

import numpy as np
import pandas as pd

from arcdrift.analysis.common.days import workdays
from arcdrift.analysis.common.grouping import concat_frames
from arcdrift.analysis.review.part_reading import DayRange, SpliceReader, first_instant_read
from arcdrift.analysis.review.review_inputs import ReviewInputs
from arcdrift.analysis.review.sent_splices import read_to_send
from arcdrift.analysis.review.splice_counters import COUNTER_COLUMNS, SpliceCounters
from arcdrift.analysis.review.splice_summary import EarlierOutdated
from arcdrift.analysis.review.summary import (
    PartSummary,
    splice_columns,
    summarize_part_records,
)
from arcdrift.analysis.review.wrong_times import clock_errors, stretches_before
from arcdrift.arrays import Ints
from arcdrift.clock_bounds import ClockBounds

PART_SPLICES = (160_000, 330_000)
"""Fewest and most splices summarized at once. A part must be large enough that its fixed costs
matter little, small enough for the memory of a small machine, and there must be enough parts for
two processes to finish at about the same time."""
PARTS = 12
"""From this many parts on, more splices make the parts larger instead of more numerous."""
IDS_AT_ONCE = 20_000
"""Most ids in one query, which must not grow too long."""
EARLIER_SPLICES = 10
"""So many splices of settled days take about the time and memory of one of the latest days."""

Arguments = ParamSpec("Arguments")
Result = TypeVar("Result")


class FleetExecutor(Executor):
    """Executor whose workers may be on other machines.

    A call that no worker could finish fails with `BrokenExecutor`.

    Attributes
    ----------
    calls_at_once : int
        Parts of a crew that are read and submitted at a time, which bounds the memory that waiting
        calls take here and in the cluster.
    reads_store : bool
        Whether its workers read the store themselves; otherwise splices are sent to them.
    """

    calls_at_once: int = 1
    reads_store: bool = False


def submit_or_run(
    executor: Executor | None,
    work: Callable[Arguments, Result],
    *args: Arguments.args,
    **kwargs: Arguments.kwargs,
) -> Callable[[], Result]:
    """Submit a call to an executor if there is one.

    Returns
    -------
    callable
        Waits for the result. Makes the call in this process when there is no executor, when the
        executor had not started the call yet (a cluster does not say whether it has), or when it
        broke.
    """
    future: Future[Result] | None = None
    if executor is not None:
        try:
            future = executor.submit(work, *args, **kwargs)
        except BrokenExecutor:
            future = None

    def result() -> Result:
        has_it = isinstance(executor, FleetExecutor)
        if future is not None and (has_it or not future.cancel()):
            try:
                return future.result()
            except BrokenExecutor:
                pass
        return work(*args, **kwargs)

    return result


def summarize_parts(
    inputs: ReviewInputs,
    read_splices: SpliceReader,
    executor: Executor | None = None,
    days: DayRange | None = None,
) -> Iterator[PartSummary]:
    """Read and summarize a crew in parts, in any order.

    Parameters
    ----------
    read_splices : callable
        Must be one that can be pickled when the executor's workers are processes.
    days : DayRange, optional
        Which days are wanted; by default all.

    Raises
    ------
    EarlierOutdated
        When what `days` says of earlier days does not fit the records.
    """
    days = DayRange() if days is None else days
    counts, fewest = inputs.splice_counts, PART_SPLICES[0]
    if days.earlier is not None:  # only the counters of earlier splices are read
        counts = {name: count // EARLIER_SPLICES for name, count in counts.items()}
    if executor is None:  # nobody to share with: the fewer parts, the lower their fixed costs
        fewest = PART_SPLICES[1]
    parts = split_by_splices(counts, fewest)

    def arguments(names: list[str]) -> tuple[SpliceReader, list[str], ReviewInputs, DayRange]:
        return read_splices, names, inputs.for_splicers(names), days.for_splicers(names)

    if isinstance(executor, FleetExecutor):
        yield from _summarize_on_fleet(executor, parts, arguments)
        return
    if executor is None or len(parts) == 1:  # a worker would only have to be sent what is here
        for names in parts:
            yield summarize_part(*arguments(names))
        return
    pending = [submit_or_run(executor, summarize_part, *arguments(names)) for names in parts]
    # an executor starts with the first, so this process begins with the last
    for result in reversed(pending):
        yield result()


def _summarize_on_fleet(
    executor: FleetExecutor,
    parts: Sequence[list[str]],
    arguments: Callable[[list[str]], tuple[SpliceReader, list[str], ReviewInputs, DayRange]],
) -> Iterator[PartSummary]:
    """Summarize parts on other machines, a few at a time; here those that no worker finished."""
    waiting, running = list(parts), dict[Future[PartSummary], list[str]]()
    try:
        while waiting or running:
            while waiting and len(running) < executor.calls_at_once:
                names = waiting.pop()
                given = arguments(names)
                if not executor.reads_store:
                    given = (read_to_send(*given), *given[1:])
                try:
                    running[executor.submit(summarize_part, *given)] = names
                except BrokenExecutor:
                    yield summarize_part(*given)
            for future in wait(running, return_when=FIRST_COMPLETED).done:
                names = running.pop(future)
                try:
                    part = future.result()
                except BrokenExecutor:
                    part = summarize_part(*arguments(names))
                yield part
    finally:
        for future in running:
            future.cancel()


def split_by_splices(splice_counts: dict[str, int], fewest: int | None = None) -> list[list[str]]:
    """Split splicers into parts of about the same number of splices (see `PART_SPLICES`)."""
    total = sum(splice_counts.values())
    few, most = PART_SPLICES
    fewest = few if fewest is None else fewest
    wanted = min(max(total / PARTS, fewest), most)
    size = max(total / max(np.ceil(total / wanted), 1.0), 1.0)
    parts: dict[int, list[str]] = {}
    before = 0
    for name in sorted(splice_counts):
        # a splicer belongs to the part in which the middle of its splices lies
        middle = before + splice_counts[name] / 2
        parts.setdefault(int(middle / size), []).append(name)
        before += splice_counts[name]
    return list(parts.values())


def summarize_part(
    read_splices: SpliceReader, names: list[str], inputs: ReviewInputs, days: DayRange
) -> PartSummary:
    """Read the splices of some splicers and summarize them."""
    crew, earlier = inputs.crew, days.earlier
    columns = splice_columns(crew)
    clock_right: list[ClockBounds] = [shift.bounds for shift in inputs.shifts if not shift.shift]
    recorded = sum(inputs.splice_counts[name] for name in names)
    if earlier is None:
        splices = read_splices(names, columns)
        counters = SpliceCounters.of(splices[list(COUNTER_COLUMNS)])
    else:
        since = first_instant_read(earlier, inputs.now)
        splices = read_splices(names, columns, since=since)
        if days.clock_stretches:  # splices with a wrong time are in no summary
            counters = SpliceCounters.of(read_splices(names, COUNTER_COLUMNS))
        else:
            later = splices[workdays(splices, crew, "spliced_at") >= earlier.since]
            counters = earlier.counters.and_later(SpliceCounters.of(later))
    clocks = clock_errors(counters, inputs.checks, crew, inputs.now, inputs.began, clock_right)
    if earlier is not None and stretches_before(clocks, earlier.since) != days.clock_stretches:
        raise EarlierOutdated

    def read_places(ids: Ints) -> pd.DataFrame:
        chunks = np.array_split(ids, len(ids) // IDS_AT_ONCE + 1)
        return concat_frames([read_splices(names, columns, ids=chunk) for chunk in chunks])

    return summarize_part_records(
        splices,
        inputs.checks,
        inputs.readings,
        inputs.service,
        crew,
        inputs.now,
        clocks,
        earlier=earlier,
        read_places=read_places,
        settle_until=days.settle_until,
        recorded=recorded,
    )
