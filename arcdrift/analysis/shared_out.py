"""Work of a review that other processes may do: parts of the crew to sum up, questions apart."""

from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor, Executor, Future
from dataclasses import dataclass, replace
from typing import ParamSpec, TypeVar

import pandas as pd
from sqlalchemy import Engine

from arcdrift.air import AirSources
from arcdrift.analysis.splicer import SplicerSummary, splice_columns, summarize
from arcdrift.settings import Crew
from arcdrift.store import read
from arcdrift.store.clock_shifts import ClockShift
from arcdrift.store.connect import open_store

PARTS = 16
"""A crew is cut into so many parts at the most, as what all of them need is sent with each."""
SMALLEST_PART = 2

Given = ParamSpec("Given")
Result = TypeVar("Result")
Summed = tuple[SplicerSummary, int]
"""A summary, and how many splices it was taken from."""


@dataclass(frozen=True)
class Common:
    """What summing up any splicer of the crew needs besides its splices."""

    crew: Crew
    now: pd.Timestamp
    checks: pd.DataFrame
    service: pd.DataFrame
    readings: AirSources
    began: pd.Timestamp | None
    shifts: tuple[ClockShift, ...]

    def of(self, names: list[str]) -> "Common":
        """Leave out other splicers' records."""
        return replace(
            self,
            checks=self.checks[self.checks["splicer"].isin(names)],
            service=self.service[self.service["asset"].isin(names)],
            shifts=tuple(one for one in self.shifts if one.bounds.splicer in names),
        )


def begun(
    executor: Executor | None,
    work: Callable[Given, Result],
    *args: Given.args,
    **kwargs: Given.kwargs,
) -> Callable[[], Result]:
    """Begin work elsewhere where there is an executor.

    Returns
    -------
    callable
        Gives the result; works it out here what was not begun by then, or broke with the executor.
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


def sum_up(
    engine: Engine, names: list[str], common: Common, executor: Executor | None = None
) -> Iterator[Summed]:
    """Read and sum up splicers, in any order.

    Parameters
    ----------
    executor : Executor, optional
        Its processes must reach the store at the same address.
    """
    if executor is None:
        yield from (_summed(engine, name, common) for name in names)
        return
    address = engine.url.render_as_string(hide_password=False)
    size = max(SMALLEST_PART, -(-len(names) // PARTS))
    parts = (names[first : first + size] for first in range(0, len(names), size))
    waiting = [begun(executor, part_of, address, part, common.of(part)) for part in parts]
    for part in reversed(waiting):  # the executor begins with the first
        yield from part()


def part_of(address: str, names: list[str], common: Common) -> list[Summed]:
    """Read some splicers from the store at an address and sum them up."""
    engine = open_store(address)
    return [_summed(engine, name, common) for name in names]


def _summed(engine: Engine, name: str, common: Common) -> Summed:
    columns = splice_columns(common.crew)
    splices = read.records(engine, "splices", splicers=[name], columns=columns)
    summary = summarize(
        name,
        splices,
        common.checks[common.checks["splicer"] == name],
        common.readings,
        common.service[common.service["asset"] == name],
        common.crew,
        common.now,
        began=common.began,
        clock_right=tuple(
            one.bounds for one in common.shifts if one.bounds.splicer == name and not one.shift
        ),
    )
    return summary, len(splices)
