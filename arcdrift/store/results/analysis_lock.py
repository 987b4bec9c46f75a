"""Lets one analysis of a store run at a time.

An analysis reads for a while before it stores its results. Of two at once the one that began
earlier would otherwise store older results over newer ones.
"""

import hashlib
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager

from sqlalchemy import Engine

from arcdrift.errors import StoreTrouble
from arcdrift.store.database.connect import Waiting, place
from arcdrift.store.database.dialect import LONGEST_WAIT_S, NOTICE_AFTER_S, POLL_S
from arcdrift.store.database.dialects import dialect_of

_TRIES = 20
"""How often a free lock that cannot be taken is tried: one who asks whether it is free holds it."""


@contextmanager
def analysis_lock(
    engine: Engine, waiting: Waiting | None = None, *, max_wait_s: float = LONGEST_WAIT_S
) -> Iterator[None]:
    """Hold the lock of a store's analysis; it is released however the work ends.

    Parameters
    ----------
    waiting : callable, optional
        Called once when another analysis must be waited for.

    Raises
    ------
    StoreTrouble
        When the other analysis takes too long, or the lock cannot be made.
    """
    token = hashlib.sha256(f"analysis of {place(engine)}".encode()).hexdigest()[:16]
    locks = dialect_of(engine).import_locks
    began, failed = time.monotonic(), 0
    with ExitStack() as stack:
        while True:
            if not locks.held(engine, [token]):
                try:
                    stack.enter_context(locks.hold(engine, token))
                    break
                except StoreTrouble:
                    failed += 1
                    if failed == _TRIES:
                        raise
            waited = time.monotonic() - began
            if waited > max_wait_s:
                raise StoreTrouble(
                    f"Another analysis of {place(engine)} is still running; try again later."
                )
            if waiting is not None and waited >= NOTICE_AFTER_S:
                waiting()
                waiting = None
            time.sleep(POLL_S)
        yield
