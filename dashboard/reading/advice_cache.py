"""Advice for every splicer, computed in the background so that pages need not wait for it."""

import atexit
from collections.abc import Callable, Iterable
from queue import SimpleQueue
from threading import Event, Lock, Thread
from time import monotonic
from typing import NamedTuple

from arcdrift.analysis.advice.advice import Advice

FRESH_SECONDS = 120.0
"""Advice older than this is computed again in the background."""
STALE_SECONDS = 300.0
"""Advice older than this is not shown; a request waits for new advice."""


class _CachedAdvice(NamedTuple):
    version: str
    computed_at: float
    """Seconds of the monotonic clock when the computation began."""
    advice: Advice


class AdviceCache:
    """Advice for every splicer in its newest air; one background thread computes it.

    Parameters
    ----------
    compute : callable
        Works out the advice for a splicer.
    clock_stands_still : bool
        Whether the crew's clock stands still with its newest record, so that advice does not age.
    """

    def __init__(self, compute: Callable[[str], Advice], *, clock_stands_still: bool) -> None:
        self._compute = compute
        self._clock_stands_still = clock_stands_still
        self._cached: dict[str, _CachedAdvice] = {}
        self._queued: set[tuple[str, str]] = set()
        self._lock = Lock()
        self._computing: dict[str, Lock] = {}
        self._queue: SimpleQueue[tuple[str, str]] = SimpleQueue()
        self._stopping = Event()
        self._worker: Thread | None = None

    def get(self, splicer: str, version: str) -> Advice:
        """Return the advice for a splicer under a store's version, at once where it is cached."""
        cached = self._cached.get(splicer)
        if cached is not None and cached.version == version:
            age = 0.0 if self._clock_stands_still else monotonic() - cached.computed_at
            if age > FRESH_SECONDS:
                self._enqueue(splicer, version)
            if age <= STALE_SECONDS:
                return cached.advice
        return self._refresh(splicer, version)

    def is_ready(self, splicer: str, version: str) -> bool:
        """Whether `get` answers at once."""
        cached = self._cached.get(splicer)
        if cached is None or cached.version != version:
            return False
        return self._clock_stands_still or monotonic() - cached.computed_at <= STALE_SECONDS

    def prefetch(self, splicers: Iterable[str], version: str) -> None:
        """Compute in the background what is not cached under this version yet."""
        for splicer in splicers:
            cached = self._cached.get(splicer)
            if cached is None or cached.version != version:
                self._enqueue(splicer, version)

    def _refresh(self, splicer: str, version: str) -> Advice:
        with self._lock:
            computing = self._computing.setdefault(splicer, Lock())
        with computing:
            cached = self._cached.get(splicer)
            computed_at = monotonic()
            if cached is not None and cached.version == version:
                if computed_at - cached.computed_at <= FRESH_SECONDS:
                    return cached.advice  # worked out for somebody else meanwhile
            advice = self._compute(splicer)
            self._cached[splicer] = _CachedAdvice(version, computed_at, advice)
            return advice

    def _enqueue(self, splicer: str, version: str) -> None:
        with self._lock:
            if (splicer, version) in self._queued:
                return
            self._queued.add((splicer, version))
            if self._worker is None:
                # a daemon: what is still queued must not keep the server from ending
                self._worker = Thread(target=self._work, name="advice", daemon=True)
                self._worker.start()
                atexit.register(self._stop, self._worker)
        self._queue.put((splicer, version))

    def _stop(self, worker: Thread) -> None:
        """End the thread; the process cannot exit while it waits for Arrow's own threads."""
        self._stopping.set()
        self._queue.put(("", ""))
        worker.join()

    def _work(self) -> None:
        while True:
            splicer, version = self._queue.get()
            if self._stopping.is_set():
                return
            try:
                self._refresh(splicer, version)
            except Exception:  # the next request computes it again and shows the error
                self._cached.pop(splicer, None)
            with self._lock:
                self._queued.discard((splicer, version))
