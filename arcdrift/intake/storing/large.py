"""A large file into the store: the same rows as at once, in memory that does not grow with it.

Its pieces are typed one after the other and put down on disk; what only the whole file can tell
(the passes of a repeated hour, a wrong unit, whether its times have seconds) is then known, and
the rows are compared and stored a range of time at a time. All of it is one transaction.
"""

import json
import time
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import partial
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
from sqlalchemy import Connection, func, select, update

from arcdrift.errors import BadInput, StoreTrouble
from arcdrift.intake.layout.layout_rows import (
    SEARCHED_LINES,
    first_lines,
    lines_before_header,
    passed_over,
)
from arcdrift.intake.layout.layouts import Layout
from arcdrift.intake.schema.import_report import ImportReport, Progress
from arcdrift.intake.schema.kinds import Kind, recognize
from arcdrift.intake.schema.problems import Balance, ProblemGroup
from arcdrift.intake.storing.quarantine_export import header_text
from arcdrift.intake.storing.quarantine_rows import (
    conflict_frame,
    keep_claims,
    problem_groups,
    quarantine_frame,
    with_ids,
)
from arcdrift.intake.storing.row_outcomes import NEW, STORED, Fates, settle
from arcdrift.intake.storing.staging import BUCKET_ROWS, PLACES, Bucket, Staging
from arcdrift.intake.text.chunks import PIECE_BYTES, Piece, Text, again, emptied, row_pieces
from arcdrift.intake.text.physical_lines import MAX_LINE_BYTES, Lines, shown
from arcdrift.intake.text.raw_rows import NeedMore, RawRows, read_on, read_rows
from arcdrift.intake.typing.convert import Typed, convert, refuse_wrong_unit
from arcdrift.intake.typing.whole_file_state import Across
from arcdrift.settings import Crew
from arcdrift.store import schema
from arcdrift.store.corrected_rows import close_corrected, mended_by
from arcdrift.store.read import fetch_within
from arcdrift.store.write import add_import, add_rows


@dataclass(frozen=True)
class Large:
    """How a large file is to be read, and in which measures.

    Attributes
    ----------
    piece_bytes, bucket_rows : int
        Bytes typed, and rows compared with the store, at a time.
    """

    name: str
    kind: str | None
    layout: Layout | None
    crew: Crew
    now: datetime
    piece_bytes: int = PIECE_BYTES
    bucket_rows: int = BUCKET_ROWS

    def divide(self, content: bytes, head: RawRows | None, more: bool) -> RawRows:
        """Divide a piece of the file into rows."""
        layout = self.layout
        left = None if not more else 0 if layout is None else layout.skip_footer
        if head is not None:
            rows = read_on(content, head, more=left)
        elif layout is None:
            rows = read_rows(content, self.name, more=left)
        else:
            if more and layout.header_starts_with is not None:
                if sum(1 for _ in first_lines(content)) < SEARCHED_LINES:
                    raise NeedMore
            rows = read_rows(
                content,
                self.name,
                delimiter=layout.separator,
                skip_lines=lines_before_header(content, layout, self.name),
                skip_after_header=layout.skip_after_header,
                more=left,
            )
            layout.check_headers(rows.header, self.name)
        if layout is None:
            return rows
        return passed_over(rows, layout.model_copy(update={"skip_footer": 0}) if more else layout)

    def kind_of(self, header: tuple[str, ...]) -> Kind:
        """Kind of the file."""
        if self.layout is None:
            return recognize([name.lower() for name in header], self.name, self.kind)
        kind: Kind = self.layout.kind_
        if self.kind is not None and self.kind != kind.name:
            raise BadInput(
                f"The layout {self.layout.name} is for {kind.name}, not for {self.kind} as asked."
            )
        return kind


@dataclass
class _Totals:
    """Where the lines and rows of the pieces went so far."""

    counts: Counter[str] = field(default_factory=Counter)
    groups: dict[tuple[str, str], ProblemGroup] = field(default_factory=dict)
    exact: bool = False
    given: tuple[str, ...] = ()

    def add(self, rows: RawRows) -> None:
        self.counts.update(
            lines=len(rows.lines),
            header=rows.header_lines,
            blank=rows.blank_lines,
            skipped=rows.skipped_lines,
            row_lines=int((rows.last - rows.first + 1).sum())
            + sum(row.last - row.first + 1 for row in rows.broken),
            rows=rows.cells.num_rows + len(rows.broken),
        )

    def add_groups(self, groups: tuple[ProblemGroup, ...]) -> None:
        for new in groups:
            known = self.groups.get((new.code, new.column))
            if known is not None:
                first = min(known, new, key=lambda group: group.first_line)
                new = replace(first, count=known.count + new.count)
            self.groups[new.code, new.column] = new

    def problems(self) -> tuple[ProblemGroup, ...]:
        order = sorted(self.groups.values(), key=lambda group: (-group.count, group.first_line))
        return tuple(order)

    def balance(self) -> Balance:
        names = ("lines", "header", "blank", "skipped", "row_lines", "rows")
        fates = ("accepted", "already_stored", "conflicting", "quarantined")
        return Balance(**{name: self.counts[name] for name in (*names, *fates)})


