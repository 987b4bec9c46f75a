"""A Dask cluster that takes part of an analysis. Imported only when one is asked for."""

import logging
import time
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor, CancelledError, Future
from contextlib import contextmanager
from threading import Event, Lock, Thread
from typing import Any, TypeVar

import dask
from distributed import Client
from distributed.comm import CommClosedError
from distributed.scheduler import KilledWorker

from arcdrift import __version__
from arcdrift.analysis.review.parallel import FleetExecutor
from arcdrift.errors import BadInput
from arcdrift.store.database.connect import open_store

CONNECT_SECONDS = 10.0
"""How long to wait for the scheduler, and for its first worker."""
WATCH_SECONDS = 1.0
"""How often the workers are counted."""
PATIENCE_SECONDS = 10.0
"""A cluster without a worker for so long is given up."""
LOST = (KilledWorker, CancelledError, CommClosedError)
"""Errors of a call that say that the cluster, not the call, failed."""

Result = TypeVar("Result")


@contextmanager
def dask_cluster(address: str, store: str | None = None) -> Iterator["DaskExecutor"]:
    """Yield an executor of the Dask cluster whose scheduler has an address.

    Parameters
    ----------
    store : str, optional
        Address of a database server. Workers that can all open it read their own part.

    Raises
    ------
    BadInput
        When there is no scheduler at the address, when it has no workers, or when these have no or
        another version of arcdrift.
    """
    # a lost connection is told in a sentence, not in lines of a log
    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    try:
        client = Client(address, timeout=CONNECT_SECONDS, set_as_default=False, name="arcdrift")
    except (OSError, ValueError, TypeError) as error:
        raise BadInput(
            f"There is no Dask scheduler at {address}. Look at the address that `dask scheduler` "
            "printed when it started (as tcp://10.0.0.5:8786), and whether this machine may "
            "connect to it."
        ) from error
    executor: DaskExecutor | None = None
    try:
        _require_workers(client, address)
        reads_store = store is not None and _can_all_open(client, store)
        executor = DaskExecutor(client, address, reads_store=reads_store)
        yield executor
    finally:
        if executor is not None:
            executor.close()
        client.close(timeout=CONNECT_SECONDS)


def _require_workers(client: Client, address: str) -> None:
    try:
        client.wait_for_workers(1, timeout=CONNECT_SECONDS)
    except TimeoutError as error:
        raise BadInput(
            f"The Dask scheduler at {address} has no workers. Start one on each machine that "
            f"should take part, with: OPENBLAS_NUM_THREADS=1 dask worker {address} --nthreads 1"
        ) from error
    try:
        versions = set(client.run(arcdrift_version).values())
    except Exception as error:  # whatever a worker has to say: it cannot import arcdrift
        raise BadInput(
            f"The workers of the Dask scheduler at {address} cannot run arcdrift {__version__}. "
            f'Install it there too: pip install "arcdrift[fleet]=={__version__}"'
        ) from error
    if versions != {__version__}:
        found = " and ".join(sorted(versions))
        raise BadInput(
            f"The workers of the Dask scheduler at {address} run arcdrift {found}, this "
            f"machine {__version__}. Results could differ; "
            f'install the same version there: pip install "arcdrift[fleet]=={__version__}"'
        )


def _can_all_open(client: Client, store: str) -> bool:
    answers = client.run(can_open, store, on_error="return").values()
    return all(answer is True for answer in answers)


def can_open(store: str) -> bool:
    """Whether a worker can open the store at an address."""
    open_store(store).dispose()
    return True


def arcdrift_version() -> str:
    """Version of arcdrift, asked of the workers."""
    return __version__


