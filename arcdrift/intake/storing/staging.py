"""Where the sound rows of a file wait until all of it has been read.

The rows of a file that is one chunk wait in memory. Those of a larger file wait on disk: Arrow's
driver fills a SQLite file. The connection of an embedded store then attaches it and is the only one
to read it, because two copies of SQLite must not have one file open
(`arcdrift.store.database.sqlite.sqlite_gate`); for a server Arrow's driver reads it again.
"""

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any, NamedTuple, Protocol

import numpy as np
import pandas as pd
import pyarrow as pa
from adbc_driver_sqlite import dbapi
from sqlalchemy import BigInteger, Column, Connection, Integer, MetaData, Select, Table, select
from sqlalchemy.dialects import sqlite
from sqlalchemy.schema import CreateTable

from arcdrift.arrays import Bools, Ints
from arcdrift.intake.schema.kinds import Kind
from arcdrift.intake.text.chunks import Chunk
from arcdrift.intake.text.log_text import LogText
from arcdrift.intake.text.physical_lines import MAX_LINE_BYTES, Lines, shown
from arcdrift.intake.text.raw_rows import RawRows
from arcdrift.intake.typing.convert import Typed
from arcdrift.store.database.arrow_thread import run_in_arrow_thread
from arcdrift.store.database.dialects import dialect_of
from arcdrift.store.database.fetch import as_frame, fetch_within
from arcdrift.store.database.frames import to_arrow
from arcdrift.store.database.insert_rows import add_rows
from arcdrift.store.database.sqlite.arrow_reads import read_file
from arcdrift.store.database.sqlite.staged_inserts import staging_errors
from arcdrift.store.schema import RECORDS

BUCKET_ROWS = 250_000
"""Rows on disk that are compared with the store at a time."""
_PLACES = ("line", "last_line", "begin", "end")
"""Where a row stands in its file: lines, counted from 1, and bytes."""
_HOUR_US = 3_600_000_000

Written = Callable[[int], None]
"""Called with the rows written so far."""


class SoundRows(NamedTuple):
    """Rows without a problem.

    Attributes
    ----------
    raw : RawRows
        Rows of the file, among them these.
    frame : DataFrame
        The rows, typed.
    position : array of int64
        Position of each row among the raw ones.
    """

    raw: RawRows
    frame: pd.DataFrame
    position: Ints


@dataclass(frozen=True)
class TypedChunk:
    """A chunk of a file and its typed rows."""

    chunk: Chunk
    typed: Typed

    @property
    def rows(self) -> RawRows:
        """All its rows."""
        return self.chunk.rows

    @cached_property
    def position(self) -> Ints:
        """Positions of the rows without a problem."""
        return np.flatnonzero(~self.typed.problems.bad)

    @cached_property
    def sound(self) -> SoundRows:
        """The rows without a problem."""
        frame = self.typed.frame.iloc[self.position].reset_index(drop=True)
        return SoundRows(self.rows, frame, self.position)


class Bucket(Protocol):
    """Rows that are compared with the store and stored together."""

    @property
    def identity(self) -> pd.DataFrame:
        """The columns by which records are told apart, in the order of the file."""

    @property
    def rows(self) -> SoundRows:
        """The rows with all columns, in the same order."""

    def store(self, import_id: int, new: Bools, written: Written) -> None:
        """Add the rows marked as new to the store."""


class StagedRows(Protocol):
    """Sound rows of one kind that wait to be stored."""

    def add(self, chunk: TypedChunk) -> None:
        """Add the rows of a chunk that have no problem."""

    def buckets(self, connection: Connection) -> Iterator[Bucket]:
        """Yield the rows in parts; none can be added any more."""


class RowsInMemory:
    """The rows of a file that is one chunk: one bucket."""

    def __init__(self, kind: Kind) -> None:
        self._kind = kind
        self._chunks: list[TypedChunk] = []

    def add(self, chunk: TypedChunk) -> None:
        """Add the rows of the one chunk."""
        self._chunks.append(chunk)

    def buckets(self, connection: Connection) -> Iterator["_BucketInMemory"]:
        """Yield the one bucket."""
        for chunk in self._chunks:
            yield _BucketInMemory(connection, self._kind, chunk.sound)


