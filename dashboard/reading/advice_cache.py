"""Advice for every splicer, computed in the background so that pages need not wait for it."""

import atexit
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import partial
from threading import Event, Lock, Thread
from time import monotonic
from typing import NamedTuple, Protocol

from arcdrift.analysis.advice.advice import Advice
from dashboard.reading.one_state import Made

FRESH_SECONDS = 120.0
"""Advice older than this is computed again in the background."""
STALE_SECONDS = 300.0
"""Advice older than this is not shown; a request waits for new advice."""
AT_ONCE = 20
"""Splicers whose advice the background works out at a time; a request waits for no more."""


class AdviceSource(Protocol):
    """What advice is worked out from: a crew's store."""

    def in_one_state(self, make: Callable[[], Made]) -> Made:
        """Make something of one state of the store."""
        ...

    def advice_version(self) -> str:
        """Return a text that changes with whatever advice is worked out from."""
        ...

    def compute_advice(self, splicers: Sequence[str]) -> Mapping[str, Advice | None]:
        """Work out the advice for some splicers; None for one that has no records."""
        ...


class _CachedAdvice(NamedTuple):
    version: str
    computed_at: float
    """Seconds of the monotonic clock when the computation began."""
    advice: Advice | None


class AdviceCache:
    """Advice for every splicer in its newest air; one background thread computes it.

    Parameters
    ----------
    clock_stands_still : bool
        Whether the crew's clock stands still with its newest record, so that advice does not age.
    """

    def __init__(self, source: AdviceSource, *, clock_stands_still: bool) -> None:
        self._source = source
        self._clock_stands_still = clock_stands_still
        self._cached: dict[str, _CachedAdvice] = {}
        self._computing = Lock()
        self._lock = Lock()
        self._wanted: set[str] = set()
        self._woken = Event()
        self._stopping = Event()
        self._worker: Thread | None = None

    def use(self, source: AdviceSource, *, clock_stands_still: bool) -> None:
        """Work advice out from another source, of another version, from now on."""
        self._source, self._clock_stands_still = source, clock_stands_still

    def get(self, splicers: Iterable[str]) -> dict[str, Advice | None]:
        """Return the advice for some splicers, at once where it is cached.

        It is None for a splicer that has no records.
        """
        names, source = list(splicers), self._source
        found = source.in_one_state(lambda: self._get(source, names, STALE_SECONDS))
        aging = [name for name, each in found.items() if self._age(each) > FRESH_SECONDS]
        if aging:
            self._enqueue(aging)
        return {name: each.advice for name, each in found.items()}

    def is_ready(self, splicer: str) -> bool:
        """Whether `get` answers at once."""
        version = self._source.advice_version()
        return self._usable(splicer, version, STALE_SECONDS) is not None

    def prefetch(self, splicers: Iterable[str]) -> None:
        """Compute in the background what is not cached of the present state of the store."""
        version = self._source.advice_version()
        missing = [name for name in splicers if not self._usable(name, version, FRESH_SECONDS)]
        if missing:
            self._enqueue(missing)

    def stop(self) -> None:
        """Begin nothing more in the background."""
        self._stopping.set()
        self._woken.set()

    def _get(
        self, source: AdviceSource, names: Sequence[str], oldest_seconds: float
    ) -> dict[str, _CachedAdvice]:
        """Return advice that is no older than some seconds, within one state of the store."""
        version = source.advice_version()
        found = self._all_usable(names, version, oldest_seconds)
        if len(found) == len(set(names)):
            return found
        with self._computing:
            # some may have been worked out for somebody else meanwhile
            found |= self._all_usable(names, version, FRESH_SECONDS)
            missing = [name for name in names if name not in found]
            if missing:
                began = monotonic()
                computed = source.compute_advice(missing)
                new = {name: _CachedAdvice(version, began, each) for name, each in computed.items()}
                self._cached |= new
                found |= new
        return found

    def _usable(self, name: str, version: str, seconds: float) -> _CachedAdvice | None:
        cached = self._cached.get(name)
        is_usable = (
            cached is not None and cached.version == version and self._age(cached) <= seconds
        )
        return cached if is_usable else None

    def _all_usable(
        self, names: Iterable[str], version: str, seconds: float
    ) -> dict[str, _CachedAdvice]:
        cached = {name: self._usable(name, version, seconds) for name in names}
        return {name: each for name, each in cached.items() if each is not None}

    def _age(self, cached: _CachedAdvice) -> float:
        return 0.0 if self._clock_stands_still else monotonic() - cached.computed_at

    def _enqueue(self, names: Iterable[str]) -> None:
        with self._lock:
            self._wanted.update(names)
            if self._worker is None:
                # a daemon: what is still to be done must not keep the server from ending
                self._worker = Thread(target=self._work, name="advice", daemon=True)
                self._worker.start()
                # the process cannot exit while the thread reads the store
                atexit.register(self._end, self._worker)
        self._woken.set()

    def _end(self, worker: Thread) -> None:
        self.stop()
        worker.join()

    def _work(self) -> None:
        while True:
            self._woken.wait()
            with self._lock:
                names = sorted(self._wanted)[:AT_ONCE]
                self._wanted.difference_update(names)
                if not self._wanted and not self._stopping.is_set():
                    self._woken.clear()
            if self._stopping.is_set():
                return
            source = self._source
            renew = partial(self._get, source, names, FRESH_SECONDS)
            try:
                source.in_one_state(renew)
            except Exception:  # the next request computes it again and shows the error
                for name in names:
                    self._cached.pop(name, None)
