"""Sound rows of a large file on disk, until all of the file is known.

Arrow's driver fills the file; then the store's own connection takes it in and is the only one
to read it, as two copies of SQLite must not have one file open (`arcdrift.store.sqlite_gate`).
"""

from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from adbc_driver_sqlite import dbapi
from sqlalchemy import BigInteger, Column, Connection, Integer, MetaData, Table, select
from sqlalchemy.dialects import sqlite
from sqlalchemy.schema import CreateTable

from arcdrift.arrays import Ints
from arcdrift.intake.schema.kinds import Kind
from arcdrift.store.frames import to_arrow
from arcdrift.store.read import fetch_within
from arcdrift.store.schema import RECORDS
from arcdrift.store.write import staging_errors

BUCKET_ROWS = 250_000
"""Rows that are compared with the store at a time."""
PLACES = ("line", "last_line", "begin", "end")
"""Where a row stands in its file: lines, counted from 1, and bytes."""
_HOUR_US = 3_600_000_000

Bucket = tuple[int, int]
"""Rows from one instant until before another, in microseconds; whole hours."""


class Staging:
    """Rows of one kind by line, in a SQLite file of their own.

    Parameters
    ----------
    folder : Path
        An empty folder for the file; it must outlast the transaction that takes the rows.
    """

    def __init__(self, folder: Path, kind: Kind) -> None:
        self._path = folder / "staging.db"
        self._kind = kind
        record = RECORDS[kind.name]
        self._rows = Table(
            "staged_rows",
            MetaData(),
            Column("line", Integer, primary_key=True),
            *(Column(name, BigInteger) for name in PLACES[1:]),
            *(Column(name, record.columns[name].type) for name in kind.columns),
        )
        self._hours: Counter[int] = Counter()
        self._write(str(CreateTable(self._rows).compile(dialect=sqlite.dialect())))

    def add(self, rows: pd.DataFrame) -> None:
        """Add rows: the columns of their kind, and `PLACES`."""
        if rows.empty:
            return
        hours = rows[self._kind.time_column].astype("int64").to_numpy() // _HOUR_US
        for hour, count in zip(*np.unique(hours, return_counts=True), strict=True):
            self._hours[int(hour)] += int(count)
        names = [column.name for column in self._rows.columns]
        table = to_arrow(rows[names], self._rows)
        with staging_errors(self._path), self._open() as stage, stage.cursor() as cursor:
            cursor.adbc_ingest(self._rows.name, table, mode="append")

    def attach(self, connection: Connection) -> None:
        """Let the store's connection read the rows; none can be added any more."""
        when = self._kind.time_column
        self._write(f'CREATE INDEX staged_by_time ON {self._rows.name} ("{when}")')
        connection.exec_driver_sql("ATTACH DATABASE ? AS staged", (str(self._path),))

    def buckets(self, most: int = BUCKET_ROWS) -> list[Bucket]:
        """Ranges of time with about `most` rows each, that hold every row."""
        ranges: list[Bucket] = []
        hours = sorted(self._hours)
        first = count = 0
        for number, hour in enumerate(hours):
            count += self._hours[hour]
            if count >= most or number == len(hours) - 1:
                ranges.append((hours[first] * _HOUR_US, (hour + 1) * _HOUR_US))
                first, count = number + 1, 0
        return ranges

    def rows(
        self, connection: Connection, bucket: Bucket, columns: tuple[str, ...]
    ) -> pd.DataFrame:
        """Rows of a bucket by line, with their `PLACES`."""
        when = self._rows.columns[self._kind.time_column]
        names = dict.fromkeys([*PLACES, *columns])
        query = select(*(self._rows.columns[name] for name in names))
        query = query.where(when >= bucket[0], when < bucket[1])
        return fetch_within(connection, query, order=["line"])

    def copy(self, connection: Connection, bucket: Bucket, import_id: int, but: Ints) -> None:
        """Copy the rows of a bucket into the store, in the order of the file, but some lines."""
        record, when = RECORDS[self._kind.name].name, self._kind.time_column
        names = ", ".join(f'"{name}"' for name in self._kind.columns)
        connection.exec_driver_sql(
            "CREATE TEMP TABLE IF NOT EXISTS apart (line INTEGER PRIMARY KEY)"
        )
        connection.exec_driver_sql("DELETE FROM apart")
        if len(but):
            lines = [(line,) for line in but.tolist()]
            connection.exec_driver_sql("INSERT INTO apart VALUES (?)", lines)
        connection.exec_driver_sql(
            f"INSERT INTO {record} (import_id, line, {names}) "  # noqa: S608 - names of our schema
            f"SELECT ?, line, {names} FROM {self._rows.name} AS r "
            f'WHERE "{when}" >= ? AND "{when}" < ? '
            "AND NOT EXISTS (SELECT 1 FROM apart WHERE apart.line = r.line) ORDER BY line",
            (import_id, *bucket),
        )

    def _write(self, statement: str) -> None:
        with staging_errors(self._path), self._open() as stage, stage.cursor() as cursor:
            cursor.execute(statement)

    def _open(self) -> Any:
        stage = dbapi.connect(str(self._path), autocommit=True)
        with stage.cursor() as cursor:
            for pragma in ("journal_mode=OFF", "synchronous=OFF", "cache_size=-65536"):
                cursor.execute(f"PRAGMA {pragma}")
        return stage
