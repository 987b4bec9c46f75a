"""What differs between the databases that a store can be in, as one interface.

The packages `sqlite` and `postgresql` beside this module implement it; nothing else asks which
database it has.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from sqlalchemy import Connection, Engine, Select, Table

from arcdrift.errors import StoreTrouble

if TYPE_CHECKING:
    import pyarrow as pa

Waiting = Callable[[], None]
"""Called once when another writer must be waited for."""
Progress = Callable[[int], None]
"""Called with the rows written so far."""
RowInserter = Callable[[Table, "pa.Table"], None]
"""Adds rows to a table, now or when the block of `StoreDialect.inserting_together` ends."""

READ_ONLY = "arcdrift_read_only"
"""Execution option of the engine of a store that can only be read."""
WRITES = "arcdrift_writes"
"""Execution option of a connection that is going to write; all others only read."""
WAITING = "arcdrift_waiting"
"""Execution option: what is called when another writer must be waited for."""
MAX_WAIT_S = "arcdrift_max_wait_s"
"""Execution option: longest time that a writer waits for another, in seconds."""
LONGEST_WAIT_S = 3600.0
"""Default of it: the other writer may store a large file."""
POLL_S = 0.2
"""Seconds between two attempts to become the writer."""
NOTICE_AFTER_S = 1.0
"""How long a writer waits before `Waiting` is called."""


def is_read_only(engine: Engine) -> bool:
    """Whether a store can only be read."""
    return bool(engine.get_execution_options().get(READ_ONLY, False))


class ImportLocks(Protocol):
    """Locks of running imports, which are released however an import ends."""

    def hold(self, engine: Engine, token: str) -> AbstractContextManager[None]:
        """Hold the lock of an import while the context lasts."""

    def held(self, engine: Engine, tokens: Collection[str]) -> set[str]:
        """Return those of these imports whose locks are held."""

    def clear(self, engine: Engine, ended: Collection[str], known: Collection[str]) -> None:
        """Remove what locks leave behind.

        Parameters
        ----------
        ended : collection of str
            Imports that were interrupted.
        known : collection of str
            Imports that may be running.
        """


class StoreDialect(Protocol):
    """What a store asks of its database, besides SQL that all understand.

    Attributes
    ----------
    driver_errors : tuple of type
        What the driver raises where it is used without SQLAlchemy.
    binary_collation : str
        By which text is in the order of its bytes.
    """

    driver_errors: tuple[type[Exception], ...]
    binary_collation: str

    @property
    def import_locks(self) -> ImportLocks:
        """Locks of running imports."""

    def place(self, engine: Engine) -> str:
        """Words for where a store is, without a password."""

    def trouble(self, problem: BaseException, place: str) -> StoreTrouble:
        """What to raise for an error of the driver: a sentence that a person can act on."""

    def read_only_sentence(self, engine: Engine) -> str:
        """What to tell a person who wants to change a store that can only be read."""

    def check_new(self, connection: Connection, place: str) -> None:
        """Check that a database without the store's tables may get them.

        Raises
        ------
        StoreTrouble
            When it is used for something else, or does not suit.
        """

    def prepare(self, engine: Engine) -> None:
        """Make what must be there before tables are made or changed."""

    def table_names(self, connection: Connection) -> set[str]:
        """Names of all tables that are where the store's would be."""

    def read_table(self, engine: Engine, query: Select[Any]) -> pa.Table | None:
        """Run a query in bulk; None where rows must be read one by one now.

        Returns
        -------
        Table
            Columns as the driver types them, which may be narrower than the store's.
        """

    def insert_rows(
        self, connection: Connection, table: Table, rows: pa.Table, progress: Progress | None
    ) -> None:
        """Add rows to a table, inside the connection's transaction."""

    def inserting_together(self, connection: Connection) -> AbstractContextManager[RowInserter]:
        """Add rows to several tables, inside the connection's transaction."""

    def last_id(self, connection: Connection, table: Table) -> int:
        """Highest id ever given to a row of a table whose ids the database gives; 0 for none."""

    def set_last_id(self, connection: Connection, table: Table, last: int) -> None:
        """Let the ids of new rows of a table follow after one, also where its row is gone."""

    def copy_to_file(
        self, engine: Engine, path: Path, progress: Callable[[int, int], None]
    ) -> bool:
        """Copy a store, of one state, into a new SQLite file; return whether it can.

        Parameters
        ----------
        progress : callable
            Called with the part that is copied and the whole, in any unit.
        """

    def full_damage(self, engine: Engine) -> list[str] | None:
        """What is wrong with a store, all of it read; None where that cannot be told from here."""

    def is_damaged(self, engine: Engine) -> bool:
        """Whether a store is damaged, asked when something went wrong for no other reason."""

    def attach(self, connection: Connection, path: Path, name: str) -> bool:
        """Let a connection use the tables of a SQLite file; return whether it can.

        Parameters
        ----------
        name : str
            By which the connection knows the file, until its transaction ends.
        """
