"""The import of one log: its chunks typed, its rows compared with the store and stored.

A log that is one chunk stays in memory. It is typed and compared with the store before the store is
locked, and compared again only if the store changed meanwhile. The chunks of a larger log are typed
one after the other inside the transaction, and their sound rows wait on disk: only the whole file
tells the passes of a repeated hour, a wrong unit, and whether its times have seconds. Then the rows
are compared and stored a range of time at a time.
"""

import json
import time
from collections.abc import Callable, Iterator
from datetime import datetime
from functools import partial
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import Connection, Engine, func, select, update

from arcdrift.errors import BadInput
from arcdrift.instants import microseconds
from arcdrift.intake.layout.log_reader import LogReader
from arcdrift.intake.schema.import_report import (
    ImportReport,
    Progress,
    columns_without_name,
)
from arcdrift.intake.schema.problems import ProblemGroup
from arcdrift.intake.storing.conflict_rows import store_claims, store_conflicts
from arcdrift.intake.storing.import_totals import OUTCOMES, ImportTotals
from arcdrift.intake.storing.quarantine_export import header_text, read_export
from arcdrift.intake.storing.quarantine_rows import (
    close_corrected_rows,
    problem_groups,
    quarantine_frame,
    store_quarantine,
)
from arcdrift.intake.storing.row_outcomes import CONFLICT, NEW, STORED, RowOutcomes, classify_rows
from arcdrift.intake.storing.staging import (
    Bucket,
    RowsInMemory,
    RowsOnDisk,
    StagedRows,
    TypedChunk,
)
from arcdrift.intake.text.chunks import Chunk, read_again, row_chunks
from arcdrift.intake.text.export_columns import is_export
from arcdrift.intake.text.log_text import LogText
from arcdrift.intake.text.raw_rows import RawRows
from arcdrift.intake.typing.convert import convert
from arcdrift.intake.typing.doubtful_files import refuse_doubtful_file
from arcdrift.intake.typing.whole_file_state import WholeFileState
from arcdrift.settings import Crew
from arcdrift.store import schema
from arcdrift.store.database.connect import snapshot
from arcdrift.store.database.fetch import fetch, fetch_within
from arcdrift.store.events.record_matching import RECORD_IDENTITIES
from arcdrift.store.events.written_rows import count_joined
from arcdrift.store.imports.corrected_rows import close_corrected, count_corrected
from arcdrift.store.imports.import_list import add_import
from arcdrift.store.results.store_versions import store_version, version_within

_COUNTS = ("lines", "rows", *OUTCOMES)
_START_BYTES = 64


