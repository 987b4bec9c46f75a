"""A pool of worker processes for a command, where the machine has processors to spare."""

import gc
import os
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from importlib import import_module
from multiprocessing import get_context

from sqlalchemy import Engine

from arcdrift.store.records.record_overview import max_splice_count

MIN_SPLICES = 100_000
"""Fewest splices of a store for which worker processes are started.

Each of them imports the same libraries first, which takes longer than a small review.
"""
MAX_WORKERS = 7
"""Most worker processes beside the main one."""


@contextmanager
def worker_pool(engine: Engine) -> Iterator[Executor | None]:
    """Yield a pool of worker processes; None on one processor or for a small store.

    Meanwhile the garbage collector leaves everything alone that was there before: to look at all
    objects of the libraries again and again took 8 % of a review.
    """
    gc.freeze()
    try:
        with _workers(engine) as executor:
            yield executor
    finally:
        gc.unfreeze()


@contextmanager
def _workers(engine: Engine) -> Iterator[Executor | None]:
    workers = min(_processor_count() - 1, MAX_WORKERS)
    if workers < 1 or max_splice_count(engine) < MIN_SPLICES:
        yield None
        return
    # spawn on every system: a forked child of a process with threads can hang
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as executor:
        # workers start now, while this process still reads what all parts of a review need
        executor.submit(_import_review)
        try:
            yield executor
        except BaseException:
            executor.shutdown(wait=False, cancel_futures=True)
            raise


def _import_review() -> None:
    """Import in a worker what the first part of a review needs."""
    import_module("arcdrift.analysis.review.pipeline")
    gc.freeze()


def _processor_count() -> int:
    """Count the processors that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