@dataclass(frozen=True)
class _BucketInMemory:
    connection: Connection
    kind: Kind
    rows: SoundRows

    @property
    def identity(self) -> pd.DataFrame:
        return self.rows.frame

    def store(self, import_id: int, new: Bools, written: Written) -> None:
        raw, frame, position = self.rows
        if not new.all():
            frame, position = frame[new], position[new]
        frame = frame.assign(import_id=import_id, line=raw.first[position] + 1)
        add_rows(self.connection, RECORDS[self.kind.name], frame, progress=written)


class RowsOnDisk:
    """Rows by line, in a SQLite file of their own; a bucket is a range of time.

    Parameters
    ----------
    folder : Path
        An empty folder for the file; it must outlast the transaction that takes the rows.
    text : LogText
        The text that the rows come from.
    """

    def __init__(self, folder: Path, kind: Kind, text: LogText) -> None:
        self.path = folder / "staging.db"
        self._text = text
        self.kind = kind
        record = RECORDS[kind.name]
        self.table = Table(
            "staged_rows",
            MetaData(),
            Column("line", Integer, primary_key=True),
            *(Column(name, BigInteger) for name in _PLACES[1:]),
            *(Column(name, record.columns[name].type) for name in kind.columns),
        )
        self._rows_of_hour: Counter[int] = Counter()
        self._write(str(CreateTable(self.table).compile(dialect=sqlite.dialect())))

    def add(self, chunk: TypedChunk) -> None:
        """Add the rows of a chunk that have no problem."""
        position, rows, start = chunk.position, chunk.rows, chunk.chunk.start
        if len(position) == 0:
            return
        first, last, lines = rows.first[position], rows.last[position], rows.lines
        frame = chunk.typed.frame.iloc[position].assign(
            line=first + 1,
            last_line=last + 1,
            begin=lines.starts[first - lines.before] + start,
            end=lines.ends[last - lines.before] + start,
        )
        hours = frame[self.kind.time_column].astype("int64").to_numpy() // _HOUR_US
        for hour, count in zip(*np.unique(hours, return_counts=True), strict=True):
            self._rows_of_hour[int(hour)] += int(count)
        names = [column.name for column in self.table.columns]
        table = to_arrow(frame[names], self.table)
        self._stage(lambda cursor: cursor.adbc_ingest(self.table.name, table, mode="append"))

    def buckets(self, connection: Connection) -> Iterator["_BucketOnDisk"]:
        """Yield ranges of time with about `BUCKET_ROWS` rows each; none can be added any more."""
        when = self.kind.time_column
        self._write(f'CREATE INDEX staged_by_time ON {self.table.name} ("{when}")')
        attached = dialect_of(connection).attach(connection, self.path, "staged")
        bucket = _AttachedBucket if attached else _BucketOnDisk
        hours = sorted(self._rows_of_hour)
        first = count = 0
        for number, hour in enumerate(hours):
            count += self._rows_of_hour[hour]
            if count >= BUCKET_ROWS or number == len(hours) - 1:
                begin, end = hours[first] * _HOUR_US, (hour + 1) * _HOUR_US
                yield bucket(connection, self, self._text, begin, end)
                first, count = number + 1, 0

    def _write(self, statement: str) -> None:
        self._stage(lambda cursor: cursor.execute(statement))

    def _stage(self, work: Callable[[Any], object]) -> None:
        """Do something with a cursor of the file."""

        def run() -> None:
            with dbapi.connect(str(self.path), autocommit=True) as stage, stage.cursor() as cursor:
                for pragma in ("journal_mode=OFF", "synchronous=OFF", "cache_size=-65536"):
                    cursor.execute(f"PRAGMA {pragma}")
                work(cursor)

        with staging_errors(self.path):
            run_in_arrow_thread(run)