def store_large(
    connection: Connection,
    text: Text,
    how: Large,
    folder: Path,
    about: dict[str, Any],
    clock: float,
    progress: Progress | None,
) -> ImportReport:
    """Store a large file inside one transaction.

    Parameters
    ----------
    connection : Connection
        From `arcdrift.store.connect.writing`, to an embedded store.
    folder : Path
        An empty folder for files that must outlast the transaction.
    about : dict
        Name and layout of the file and when the import began, as the list of imports has them.
    clock : float
        `time.perf_counter` when the import began.

    Raises
    ------
    BadInput
        When the file as a whole cannot be used.
    """
    try:
        pieces = row_pieces(text, how.name, how.divide, how.piece_bytes)
        first = next(pieces)
        kind = how.kind_of(first.rows.header)
        counts = dict.fromkeys((*_COUNTED, "size_bytes", "other_lines"), 0)
        import_id = add_import(
            connection,
            about
            | counts
            | {"sha256": "", "kind": kind.name, "header": header_text(first.rows.header)}
            | {"seconds": 0.0},
        )
        staging = Staging(folder, kind)
        work = _Work(connection, text, how, kind, staging, import_id, clock, progress)
        work.type_pieces(chain([first], pieces))
        work.settle()
    except OSError as problem:
        raise StoreTrouble(
            f"{how.name} could not be read, or its rows not put down in {folder.parent}: "
            f"{(problem.strerror or str(problem)).lower()}."
        ) from problem
    return work.report()


_COUNTED = ("lines", "rows", "accepted", "already_stored", "conflicting", "quarantined")