class LogImport:
    """One log on its way into the store.

    Parameters
    ----------
    text : LogText
        Its text.
    now : aware datetime
        Times more than a day later are wrong.
    scratch : callable
        Makes an empty folder that outlasts the transaction; called only for a log of several
        chunks.
    progress : callable, optional
        Called with the rows done and the rows of the file, which are estimated while it is read.

    Raises
    ------
    BadInput
        When the file as a whole cannot be used.
    """

    def __init__(
        self,
        text: LogText,
        reader: LogReader,
        crew: Crew,
        now: datetime,
        scratch: Callable[[], Path],
        *,
        progress: Progress | None,
    ) -> None:
        self._text, self._reader = text, reader
        self._crew, self._now = crew, now
        self._progress = progress
        self._is_export = is_export(text.read(0, _START_BYTES))
        chunks = row_chunks(text, self._divide, at_once=self._is_export or reader.bulletin)
        first = next(chunks)
        self._header, self._delimiter = first.rows.header, first.rows.delimiter
        self._filled_unnamed = first.rows.filled_unnamed
        self._kind = reader.kind_of(self._header)
        self._totals = ImportTotals()
        self._still_wrong: list[ProblemGroup] = []
        self._state = None if first.is_whole_file else WholeFileState()
        self._typed = self._type(chain([first], chunks))
        self._whole: TypedChunk | None = None
        self._early: tuple[str, RowOutcomes] | None = None
        self._staged: StagedRows
        if first.is_whole_file:
            (self._whole,) = self._typed
            self._typed = iter([self._whole])
            self._staged = RowsInMemory(self._kind)
        else:
            self._staged = RowsOnDisk(scratch(), self._kind, text)

    def compare(self, engine: Engine) -> None:
        """Compare the rows with the store before it is locked, if all of them are in memory."""
        if self._whole is None:
            return
        typed, frame = self._whole.typed, self._whole.sound.frame
        # of one state: another import may be stored between two reads
        with snapshot(engine):
            version = store_version(engine)
            outcomes = classify_rows(
                partial(fetch, engine, order=["id"]),
                self._kind,
                frame,
                lambda: frame,
                typed.stated_columns,
                to_the_second=typed.to_the_second,
            )
        self._early = version, outcomes

    def store(self, connection: Connection, about: dict[str, Any], began: float) -> ImportReport:
        """Store the log inside one transaction.

        Parameters
        ----------
        connection : Connection
            From `arcdrift.store.database.connect.writing`.
        about : dict
            Name, layout and settings of the file and when the import began, as the list of imports
            has them.
        began : float
            `time.perf_counter` when the import began.

        Raises
        ------
        BadInput
            When the file as a whole cannot be used.
        """
        early = None
        if self._early is not None and self._early[0] == version_within(connection):
            early = self._early[1]
        import_id = add_import(
            connection,
            about
            | dict.fromkeys((*_COUNTS, "other_lines"), 0)
            | {
                # what these mean depends on more than their content and the settings
                "settings_sha256": None
                if self._is_export or self._reader.bulletin
                else about["settings_sha256"],
                "sha256": self._text.sha256,
                "size_bytes": self._text.file_size,
                "kind": self._kind.name,
                "header": header_text(self._header),
                "delimiter": None if self._reader.bulletin else self._delimiter,
                "seconds": 0.0,
                "days_from_1904": self._text.days_from_1904,
            },
        )
        totals = self._totals
        for chunk in self._typed:
            self._quarantine(connection, import_id, chunk)
            self._staged.add(chunk)
            self._tell(chunk.chunk.start + chunk.chunk.size)
        self._text.check_unchanged()
        _update(
            connection,
            import_id,
            given=json.dumps(totals.stated_columns),
            to_the_second=totals.to_the_second,
            dates_alone=totals.dates_alone,
            judged_at=None if totals.has_future else microseconds(self._now),
            line_counts=totals.line_counts,
        )
        for bucket in self._staged.buckets(connection):
            self._store_bucket(connection, import_id, bucket, early)
            self._tell(self._text.size)
        close_corrected(connection, import_id)
        balance, seconds = totals.balance, time.perf_counter() - began
        _update(
            connection,
            import_id,
            seconds=seconds,
            other_lines=balance.lines - balance.rows,
            **{name: getattr(balance, name) for name in _COUNTS},
        )
        return ImportReport(
            file=self._reader.name,
            kind=self._kind.name,
            import_id=import_id,
            balance=balance,
            seconds=seconds,
            problems=totals.problems,
            mended=count_corrected(connection, import_id),
            left_out=(*columns_without_name(self._header), *self._filled_unnamed),
            still_wrong=tuple(self._still_wrong),
            joined=count_joined(connection, RECORD_IDENTITIES[self._kind.name], import_id),
        )

    def _divide(self, content: bytes, head: RawRows | None, more: bool) -> RawRows:
        if self._is_export:  # always one chunk
            return read_export(content, self._reader.name, self._reader.layout)
        return self._reader.divide(content, head, more)

    def _type(self, chunks: Iterator[Chunk]) -> Iterator[TypedChunk]:
        """Type all chunks. Those with rows of a repeated hour come last, once all are read."""
        state, reader = self._state, self._reader
        convert_rows = partial(
            convert,
            kind=self._kind,
            layout=reader.layout,
            crew=self._crew,
            now=self._now,
            file=reader.name,
            state=state,
            days_from_1904=self._text.days_from_1904,
        )
        row_count = 0
        postponed: list[tuple[int, Chunk]] = []
        for number, chunk in enumerate(chunks):
            row_count += chunk.rows.cells.num_rows + len(chunk.rows.broken)
            if state is not None:
                state.start_chunk(number)
            typed = convert_rows(chunk.rows)
            if state is not None and state.chunk_must_wait:
                postponed.append((number, chunk.without_rows()))
            else:
                yield TypedChunk(chunk, typed)
        if row_count == 0:
            raise BadInput(f"{reader.name} has a header but no rows.")
        if state is None:
            return
        state.evidence.decide()
        for number, chunk in postponed:
            state.start_chunk(number)
            chunk = read_again(self._text, chunk, self._divide)
            yield TypedChunk(chunk, convert_rows(chunk.rows))
        refuse_doubtful_file(state, self._kind, reader.name)

    def _quarantine(self, connection: Connection, import_id: int, chunk: TypedChunk) -> None:
        """Put the rows with problems into the quarantine."""
        rows, typed, totals = chunk.rows, chunk.typed, self._totals
        totals.add_chunk(rows, typed)
        close_corrected_rows(connection, import_id, rows, chunk.position)
        if not rows.broken and not typed.problems.bad.any():
            return
        frame = quarantine_frame(connection, self._kind, rows, typed, import_id)
        new = store_quarantine(connection, import_id, frame)
        totals.counts.update(already_stored=len(frame) - len(new), quarantined=len(new))
        totals.add_problems(problem_groups(rows, typed, new["line"].to_numpy(np.int64)))
        if self._is_export:
            stays = frame.loc[~frame["line"].isin(new["line"]), "line"]
            self._still_wrong += problem_groups(rows, typed, stays.to_numpy(np.int64))

    def _store_bucket(
        self,
        connection: Connection,
        import_id: int,
        bucket: Bucket,
        outcomes: RowOutcomes | None,
    ) -> None:
        """Compare rows with the store, unless that was done before, and store them."""
        kind, totals = self._kind, self._totals
        if outcomes is None:
            outcomes = classify_rows(
                partial(fetch_within, connection, order=["id"]),
                kind,
                bucket.identity,
                lambda: bucket.rows.frame,
                totals.stated_columns,
                to_the_second=totals.to_the_second,
            )
        record_id = schema.RECORDS[kind.name].columns.id
        after = connection.execute(select(func.max(record_id))).scalar() or 0
        bucket.store(import_id, outcomes.outcome == NEW, self._tell_written)
        if not outcomes.all_new:
            store_conflicts(connection, kind, import_id, bucket.rows, outcomes, after=after)
            store_claims(connection, kind, import_id, bucket.rows, outcomes, after=after)
        totals.counts.update(
            accepted=int((outcomes.outcome == NEW).sum()),
            already_stored=int((outcomes.outcome == STORED).sum()),
            conflicting=int((outcomes.outcome == CONFLICT).sum()),
        )

    def _tell(self, read: int) -> None:
        """Report the rows done of all rows, which are estimated from the bytes still to read."""
        if self._progress is not None:
            rows = self._totals.counts["rows"]
            estimate = int(rows * self._text.size / max(read, 1))
            self._progress(self._totals.rows_done, max(rows, estimate))

    def _tell_written(self, count: int) -> None:
        if self._progress is not None:
            self._progress(self._totals.rows_done + count, self._totals.counts["rows"])


def _update(connection: Connection, import_id: int, **values: Any) -> None:
    row = schema.imports.columns.id == import_id
    connection.execute(update(schema.imports).where(row).values(values))