@dataclass(frozen=True)
class _BucketOnDisk:
    """Rows from one instant until before another, in microseconds; whole hours."""

    connection: Connection
    staged: RowsOnDisk
    text: LogText
    begin: int
    end: int

    @cached_property
    def identity(self) -> pd.DataFrame:
        kind = self.staged.kind
        return self._read(("line", *kind.identity, kind.time_column))

    @cached_property
    def rows(self) -> SoundRows:
        columns = self.staged.kind.columns
        frame = self._read((*_PLACES, *columns))
        raw = _raw_rows_at(frame[list(_PLACES)], self.text)
        return SoundRows(raw, frame[list(columns)], np.arange(len(frame)))

    def store(self, import_id: int, new: Bools, written: Written) -> None:
        """Copy the new rows in the order of the file."""
        kind = self.staged.kind
        frame = self._read(("line", *kind.columns))
        frame = frame if new.all() else frame[new]
        add_rows(
            self.connection, RECORDS[kind.name], frame.assign(import_id=import_id), progress=written
        )

    def _read(self, names: tuple[str, ...]) -> pd.DataFrame:
        query = self._query(names)
        with staging_errors(self.staged.path):
            table = read_file(str(self.staged.path), query)
        return as_frame(table, query, order=["line"])

    def _query(self, names: tuple[str, ...]) -> Select[Any]:
        columns = self.staged.table.columns
        when = columns[self.staged.kind.time_column]
        query = select(*(columns[name] for name in dict.fromkeys(names)))
        return query.where(when >= self.begin, when < self.end)


class _AttachedBucket(_BucketOnDisk):
    """The same, read by the connection of the store."""

    def store(self, import_id: int, new: Bools, written: Written) -> None:
        """Copy the new rows in the order of the file."""
        kind, connection = self.staged.kind, self.connection
        names = ", ".join(f'"{name}"' for name in kind.columns)
        connection.exec_driver_sql(
            "CREATE TEMP TABLE IF NOT EXISTS not_new (line INTEGER PRIMARY KEY)"
        )
        connection.exec_driver_sql("DELETE FROM not_new")
        if not new.all():
            lines = [(line,) for line in self.identity["line"][~new].tolist()]
            connection.exec_driver_sql("INSERT INTO not_new VALUES (?)", lines)
        connection.exec_driver_sql(
            f"INSERT INTO {RECORDS[kind.name].name} "  # noqa: S608 - names of our schema
            f"(import_id, line, {names}) SELECT ?, line, {names} "
            f"FROM {self.staged.table.name} AS r "
            f'WHERE "{kind.time_column}" >= ? AND "{kind.time_column}" < ? '
            "AND NOT EXISTS (SELECT 1 FROM not_new WHERE not_new.line = r.line) ORDER BY line",
            (import_id, self.begin, self.end),
        )
        written(int(new.sum()))

    def _read(self, names: tuple[str, ...]) -> pd.DataFrame:
        return fetch_within(self.connection, self._query(names), order=["line"])


@dataclass(frozen=True)
class _LinesOnDisk(Lines):
    """Lines of some rows of a file, read when asked for."""

    places: pd.DataFrame = field(default_factory=pd.DataFrame)
    source: LogText | None = None

    def raw(self, first: int, last: int) -> str:
        """The text of the row that begins on a line (0-based)."""
        number = int(self.places["line"].searchsorted(first + 1))
        begin, end = self.places[["begin", "end"]].iloc[number]
        if self.source is None:
            raise ValueError("lines of no file")
        return shown(self.source.read(int(begin), min(int(end - begin), MAX_LINE_BYTES + 1)))


def _raw_rows_at(places: pd.DataFrame, text: LogText) -> RawRows:
    """Stand-in for the raw rows of a bucket: where they are, and their text."""
    nothing = np.zeros(0, np.int64)
    return RawRows(
        header=(),
        cells=pa.table({}),
        first=places["line"].to_numpy(np.int64) - 1,
        last=places["last_line"].to_numpy(np.int64) - 1,
        broken=(),
        lines=_LinesOnDisk(b"", nothing, nothing, 0, places, text),
        header_lines=0,
        blank_lines=0,
        skipped_lines=0,
        delimiter="",
        width=0,
        written=(),
        filled_unnamed=(),
    )
