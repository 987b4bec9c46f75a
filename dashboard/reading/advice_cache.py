"""Advice for every splicer, computed in the background so that pages need not wait for it.

After an import it is worked out anew only for the splicers that the import concerns.
"""

import atexit
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import partial
from threading import Event, Lock, Thread
from time import monotonic
from typing import NamedTuple, Protocol

from arcdrift.analysis.advice.advice import Advice
from arcdrift.record_subjects import Subjects
from arcdrift.store.records.record_changes import RecordsMark
from dashboard.reading.one_state import Made

FRESH_SECONDS = 120.0
"""Advice older than this is computed again in the background."""
STALE_SECONDS = 300.0
"""Advice older than this is not shown; a request waits for new advice."""
AT_ONCE = 20
"""Splicers whose advice the background works out at a time; a request waits for no more."""
LOOK_SECONDS = 2.0
"""How often the background looks whether anything was stored, while it keeps advice ready."""
KEPT_READY_SECONDS = 900.0
"""How long after the last request the background still does."""


class AdviceState(NamedTuple):
    """State of what advice is worked out from.

    Attributes
    ----------
    basis : str
        Changes with every analysis and with crew.toml; then all advice is another.
    records : RecordsMark
        Which records there are.
    """

    basis: str
    records: RecordsMark


class AdviceSource(Protocol):
    """What advice is worked out from: a crew's store."""

    def in_one_state(self, make: Callable[[], Made]) -> Made:
        """Make something of one state of the store."""
        ...

    def advice_state(self) -> AdviceState:
        """Return the present state of whatever advice is worked out from."""
        ...

    def subjects_between(self, earlier: RecordsMark, now: RecordsMark) -> Subjects | None:
        """Return what records are about that are new since a mark; None where it may be any."""
        ...

    def advice_seconds(self) -> float:
        """Return the seconds of the clock by which advice ages; the crew's may stand still."""
        ...

    def compute_advice(self, splicers: Sequence[str]) -> Mapping[str, Advice | None]:
        """Work out the advice for some splicers; None for one that has no records."""
        ...


class _CachedAdvice(NamedTuple):
    state: AdviceState
    computed_at: float
    """`AdviceSource.advice_seconds` when the computation began."""
    advice: Advice | None

    def rests_on(self, splicer: str) -> Subjects:
        if self.advice is None:
            return Subjects(assets=frozenset({splicer}))
        return self.advice.rests_on


class AdviceCache:
    """Advice for every splicer in its newest air; one background thread computes it."""

    def __init__(self, source: AdviceSource) -> None:
        self._source = source
        self._cached: dict[str, _CachedAdvice] = {}
        self._new_subjects: tuple[tuple[RecordsMark, RecordsMark], Subjects | None] | None = None
        self._computing = Lock()
        self._lock = Lock()
        self._wanted: set[str] = set()
        self._woken = Event()
        self._stopping = Event()
        self._worker: Thread | None = None
        self._keeps_ready = False
        self._asked_at = monotonic()

    def use(self, source: AdviceSource) -> None:
        """Work advice out from another source, of another basis, from now on."""
        self._source = source

    def get(self, splicers: Iterable[str]) -> dict[str, Advice | None]:
        """Return the advice for some splicers, at once where it is cached.

        It is None for a splicer that has no records.
        """
        names, source = list(splicers), self._source
        self._asked_at = monotonic()
        found, now = source.in_one_state(
            lambda: (self._get(source, names, STALE_SECONDS), source.advice_seconds())
        )
        aging = [name for name, each in found.items() if now - each.computed_at > FRESH_SECONDS]
        if aging:
            self._enqueue(aging)
        return {name: each.advice for name, each in found.items()}

    def missing(self, splicers: Iterable[str]) -> list[str]:
        """Return the splicers for which `get` does not answer at once."""
        return self._missing(list(splicers), STALE_SECONDS)

    def prefetch(self, splicers: Iterable[str]) -> None:
        """Compute in the background what is not cached of the present state of the store."""
        missing = self._missing(list(splicers), FRESH_SECONDS)
        if missing:
            self._enqueue(missing)

    def keep_ready(self) -> None:
        """Let the background look for new records by itself while people use the dashboard."""
        self._keeps_ready = True
        self._woken.set()

    def stop(self) -> None:
        """Begin nothing more in the background."""
        self._stopping.set()
        self._woken.set()

    def _missing(self, names: Sequence[str], oldest_seconds: float) -> list[str]:
        """Return the names whose advice is not at hand."""
        source = self._source
        usable = source.in_one_state(
            lambda: self._all_usable(source, names, source.advice_state(), oldest_seconds)
        )
        return [name for name in names if name not in usable]

    def _get(
        self, source: AdviceSource, names: Sequence[str], oldest_seconds: float
    ) -> dict[str, _CachedAdvice]:
        """Return advice that is no older than some seconds, within one state of the store."""
        state = source.advice_state()
        found = self._all_usable(source, names, state, oldest_seconds)
        if len(found) == len(set(names)):
            return found
        with self._computing:
            # some may have been worked out for somebody else meanwhile
            found |= self._all_usable(source, names, state, FRESH_SECONDS)
            missing = [name for name in names if name not in found]
            if missing:
                began = source.advice_seconds()
                computed = source.compute_advice(missing)
                new = {name: _CachedAdvice(state, began, each) for name, each in computed.items()}
                self._cached |= new
                found |= new
        return found

    def _all_usable(
        self, source: AdviceSource, names: Iterable[str], state: AdviceState, seconds: float
    ) -> dict[str, _CachedAdvice]:
        """Return what is cached and holds in a state of the store, which the caller reads."""
        found, now = {}, source.advice_seconds()
        for name in names:
            cached = self._cached.get(name)
            if cached is None or not 0 <= now - cached.computed_at <= seconds:
                continue
            if cached.state != state:
                if cached.state.basis != state.basis or self._is_concerned(
                    source, name, cached, state
                ):
                    continue
                cached = cached._replace(state=state)
                self._cached[name] = cached
            found[name] = cached
        return found

    def _is_concerned(
        self, source: AdviceSource, name: str, cached: _CachedAdvice, state: AdviceState
    ) -> bool:
        """Whether records that advice on a splicer may rest on are new."""
        earlier = cached.state.records
        if not earlier.is_before(state.records):
            return True
        key, known = (earlier, state.records), self._new_subjects
        if known is None or known[0] != key:
            known = (key, source.subjects_between(*key))
            self._new_subjects = known
        subjects = known[1]
        return subjects is None or subjects.meets(cached.rests_on(name))

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
            self._woken.wait(LOOK_SECONDS if self._keeps_ready else None)
            with self._lock:
                if not self._wanted and self._keeps_ready:
                    self._wanted.update(self._not_ready())
                names = sorted(self._wanted)[:AT_ONCE]
                self._wanted.difference_update(names)
                if not self._wanted and not self._stopping.is_set():
                    self._woken.clear()
            if self._stopping.is_set():
                return
            if names:
                self._renew(names)

    def _not_ready(self) -> list[str]:
        """Return whose advice is no longer at hand, while people use the dashboard."""
        if monotonic() - self._asked_at > KEPT_READY_SECONDS:
            return []
        try:
            return self._missing(list(self._cached), FRESH_SECONDS)
        except Exception:  # the next request looks again and shows the error
            return []

    def _renew(self, names: Sequence[str]) -> None:
        source = self._source
        try:
            source.in_one_state(partial(self._get, source, names, FRESH_SECONDS))
        except Exception:  # the next request computes it again and shows the error
            for name in names:
                self._cached.pop(name, None)
