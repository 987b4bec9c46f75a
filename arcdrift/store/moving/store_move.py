"""Moves the contents of a store to another one.

All tables are made and filled in one transaction, then read again and compared, before it ends. So
a move that fails or is killed leaves the target without a store. Until the move has ended no other
program can write to the source; what waits to do so is then told that the store was moved.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from sqlalchemy import Connection, Engine, Table

from arcdrift.errors import StoreTrouble, UsageError
from arcdrift.store.database.connect import place, store_errors, writing
from arcdrift.store.database.dialect import WRITES, Waiting
from arcdrift.store.database.dialects import dialect_of
from arcdrift.store.database.moved_marks import MOVED, mark_moved
from arcdrift.store.database.read_only import require_writable
from arcdrift.store.database.upgrade import HEAD, drop_tables, make_tables, store_version_number
from arcdrift.store.moving.table_copy import TableContents, copy_table, table_contents
from arcdrift.store.schema import DERIVED, metadata

Progress = Callable[[str, int, int], None]
"""Called with the step, the rows done, and the rows there are as far as is known."""


@dataclass(frozen=True)
class Move:
    """What was moved.

    Attributes
    ----------
    contents : dict of TableContents
        By table.
    """

    contents: dict[str, TableContents]

    @property
    def rows(self) -> int:
        """Rows of all tables."""
        return sum(table.rows for table in self.contents.values())


def store_tables() -> list[Table]:
    """All tables of a store that hold something, each after those that it refers to."""
    return [*metadata.sorted_tables, *DERIVED.values()]


@contextmanager
def moved_store(
    source: Engine,
    target: Engine,
    *,
    progress: Progress | None = None,
    waiting: Waiting | None = None,
) -> Iterator[Move]:
    """Copy a store; the source stays locked in the context and is marked as moved at its end.

    In the context the crew's settings are changed. An error in it leaves the source as it was, and
    a complete copy in the target, which another attempt then takes for its own.

    Parameters
    ----------
    target : Engine
        From `arcdrift.store.database.connect.connect_to`.
    progress : callable, optional
    waiting : callable, optional
        Called once when another writer must be waited for.

    Raises
    ------
    UsageError
        When both are the same, or the target is a store with other contents.
    StoreTrouble
        When one of them cannot be read or written, or the copy is not equal.
    """
    if place(source) == place(target):
        raise UsageError(f"The records are in {place(source)} already; nothing was moved.")
    require_writable(target)
    count = _RowCounter(progress)
    with writing(source, waiting) as connection:
        with store_errors(target):
            contents = _fill(connection, target, count)
        yield Move(contents)
        mark_moved(connection)


def _fill(source: Connection, target: Engine, count: "_RowCounter") -> dict[str, TableContents]:
    """Make the target hold what the source holds; return it by table."""
    dialect, where = dialect_of(target), place(target)
    with target.connect() as connection:
        version = store_version_number(connection)
        if version is None:
            dialect.check_new(connection, where)
    if version not in (None, MOVED):
        return _compare_present(source, target, version, count)
    dialect.prepare(target)
    with target.execution_options(**{WRITES: True}).begin() as connection:
        if store_version_number(connection) != version:
            raise StoreTrouble(f"Another program is just making the store {where}; try again.")
        if version == MOVED:
            drop_tables(connection)
        make_tables(connection)
        copied = {}
        for table in store_tables():
            copied[table.name] = copy_table(source, connection, table, count.copied)
        for table in store_tables():
            if table_contents(connection, table, count.compared) != copied[table.name]:
                raise StoreTrouble(
                    f"The table {table.name} is not the same in the store {where} after it was "
                    "copied; nothing was moved. Tell who looks after arcdrift."
                )
    return copied


def _compare_present(
    source: Connection, target: Engine, version: str | None, count: "_RowCounter"
) -> dict[str, TableContents]:
    """Accept a target that an attempt before this one has filled."""
    refusal = UsageError(
        f"There is a store in {place(target)} already, with other contents; give another database "
        "or schema, or delete that one first."
    )
    if version != HEAD:
        raise refusal
    contents = {}
    with target.connect() as connection:
        for table in store_tables():
            here = table_contents(source, table, count.copied)
            if table_contents(connection, table, count.compared) != here:
                raise refusal
            contents[table.name] = here
    return contents


class _RowCounter:
    """Rows copied, and rows compared."""

    def __init__(self, progress: Progress | None) -> None:
        self._progress = progress
        self._copied = self._compared = 0

    def copied(self, rows: int) -> None:
        self._copied += rows
        self._tell()

    def compared(self, rows: int) -> None:
        self._compared += rows
        self._tell()

    def _tell(self) -> None:
        if self._progress is not None:
            step = "Comparing" if self._compared else "Copying"
            self._progress(step, self._copied + self._compared, 2 * self._copied)