class DaskExecutor(FleetExecutor):
    """Executor of a Dask client (`distributed.Client.get_executor`) that gives up a dead cluster.

    A call that a lost worker had is done again by another one. When there is none, when a call was
    lost with several workers or when the scheduler is gone, the call fails with `BrokenExecutor`.

    Parameters
    ----------
    client : Client
    address : str
        For sentences.
    """

    def __init__(self, client: Client, address: str, *, reads_store: bool = False) -> None:
        self._client, self._address = client, address
        # what a call reads may have changed since the same call was made: its result is not reused
        self._executor = client.get_executor(pure=False)
        self._running: dict[Future[Any], Future[Any]] = {}
        self._lock, self._closing = Lock(), Event()
        self._lost_workers, self._lost_calls, self._is_broken = 0, 0, False
        self.reads_store = reads_store
        self._workers: set[str] = set()
        self._count_workers()
        self._watch = Thread(target=self._watch_workers, name="arcdrift-workers", daemon=True)
        self._watch.start()

    @property
    def notices(self) -> list[str]:
        """Sentences about workers that were lost."""
        if self._is_broken:
            return [
                f"The Dask cluster at {self._address} was lost during the analysis (no worker or "
                "no scheduler answered); what was left of its work was done on this machine."
            ]
        if not self._lost_workers and not self._lost_calls:
            return []
        workers = max(self._lost_workers, 1)
        return [
            f"{workers} {'worker' if workers == 1 else 'workers'} of the Dask cluster at "
            f"{self._address} went away during the analysis; "
            + (
                "what they had was done again on this machine."
                if self._lost_calls
                else "what they had was done again by the others."
            )
        ]

    def submit(self, work: Callable[..., Result], /, *args: Any, **kwargs: Any) -> "Future[Result]":
        """Submit a call to the cluster."""
        if self._is_broken:
            raise BrokenExecutor
        # splices travel with the call, so that a call can be done again when a worker is lost
        with dask.config.set({"distributed.admin.large-graph-warning-threshold": "1 TiB"}):
            of_cluster = self._executor.submit(work, *args, **kwargs)
        future: Future[Result] = Future()
        with self._lock:
            self._running[future] = of_cluster

        def finish(done: "Future[Result]") -> None:
            error = CancelledError() if done.cancelled() else done.exception()
            if error is None:
                self._settle(future, result=done.result())
            else:
                self._settle(future, error=error)

        of_cluster.add_done_callback(finish)
        future.add_done_callback(lambda done: done.cancelled() and of_cluster.cancel())
        return future

    def _settle(
        self, future: Future[Any], *, result: Any = None, error: BaseException | None = None
    ) -> None:
        """Give a call its result or its error, the first of them that is known."""
        with self._lock:
            if self._running.pop(future, None) is None:
                return
            is_lost = isinstance(error, LOST)
            if not future.set_running_or_notify_cancel():
                return  # nobody waits for it any more
            self._lost_calls += is_lost
        if error is None:
            future.set_result(result)
        else:
            future.set_exception(BrokenExecutor() if is_lost else error)

    def _watch_workers(self) -> None:
        """Count the workers every second, and give up a cluster that has none for long."""
        seen = time.monotonic()
        while not self._closing.wait(WATCH_SECONDS):
            try:
                self._count_workers()
            except Exception:  # no scheduler answers, or the client is closed: no workers either
                self._workers = set()
            if self._workers:
                seen = time.monotonic()
            elif time.monotonic() - seen >= PATIENCE_SECONDS:
                self._is_broken = True
                for future, of_cluster in list(self._running.items()):
                    self._settle(future, error=CancelledError())
                    of_cluster.cancel()
                return

    def _count_workers(self) -> None:
        threads = self._client.nthreads()
        self._lost_workers += len(self._workers - set(threads))
        self._workers = set(threads)
        # one call waits at each worker, so that none is idle
        self.calls_at_once = max(sum(threads.values()) + len(threads), 1)

    def close(self) -> None:
        """Stop watching the workers, and cancel the calls that still run."""
        self._closing.set()
        self._watch.join()
        if not self._is_broken:
            self._executor.shutdown(wait=False)
