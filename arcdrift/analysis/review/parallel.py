"""Splits a review over the processes of an executor."""

from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor, Executor, Future
from typing import ParamSpec, Protocol, TypeVar

import numpy as np
import pandas as pd

from arcdrift.analysis.review.review_inputs import ReviewInputs
from arcdrift.analysis.review.summary import Summary, splice_columns, summarize

PART_SPLICES = (110_000, 330_000)
"""Fewest and most splices summarized at once. A part must be large enough that its fixed costs
matter little, small enough for the memory of a small machine, and there must be enough parts for
two processes to finish at about the same time."""
PARTS = 12
"""From this many parts on, more splices make the parts larger instead of more numerous."""

Arguments = ParamSpec("Arguments")
Result = TypeVar("Result")


class SpliceReader(Protocol):
    """Reads some columns of the splices of some splicers."""

    def __call__(self, names: list[str], columns: tuple[str, ...]) -> pd.DataFrame:
        """Read the splices."""


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
        executor had not started the call yet, or when it broke.
    """
    future: Future[Result] | None = None
    if executor is not None:
        try:
            future = executor.submit(work, *args, **kwargs)
        except BrokenExecutor:
            future = None

    def result() -> Result:
        if future is not None and not future.cancel():
            try:
                return future.result()
            except BrokenExecutor:
                pass
        return work(*args, **kwargs)

    return result


def summarize_parts(
    inputs: ReviewInputs, read_splices: SpliceReader, executor: Executor | None = None
) -> Iterator[Summary]:
    """Read and summarize a crew in parts, in any order.

    Parameters
    ----------
    read_splices : callable
        Must be one that can be pickled when the executor's workers are processes.
    """
    parts = split_by_splices(inputs.splice_counts)
    if executor is None:
        for names in parts:
            yield summarize_part(read_splices, names, inputs.for_splicers(names))
        return
    pending = [
        submit_or_run(executor, summarize_part, read_splices, names, inputs.for_splicers(names))
        for names in parts
    ]
    # an executor starts with the first, so this process begins with the last
    for result in reversed(pending):
        yield result()


def split_by_splices(splice_counts: dict[str, int]) -> list[list[str]]:
    """Split splicers into parts of about the same number of splices (see `PART_SPLICES`)."""
    total = sum(splice_counts.values())
    fewest, most = PART_SPLICES
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


def summarize_part(read_splices: SpliceReader, names: list[str], inputs: ReviewInputs) -> Summary:
    """Read the splices of some splicers and summarize them."""
    return summarize(
        read_splices(names, splice_columns(inputs.crew)),
        inputs.checks,
        inputs.readings,
        inputs.service,
        inputs.crew,
        inputs.now,
        began=inputs.began,
        clock_right=[shift.bounds for shift in inputs.shifts if not shift.shift],
    )
