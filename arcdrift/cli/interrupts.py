"""Ctrl-C: raised once, so that a command can tidy up, and never lost.

Python raises ``KeyboardInterrupt`` wherever it happens to be. Inside a finalizer it is printed
and dropped; there it is raised again here. Pressing Ctrl-C twice would interrupt the tidying up;
there the second one waits.
"""

import signal
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Any

INTERRUPTED = 130
"""Exit code that a shell shows after Ctrl-C (128 + SIGINT)."""
_GRACE_S = 10.0
"""For so long after a Ctrl-C no other one is heard."""
_AGAIN_S = 0.02
"""After this time a Ctrl-C that a finalizer dropped is raised again."""


class _Interrupts:
    """Whether and when Ctrl-C was pressed in this run of the program."""

    def __init__(self) -> None:
        self.pressed_at: float | None = None
        self.is_dropped = False

    def raise_once(self, _number: int, _frame: FrameType | None) -> None:
        now = time.monotonic()
        recent = self.pressed_at is not None and now - self.pressed_at < _GRACE_S
        if recent and not self.is_dropped:
            return
        self.pressed_at, self.is_dropped = now, False
        raise KeyboardInterrupt

    def note_dropped(self, dropped: Any) -> None:
        """Take the place of `sys.unraisablehook`."""
        if not issubclass(dropped.exc_type, KeyboardInterrupt):
            sys.__unraisablehook__(dropped)
            return
        self.is_dropped = True
        timer = threading.Timer(_AGAIN_S, signal.raise_signal, (signal.SIGINT,))
        timer.daemon = True
        timer.start()


_current = _Interrupts()


@contextmanager
def handle_interrupts(*, ends_process: bool) -> Iterator[None]:
    """Handle Ctrl-C in this way; outside the main thread, or where it is ignored, do nothing.

    Parameters
    ----------
    ends_process : bool
        Whether the process ends after the block. What the program said then stands, and Ctrl-C is
        ignored while Python tidies up.
    """
    global _current
    is_main = threading.current_thread() is threading.main_thread()
    if not is_main or signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        yield
        return
    _current = _Interrupts()
    former, former_hook = signal.getsignal(signal.SIGINT), sys.unraisablehook
    signal.signal(signal.SIGINT, _current.raise_once)
    sys.unraisablehook = _current.note_dropped
    try:
        yield
    finally:
        sys.unraisablehook = former_hook
        signal.signal(signal.SIGINT, signal.SIG_IGN if ends_process else former)


def was_interrupted() -> bool:
    """Whether Ctrl-C was pressed; an error that follows it is its consequence."""
    return _current.pressed_at is not None
