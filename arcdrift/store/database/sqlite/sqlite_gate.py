"""Prevents that two copies of the SQLite library open one file at the same time.

The standard library and the Arrow driver each contain their own SQLite. POSIX file locks belong
to a process, not to a library: when one copy closes the file, the other loses its locks, and its
write-ahead log may be deleted while in use (https://sqlite.org/howtocorrupt.html, section
2.2.1). So within this process Arrow reads run only while no ordinary connection is open, and
an ordinary connection waits for running Arrow reads. Other processes are not affected.
"""

import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any


class Gate:
    """Counts the connections of each sort to one database file."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._ordinary = 0
        self._waiting = 0
        self._arrow = 0

    def enter(self) -> None:
        """Wait for running Arrow reads to end, then count one more ordinary connection."""
        with self._changed:
            self._waiting += 1
            self._changed.wait_for(lambda: self._arrow == 0)
            self._waiting -= 1
            self._ordinary += 1

    def leave(self) -> None:
        """Count one fewer ordinary connection."""
        with self._changed:
            self._ordinary -= 1

    @contextmanager
    def arrow(self) -> Iterator[bool]:
        """Yield whether an Arrow read may run now; it never waits."""
        free = False
        try:
            with self._changed:
                free = self._ordinary == 0 and self._waiting == 0
                self._arrow += free
            yield free
        finally:
            with self._changed:
                self._arrow -= free
                self._changed.notify_all()


_gates: dict[str, Gate] = {}
_gates_lock = threading.Lock()


def gate_of(path: str) -> Gate:
    """Return the one gate of a database file in this process."""
    key = str(Path(path).resolve())
    with _gates_lock:
        return _gates.setdefault(key, Gate())


class GatedConnection(sqlite3.Connection):
    """An ordinary connection that is counted by the gate of its file.

    Parameters
    ----------
    database : str
        Path of the file.
    address : str, optional
        What SQLite opens instead: an address of the same file.
    """

    _gate: Gate | None = None

    def __init__(
        self, database: str, *args: Any, address: str | None = None, **kwargs: Any
    ) -> None:
        gate = gate_of(database)
        gate.enter()
        try:
            super().__init__(address or database, *args, **kwargs)
        except BaseException:
            gate.leave()
            raise
        self._gate = gate

    def close(self) -> None:
        """Close the file, then leave the gate, once."""
        super().close()
        gate, self._gate = self._gate, None
        if gate is not None:
            gate.leave()

    def __del__(self) -> None:
        if self._gate is not None:
            self.close()
