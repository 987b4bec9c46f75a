"""Work of a review that other processes may do: parts of the crew to sum up, questions apart."""

from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor, Executor, Future
from dataclasses import dataclass, replace
from typing import ParamSpec, TypeVar

import numpy as np
import pandas as pd
from sqlalchemy import Engine

from arcdrift.air import AirSources
from arcdrift.analysis.review.summary import SELDOM_TWICE, Summary, splice_columns, summarize
from arcdrift.settings import Crew
from arcdrift.store import read
from arcdrift.store.clock_shifts import ClockShift
from arcdrift.store.connect import open_store

PART_SPLICES = (110_000, 330_000)
"""Splices summed up at once: enough to make little of what each part costs in itself, but in
parts enough that two processes end together, and few enough for the memory of a small machine."""
PARTS = 12
"""Parts from which more splices make larger parts, not more of them."""

Given = ParamSpec("Given")
Result = TypeVar("Result")


@dataclass(frozen=True)
class Common:
    """What summing up any part of the crew needs besides its splices."""

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
    engine: Engine, counts: dict[str, int], common: Common, executor: Executor | None = None
) -> Iterator[Summary]:
    """Read and sum up a crew in parts, in any order.

    Parameters
    ----------
    counts : dict of int
        How many splices each splicer made.
    executor : Executor, optional
        Its processes must reach the store at the same address.
    """
    parts = in_parts(counts)
    if executor is None:
        yield from (_summed(engine, part, common.of(part)) for part in parts)
        return
    address = engine.url.render_as_string(hide_password=False)
    waiting = [begun(executor, part_of, address, part, common.of(part)) for part in parts]
    for part in reversed(waiting):  # the executor begins with the first
        yield part()


def in_parts(counts: dict[str, int]) -> list[list[str]]:
    """Part splicers into parts of about as many splices each, as `PART_SPLICES` asks for."""
    total = sum(counts.values())
    least, most = PART_SPLICES
    wanted = min(max(total / PARTS, least), most)
    size = max(total / max(np.ceil(total / wanted), 1.0), 1.0)
    parts: dict[int, list[str]] = {}
    before = 0
    for name in sorted(counts):
        # a splicer belongs to the part in which the middle of its splices lies
        parts.setdefault(int((before + counts[name] / 2) / size), []).append(name)
        before += counts[name]
    return list(parts.values())


def part_of(address: str, names: list[str], common: Common) -> Summary:
    """Read some splicers from the store at an address and sum them up."""
    return _summed(open_store(address), names, common)


def _summed(engine: Engine, names: list[str], common: Common) -> Summary:
    columns = splice_columns(common.crew)
    splices = read.records(
        engine,
        "splices",
        splicers=names,
        columns=columns,
        order=("splicer", "id"),
        coded=set(columns) - SELDOM_TWICE,
    )
    return summarize(
        splices,
        common.checks,
        common.readings,
        common.service,
        common.crew,
        common.now,
        began=common.began,
        clock_right=[one.bounds for one in common.shifts if not one.shift],
    )
