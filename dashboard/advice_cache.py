"""Advice kept at hand, so that a page need not wait for it to be worked out."""

from collections.abc import Callable, Iterable
from queue import SimpleQueue
from threading import Lock, Thread
from time import monotonic
from typing import NamedTuple

from arcdrift.analysis.advice.advice import Advice

FRESH_SECONDS = 120.0
"""How long advice may stand before it is asked again, behind the scenes."""
STALE_SECONDS = 300.0
"""How long it may be shown meanwhile; beyond it, whoever asks waits for new advice."""


class _Held(NamedTuple):
    version: str
    asked: float
    advice: Advice


class KeptAdvice:
    """Advice for every splicer in its newest air, one at a time behind the scenes.

    Parameters
    ----------
    ask : callable
        Works out the advice for a splicer.
    stands_still : bool
        Whether the crew's clock stands still with its newest record, and so does its advice.
    """

    def __init__(self, ask: Callable[[str], Advice], *, stands_still: bool) -> None:
        self._ask = ask
        self._stands_still = stands_still
        self._held: dict[str, _Held] = {}
        self._asked_for: set[tuple[str, str]] = set()
        self._lock = Lock()
        self._waiting: SimpleQueue[tuple[str, str]] = SimpleQueue()
        self._worker: Thread | None = None

    def of(self, splicer: str, version: str) -> Advice:
        """Return the advice for a splicer under a store's version; at once where it is kept."""
        held = self._held.get(splicer)
        if held is not None and held.version == version:
            age = 0.0 if self._stands_still else monotonic() - held.asked
            if age > FRESH_SECONDS:
                self._later(splicer, version)
            if age <= STALE_SECONDS:
                return held.advice
        return self._now(splicer, version)

    def get_ready(self, splicers: Iterable[str], version: str) -> None:
        """Work out, behind the scenes, what is not kept under this version yet."""
        for splicer in splicers:
            held = self._held.get(splicer)
            if held is None or held.version != version:
                self._later(splicer, version)

    def _now(self, splicer: str, version: str) -> Advice:
        asked = monotonic()
        advice = self._ask(splicer)
        self._held[splicer] = _Held(version, asked, advice)
        return advice

    def _later(self, splicer: str, version: str) -> None:
        with self._lock:
            if (splicer, version) in self._asked_for:
                return
            self._asked_for.add((splicer, version))
            if self._worker is None:
                # a daemon: it only reads, and must not keep the server from ending
                self._worker = Thread(target=self._work, name="advice", daemon=True)
                self._worker.start()
        self._waiting.put((splicer, version))

    def _work(self) -> None:
        while True:
            splicer, version = self._waiting.get()
            try:
                self._now(splicer, version)
            except Exception:  # whoever asks next meets it on a screen, and is told
                self._held.pop(splicer, None)
            with self._lock:
                self._asked_for.discard((splicer, version))