@dataclass
class _Work:
    connection: Connection
    text: Text
    how: Large
    kind: Kind
    staging: Staging
    import_id: int
    clock: float
    progress: Progress | None
    across: Across = field(default_factory=Across)
    totals: _Totals = field(default_factory=_Totals)

    def type_pieces(self, pieces: Iterable[Piece]) -> None:
        """Type all pieces and put their rows down; those with a repeated hour come last."""
        left: list[tuple[int, Piece]] = []
        evidence = self.across.evidence
        for number, piece in enumerate(pieces):
            evidence.piece, evidence.met = number, False
            typed = self._typed(piece.rows)
            if evidence.met:
                left.append((number, replace(piece, rows=emptied(piece.rows))))
            else:
                self._put_down(piece.rows, typed, piece.at)
            self._tell(piece.at + piece.told_from)
        evidence.settle()
        evidence.met = False
        for number, piece in left:
            evidence.piece = number
            rows = again(self.text, piece, self.how.divide)
            self._put_down(rows, self._typed(rows), piece.at)
        if self.totals.counts["rows"] == 0:
            raise BadInput(f"{self.how.name} has a header but no rows.")
        refuse_wrong_unit(self.across.bounds, self.how.name)

    def settle(self) -> None:
        """Compare the rows with the store, and store them."""
        self._update(
            sha256=self.text.sha256(),
            size_bytes=self.text.size_bytes,
            given=json.dumps(self.totals.given),
            to_the_second=self.totals.exact,
        )
        self.staging.attach(self.connection)
        for bucket in self.staging.buckets(self.how.bucket_rows):
            self._settle_bucket(bucket)
            self._tell(self.text.size)
        close_corrected(self.connection, self.import_id)

    def report(self) -> ImportReport:
        """What became of the file; its import keeps the same counts."""
        went = self.totals.balance()
        seconds = time.perf_counter() - self.clock
        self._update(
            seconds=seconds,
            other_lines=went.lines - went.rows,
            **{name: getattr(went, name) for name in _COUNTED},
        )
        return ImportReport(
            file=self.how.name,
            kind=self.kind.name,
            import_id=self.import_id,
            balance=went,
            seconds=seconds,
            problems=self.totals.problems(),
            mended=mended_by(self.connection, self.import_id),
        )

    def _typed(self, rows: RawRows) -> Typed:
        how = self.how
        return convert(
            rows, self.kind, how.layout, how.crew, now=how.now, file=how.name, across=self.across
        )

    def _put_down(self, rows: RawRows, typed: Typed, at: int) -> None:
        """Keep the rows of a piece: the sound ones on disk, the others in the quarantine."""
        totals, lines = self.totals, rows.lines
        totals.add(rows)
        totals.exact |= typed.to_the_second
        totals.given = typed.given
        apart = quarantine_frame(self.connection, self.kind, rows, typed, import_id=self.import_id)
        fresh = apart[~apart["kept"]].drop(columns=["kept", "known"])
        add_rows(self.connection, schema.quarantine, fresh.assign(import_id=self.import_id))
        nothing = typed.frame.iloc[:0]
        keep_claims(
            self.connection, self.kind, self.import_id, rows, nothing, _NO_ROWS, _no_fates(), apart
        )
        totals.counts.update(already_stored=int(apart["kept"].sum()), quarantined=len(fresh))
        totals.add_groups(problem_groups(rows, typed, fresh["line"].to_numpy(np.int64)))
        sound = np.flatnonzero(~typed.problems.bad)
        first, last = rows.first[sound], rows.last[sound]
        self.staging.add(
            typed.frame.iloc[sound].assign(
                line=first + 1,
                last_line=last + 1,
                begin=lines.starts[first - lines.before] + at,
                end=lines.ends[last - lines.before] + at,
            )
        )

    def _settle_bucket(self, bucket: Bucket) -> None:
        kind, connection, totals = self.kind, self.connection, self.totals
        compare = partial(
            settle,
            partial(fetch_within, connection, order=["id"]),
            kind,
            to_the_second=totals.exact,
        )
        # nearly always no other row speaks of the same minutes: then content matters not
        narrow = self.staging.rows(connection, bucket, (*kind.identity, kind.time_column))
        fates = compare(narrow, ())
        table = schema.RECORDS[kind.name]
        after = connection.execute(select(func.max(table.columns.id))).scalar() or 0
        if (fates.fate == NEW).all() and not fates.contested.any():
            self.staging.copy(connection, bucket, self.import_id, _NO_ROWS)
            totals.counts.update(accepted=len(narrow))
            return
        whole = self.staging.rows(connection, bucket, kind.columns)
        places, good = whole[list(PLACES)], whole[list(kind.columns)]
        fates = compare(good, totals.given)
        rows, at = _as_raw(places, self.text), np.arange(len(good))
        self.staging.copy(connection, bucket, self.import_id, rows.first[fates.fate != NEW] + 1)
        rivals = conflict_frame(kind, rows, good, at, fates)
        rivals = with_ids(connection, kind, rivals, rows.first + 1, self.import_id, after)
        add_rows(connection, schema.conflicts, rivals.assign(import_id=self.import_id))
        keep_claims(
            connection, kind, self.import_id, rows, good, at, fates, _NOTHING_APART, after=after
        )
        totals.counts.update(
            accepted=int((fates.fate == NEW).sum()),
            already_stored=int((fates.fate == STORED).sum()),
            conflicting=len(rivals),
        )

    def _update(self, **values: Any) -> None:
        done = update(schema.imports).where(schema.imports.columns.id == self.import_id)
        self.connection.execute(done.values(values))

    def _tell(self, read: int) -> None:
        """Tell the rows done of all rows, which are guessed from the bytes still to read."""
        if self.progress is None:
            return
        counts = self.totals.counts
        done = sum(counts[name] for name in _COUNTED[2:])
        rows = int(counts["rows"] * self.text.size / max(read, 1))
        self.progress(done, max(rows, counts["rows"]))


_NO_ROWS = np.zeros(0, np.int64)
_NOTHING_APART = pd.DataFrame(
    {
        name: pd.Series(dtype=kind)
        for name, kind in {
            **dict.fromkeys(("line", "last_line", "known"), "int64"),
            **dict.fromkeys(("column", "code", "message", "raw"), "str"),
            "kept": "bool",
        }.items()
    }
)


def _no_fates() -> Fates:
    return Fates(_NO_ROWS, _NO_ROWS.copy(), _NO_ROWS.copy(), np.zeros(0, bool))


@dataclass(frozen=True)
class _Scattered(Lines):
    """Lines of some rows of a file, read when asked for."""

    places: pd.DataFrame = field(default_factory=pd.DataFrame)
    source: Text | None = None

    def raw(self, first: int, last: int) -> str:
        """The text of the row that begins on a line (0-based)."""
        number = int(self.places["line"].searchsorted(first + 1))
        begin, end = self.places[["begin", "end"]].iloc[number]
        if self.source is None:
            raise ValueError("lines of no file")
        return shown(self.source.read(int(begin), min(int(end - begin), MAX_LINE_BYTES + 1)))


def _as_raw(places: pd.DataFrame, source: Text) -> RawRows:
    """Stand-in for the raw rows of a bucket: where they are, and their text."""
    return RawRows(
        header=(),
        cells=pa.table({}),
        first=places["line"].to_numpy(np.int64) - 1,
        last=places["last_line"].to_numpy(np.int64) - 1,
        broken=(),
        lines=_Scattered(b"", _NO_ROWS, _NO_ROWS, 0, places, source),
        header_lines=0,
        blank_lines=0,
        skipped_lines=0,
        delimiter="",
        width=0,
    )
