"""What a store on a PostgreSQL server needs besides common SQL."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import psycopg
from sqlalchemy import Connection, Engine, Select, Table

from arcdrift.errors import StoreTrouble
from arcdrift.store.database.dialect import WRITES, ImportLocks, Progress, RowInserter
from arcdrift.store.database.postgresql.advisory_locks import AdvisoryLocks
from arcdrift.store.database.postgresql.error_sentences import error_sentence
from arcdrift.store.database.postgresql.server_address import ServerAddress

if TYPE_CHECKING:
    import pyarrow as pa

_TABLES = "SELECT tablename FROM pg_tables WHERE schemaname = current_schema()"


class PostgresqlDialect:
    """Implements `arcdrift.store.database.dialect.StoreDialect`."""

    driver_errors: tuple[type[Exception], ...] = (psycopg.Error,)
    import_locks: ImportLocks = AdvisoryLocks()
    binary_collation = "C"

    def place(self, engine: Engine) -> str:
        """Address without a password."""
        return ServerAddress(engine.url, "").shown

    def trouble(self, problem: BaseException, place: str) -> StoreTrouble:
        """What to raise for an error of the server or its driver."""
        return StoreTrouble(error_sentence(problem, place))

    def read_only_sentence(self, engine: Engine) -> str:
        """The server is a standby, or the user may only read."""
        return (
            f"The store {self.place(engine)} can be read but not changed: its server takes no "
            "changes, or this user may not make any; ask who runs the server."
        )

    def check_new(self, connection: Connection, place: str) -> None:
        """Refuse a schema with other tables, and a database that cannot hold every letter."""
        if self.table_names(connection):
            raise StoreTrouble(
                f"The store {place} would lie among the tables of another program; give the crew a "
                "schema of its own, such as ?schema=north at the end of the address."
            )
        encoding = connection.exec_driver_sql("SHOW server_encoding").scalar_one()
        if encoding != "UTF8":
            raise StoreTrouble(
                f"The database of the store {place} has the encoding {encoding}, which cannot hold "
                "every letter; make one with `createdb --encoding UTF8 --template template0`."
            )

    def prepare(self, engine: Engine) -> None:
        """Make the crew's schema."""
        schema = ServerAddress.parse(engine.url.render_as_string(hide_password=False)).schema
        with engine.execution_options(**{WRITES: True}).begin() as connection:
            if connection.exec_driver_sql("SELECT current_schema()").scalar() is None:
                connection.exec_driver_sql(f'CREATE SCHEMA IF NOT EXISTS "{schema}"')

    def table_names(self, connection: Connection) -> set[str]:
        """Names of all tables in the crew's schema."""
        return set(connection.exec_driver_sql(_TABLES).scalars())

    def read_table(self, engine: Engine, query: Select[Any]) -> pa.Table | None:
        """Read rows through Arrow."""
        from arcdrift.store.database.postgresql.arrow_reads import read_table

        return read_table(engine, query)

    def insert_rows(
        self, connection: Connection, table: Table, rows: pa.Table, progress: Progress | None
    ) -> None:
        """Add rows with COPY."""
        from arcdrift.store.database.postgresql.copied_rows import copy_rows

        copy_rows(connection, table, rows, progress)

    @contextmanager
    def inserting_together(self, connection: Connection) -> Iterator[RowInserter]:
        """Add rows to each table with COPY, at once."""

        def insert(table: Table, rows: pa.Table) -> None:
            self.insert_rows(connection, table, rows, None)

        yield insert

    def last_id(self, connection: Connection, table: Table) -> int:
        """Last number of the table's sequence."""
        sequence = _sequence(connection, table)
        last, is_given = connection.exec_driver_sql(
            f"SELECT last_value, is_called FROM {sequence}"  # noqa: S608 - the server's own name
        ).one()
        return int(last) if is_given else 0

    def set_last_id(self, connection: Connection, table: Table, last: int) -> None:
        """Set the table's sequence."""
        if last:
            sequence = _sequence(connection, table)
            connection.exec_driver_sql("SELECT setval(%s, %s)", (sequence, last))

    def copy_to_file(
        self, engine: Engine, path: Path, progress: Callable[[int, int], None]
    ) -> bool:
        """Nothing: a server has no file to copy."""
        return False

    def full_damage(self, engine: Engine) -> list[str] | None:
        """Nothing: only the server can read its files."""
        return None

    def is_damaged(self, engine: Engine) -> bool:
        """Nothing: only the server can read its files."""
        return False

    def attach(self, connection: Connection, path: Path, name: str) -> bool:
        """Nothing: the server cannot read files of this computer."""
        return False


def _sequence(connection: Connection, table: Table) -> str:
    """Name of the sequence that numbers the rows of a table."""
    query = "SELECT pg_get_serial_sequence(%s, 'id')"
    return str(connection.exec_driver_sql(query, (table.name,)).scalar_one())
