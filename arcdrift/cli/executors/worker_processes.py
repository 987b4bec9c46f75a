"""A pool of worker processes for a command, where the machine has processors to spare."""

import gc
import os
import signal
from collections.abc import Callable, Iterator
from concurrent.futures import (
    BrokenExecutor,
    Future,
    InvalidStateError,
    ProcessPoolExecutor,
)
from contextlib import ExitStack, contextmanager, suppress
from importlib import import_module
from multiprocessing import get_context
from typing import Any, TypeVar

from sqlalchemy import Engine

from arcdrift.store.records.record_overview import max_splice_count

MIN_SPLICES = 100_000
"""Fewest splices of a store for which worker processes are started.

Each of them imports the same libraries first, which takes longer than a small review.
"""
MAX_WORKERS = 7
"""Most worker processes beside the main one, unless more are asked for."""

Result = TypeVar("Result")


class WorkerProcesses(ProcessPoolExecutor):
    """Worker processes on this machine; remembers whether one of them ended in the middle of work.

    The pool is then broken, and what is left is done in this process.
    """

    is_broken = False

    def submit(self, work: Callable[..., Result], /, *args: Any, **kwargs: Any) -> "Future[Result]":
        """Submit a call to a worker process."""
        try:
            future = super().submit(work, *args, **kwargs)
        except BrokenExecutor:
            self.is_broken = True
            raise
        future.add_done_callback(self._remember)
        _let_fail_when_cancelled(future)
        return future

    def _remember(self, done: "Future[Any]") -> None:
        if not done.cancelled() and isinstance(done.exception(), BrokenExecutor):
            self.is_broken = True

    @property
    def notices(self) -> list[str]:
        """Sentences about workers that were lost."""
        if not self.is_broken:
            return []
        return [
            "A worker process ended in the middle of its work (was it killed, or was memory "
            "short?); what was left was done without it, with the same results."
        ]


def _let_fail_when_cancelled(future: Future[Any]) -> None:
    """Let a broken pool pass over a call that was cancelled.

    Up to Python 3.12 it stopped there, and calls that were running never got a result.
    """
    set_exception = future.set_exception

    def tolerant(error: BaseException | None) -> None:
        with suppress(InvalidStateError):
            set_exception(error)

    future.set_exception = tolerant  # type: ignore[assignment, method-assign]


@contextmanager
def worker_pool(engine: Engine, *, workers: int | None = None) -> Iterator[WorkerProcesses | None]:
    """Yield a pool of worker processes; None on one processor or for a small store.

    Meanwhile the garbage collector leaves everything alone that was there before: to look at all
    objects of the libraries again and again took 8 % of a review.

    Parameters
    ----------
    workers : int, optional
        So many are started, whatever the machine and the store.
    """
    if workers is None and max_splice_count(engine) >= MIN_SPLICES:
        workers = min(_processor_count() - 1, MAX_WORKERS)
    gc.freeze()
    try:
        with _started(workers or 0) as executor:
            yield executor
    finally:
        gc.unfreeze()


@contextmanager
def _started(workers: int) -> Iterator[WorkerProcesses | None]:
    if workers < 1:
        yield None
        return
    # spawn on every system: a forked child of a process with threads can hang
    spawn = get_context("spawn")
    with WorkerProcesses(workers, mp_context=spawn, initializer=_leave_interrupts) as executor:
        # workers start now, while this process still reads what all parts of a review need
        executor.submit(_import_review)
        try:
            yield executor
        except BaseException:
            executor.shutdown(wait=False, cancel_futures=True)
            raise


class LastingWorkers:
    """Worker processes that stay from one review to the next, as a watched folder needs them.

    They are started at the first review of a store that is large enough, and anew after one of
    them was lost.
    """

    def __init__(self, engine: Engine) -> None:
        self._engine, self._opened = engine, ExitStack()
        self._pool: WorkerProcesses | None = None

    def __enter__(self) -> "LastingWorkers":
        return self

    def __exit__(self, *error: object) -> None:
        self._opened.close()

    def pool(self) -> WorkerProcesses | None:
        """Return the workers; None where they do not pay."""
        if self._pool is None or self._pool.is_broken:
            self._opened.close()
            self._pool = self._opened.enter_context(worker_pool(self._engine))
        return self._pool


def _leave_interrupts() -> None:
    """Leave Ctrl-C, which reaches all processes of a terminal, to the main process."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _import_review() -> None:
    """Import in a worker what the first part of a review needs."""
    gc.disable()  # nothing that is imported becomes garbage
    import_module("arcdrift.analysis.review.pipeline")
    gc.freeze()
    gc.enable()


def _processor_count() -> int:
    """Count the processors that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
