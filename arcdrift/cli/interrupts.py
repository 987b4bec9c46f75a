"""Ctrl-C: raised once, so that a command can tidy up, and never lost.

Python raises ``KeyboardInterrupt`` wherever it happens to be. Inside a finalizer it is printed
and dropped; there it is raised again here. While a context is entered or left, it would leave open
what the context closes, such as a transaction of the store; there it waits. Pressing Ctrl-C twice
would interrupt the tidying up; there the second one waits.
"""

import contextlib
import signal
import sys
import threading
import time
from collections.abc import Iterator
from types import FrameType
from typing import Any

INTERRUPTED = 130
"""Exit code that a shell shows after Ctrl-C (128 + SIGINT)."""
_GRACE_S = 10.0
"""For so long after a Ctrl-C no other one is heard."""
_AGAIN_S = 0.005
"""After this time a Ctrl-C that was dropped or came at a bad moment is raised again."""


class _Interrupts:
    """Whether and when Ctrl-C was pressed in this run of the program."""

    def __init__(self) -> None:
        self.pressed_at: float | None = None
        self.is_dropped = False
        self.is_ignored = False

    def raise_once(self, _number: int, frame: FrameType | None) -> None:
        now = time.monotonic()
        recent = self.pressed_at is not None and now - self.pressed_at < _GRACE_S
        if self.is_ignored or (recent and not self.is_dropped):
            return
        if _is_entering_or_leaving(frame):
            _press_again()
            return
        self.pressed_at, self.is_dropped = now, False
        raise KeyboardInterrupt

    def note_dropped(self, dropped: Any) -> None:
        """Take the place of `sys.unraisablehook`."""
        if not issubclass(dropped.exc_type, KeyboardInterrupt):
            sys.__unraisablehook__(dropped)
            return
        self.is_dropped = True
        _press_again()


def _is_entering_or_leaving(frame: FrameType | None) -> bool:
    """Whether the code that enters or leaves a context is running.

    Entering may take as long as another program writes to the store, so that only the outermost
    code of it counts; what runs in a context that is left is short.
    """
    if frame is None:
        return False
    code = frame.f_code
    if code.co_name == "__enter__" or code.co_filename == contextlib.__file__:
        return True
    while frame is not None:
        if frame.f_code.co_name == "__exit__":
            return True
        frame = frame.f_back
    return False


def _press_again() -> None:
    timer = threading.Timer(_AGAIN_S, _interrupt_main_thread)
    timer.daemon = True
    timer.start()


def _interrupt_main_thread() -> None:
    main = threading.main_thread().ident
    if hasattr(signal, "pthread_kill") and main is not None:
        signal.pthread_kill(main, signal.SIGINT)  # ends a read that it waits in, too
    else:
        signal.raise_signal(signal.SIGINT)


_current = _Interrupts()


@contextlib.contextmanager
def handle_interrupts(*, ends_process: bool) -> Iterator[None]:
    """Handle Ctrl-C in this way; outside the main thread, or where it is ignored, do nothing.

    Parameters
    ----------
    ends_process : bool
        Whether the process ends after the block. What the program said then stands, and Ctrl-C is
        ignored while Python tidies up.
    """
    global _current
    _current = _Interrupts()
    is_main = threading.current_thread() is threading.main_thread()
    if not is_main or signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        yield
        return
    former, former_hook = signal.getsignal(signal.SIGINT), sys.unraisablehook
    signal.signal(signal.SIGINT, _current.raise_once)
    sys.unraisablehook = _current.note_dropped
    try:
        yield
    finally:
        sys.unraisablehook = former_hook
        signal.signal(signal.SIGINT, signal.SIG_IGN if ends_process else former)


def ignore_interrupts() -> None:
    """Ignore Ctrl-C until the program ends: its work is done, and it said so."""
    _current.is_ignored = True


def was_interrupted() -> bool:
    """Whether Ctrl-C was pressed; an error that follows it is its consequence."""
    return _current.pressed_at is not None


@contextlib.contextmanager
def errors_as_interrupts() -> Iterator[None]:
    """Raise ``KeyboardInterrupt`` in place of an error that follows Ctrl-C.

    Libraries turn it into errors of their own, an import of a module above all.
    """
    try:
        yield
    except Exception as problem:
        if was_interrupted():
            raise KeyboardInterrupt from problem
        raise
