"""Other processes that help a command where the machine has processors to spare."""

import os
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import get_context

from sqlalchemy import Engine

from arcdrift.store import read

WORTH_IT = 100_000
"""Splices from which starting another process pays; it loads the same libraries first."""
MOST = 7


@contextmanager
def helping(engine: Engine) -> Iterator[Executor | None]:
    """Yield processes to share the work with; None on one processor or for a small store."""
    helpers = min(_processors() - 1, MOST)
    if helpers < 1 or read.most_splices(engine) < WORTH_IT:
        yield None
        return
    # spawned everywhere: a forked child of a process with threads can hang
    with ProcessPoolExecutor(helpers, mp_context=get_context("spawn")) as executor:
        try:
            yield executor
        except BaseException:
            executor.shutdown(wait=False, cancel_futures=True)
            raise


def _processors() -> int:
    """How many processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
