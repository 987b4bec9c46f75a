"""One file, one transaction: reading, checking, comparing and storing it."""

import hashlib
import json
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from sqlalchemy import Connection, Engine, update

from arcdrift.arrays import Ints
from arcdrift.errors import BadInput
from arcdrift.intake.containers.files import file_bytes
from arcdrift.intake.layout.layout_rows import rows_under
from arcdrift.intake.layout.layouts import Layout, load_layout
from arcdrift.intake.schema.import_report import ImportReport as ImportReport
from arcdrift.intake.schema.import_report import Progress as Progress
from arcdrift.intake.schema.kinds import Kind, recognize
from arcdrift.intake.schema.problems import Balance
from arcdrift.intake.storing.large import Large, store_large
from arcdrift.intake.storing.quarantine_export import export_rows, header_text, is_export
from arcdrift.intake.storing.quarantine_rows import (
    conflict_frame,
    keep_claims,
    problem_groups,
    quarantine_frame,
    with_ids,
)
from arcdrift.intake.storing.row_outcomes import NEW, STORED, Fates, settle
from arcdrift.intake.text.chunks import is_large, open_text
from arcdrift.intake.text.raw_rows import RawRows, read_rows
from arcdrift.intake.typing.convert import Typed, convert
from arcdrift.scratch import scratch_folder
from arcdrift.settings import Crew
from arcdrift.store import schema
from arcdrift.store.connect import Waiting, writing
from arcdrift.store.corrected_rows import close_corrected, mended_by
from arcdrift.store.import_lock import begun
from arcdrift.store.read import fetch, fetch_within, store_version, version_within
from arcdrift.store.write import add_import, add_rows
from arcdrift.times import microseconds


def import_file(
    engine: Engine,
    crew: Crew,
    path: Path,
    *,
    kind: str | None = None,
    layout: Layout | Path | None = None,
    progress: Progress | None = None,
    now: datetime | None = None,
    name: str | None = None,
    sheet: str | None = None,
    waiting: Waiting | None = None,
) -> ImportReport:
    """Import one log file, whole or not at all.

    Parameters
    ----------
    kind : str, optional
        ``arc-checks``, ``splices``, ``readings`` or ``service``; default told from the headers.
    layout : Layout or Path, optional
        How a file with other headers is to be read.
    progress : callable, optional
        Called with the rows done and the rows of the file.
    now : aware datetime, optional
        Times more than a day later are wrong; default the wall clock.
    name : str, optional
        The file's own name where `path` is a temporary copy.
    sheet : str, optional
        Sheet of a workbook; default its only one.
    waiting : callable, optional
        Called once when another import must be waited for.

    Raises
    ------
    BadInput
        With one sentence when the file as a whole cannot be used; then nothing is stored.
    StoreTrouble
        When the store cannot be written.
    """
    started, clock = datetime.now(UTC), time.perf_counter()
    name = name or path.name
    if isinstance(layout, Path):
        layout = load_layout(layout)
    if engine.dialect.name == "sqlite" and is_large(path):
        how = Large(name, kind, layout, crew, now or started)
        return _import_large(engine, path, how, started, clock, progress, waiting)
    packed, content = file_bytes(path, name, sheet=sheet, **_written(layout))
    with begun(engine, name, started, waiting) as mark:
        rows, of_kind = _rows(content, name, kind, layout)
        typed = convert(rows, of_kind, layout, crew, now=now or started, file=name)
        about = _about(name, layout, started) | {
            "sha256": hashlib.sha256(packed).hexdigest(),
            "size_bytes": len(packed),
            "kind": of_kind.name,
            "header": header_text(rows.header),
            "given": json.dumps(typed.given),
            "to_the_second": typed.to_the_second,
        }
        at = np.flatnonzero(~typed.problems.bad)
        good = typed.frame.iloc[at].reset_index(drop=True)
        compare = partial(
            settle, kind=of_kind, frame=good, given=typed.given, to_the_second=typed.to_the_second
        )
        # compared before the store is locked, and again only if it changed meanwhile
        version = store_version(engine)
        fates = compare(partial(fetch, engine, order=["id"]))
        with writing(engine, waiting) as connection:
            mark.finish(connection)
            if version_within(connection) != version:
                fates = compare(partial(fetch_within, connection, order=["id"]))
            sound = _Sound(good, at, fates)
            return _store(connection, rows, of_kind, typed, sound, about, clock, progress)


def _import_large(
    engine: Engine,
    path: Path,
    how: Large,
    started: datetime,
    clock: float,
    progress: Progress | None,
    waiting: Waiting | None,
) -> ImportReport:
    encoding = None if how.layout is None else how.layout.encoding
    about = _about(how.name, how.layout, started)
    # whatever is put down here must outlast the transaction
    with scratch_folder() as folder:
        with (
            begun(engine, how.name, started, waiting) as mark,
            open_text(path, how.name, folder, encoding) as text,
            writing(engine, waiting) as connection,
        ):
            mark.finish(connection)
            return store_large(connection, text, how, folder, about, clock, progress)


def _about(name: str, layout: Layout | None, started: datetime) -> dict[str, Any]:
    return {
        "file_name": name,
        "layout": None if layout is None else f"# {layout.name}\n{layout.text}",
        "started_at": microseconds(started),
    }


@dataclass(frozen=True)
class _Sound:
    """The rows without a problem, their place among the raw rows, and what becomes of them."""

    frame: pd.DataFrame
    at: Ints
    fates: Fates


def _written(layout: Layout | None) -> dict[str, Any]:
    """What a layout says about how the file is written."""
    if layout is None:
        return {}
    return {
        "encoding": layout.encoding,
        "delimiter": layout.separator,
        "decimal": layout.decimal,
    }


def _rows(
    content: bytes, name: str, kind: str | None, layout: Layout | None
) -> tuple[RawRows, Kind]:
    if layout is None:
        rows = export_rows(content, name, None) if is_export(content) else read_rows(content, name)
        headers = [header.lower() for header in rows.header]
        of_kind = recognize(headers, name, kind)
    else:
        if is_export(content):
            rows = export_rows(content, name, layout)
        else:
            rows = rows_under(content, layout, name)
        of_kind = layout.kind_
        if kind is not None and kind != of_kind.name:
            raise BadInput(
                f"The layout {layout.name} is for {of_kind.name}, not for {kind} as asked."
            )
    if rows.cells.num_rows + len(rows.broken) == 0:
        raise BadInput(f"{name} has a header but no rows.")
    return rows, of_kind


def _store(
    connection: Connection,
    rows: RawRows,
    kind: Kind,
    typed: Typed,
    sound: _Sound,
    about: dict[str, Any],
    clock: float,
    progress: Progress | None,
) -> ImportReport:
    good, at, fates = sound.frame, sound.at, sound.fates
    apart = quarantine_frame(connection, kind, rows, typed)
    rivals = conflict_frame(kind, rows, good, at, fates)
    new = fates.fate == NEW
    balance = Balance(
        lines=len(rows.lines),
        header=rows.header_lines,
        blank=rows.blank_lines,
        skipped=rows.skipped_lines,
        row_lines=int((rows.last - rows.first + 1).sum())
        + sum(row.last - row.first + 1 for row in rows.broken),
        rows=rows.cells.num_rows + len(rows.broken),
        accepted=int(new.sum()),
        already_stored=int((fates.fate == STORED).sum() + apart["kept"].sum()),
        conflicting=len(rivals),
        quarantined=int((~apart["kept"]).sum()),
    )
    import_id = add_import(
        connection,
        {
            **about,
            "seconds": 0.0,
            "lines": balance.lines,
            "other_lines": balance.lines - balance.rows,
            "rows": balance.rows,
            "accepted": balance.accepted,
            "already_stored": balance.already_stored,
            "conflicting": balance.conflicting,
            "quarantined": balance.quarantined,
        },
    )
    table = schema.RECORDS[kind.name]
    accepted = good if new.all() else good[new]
    accepted = accepted.assign(import_id=import_id, line=rows.first[at[new]] + 1)
    settled = balance.rows - balance.accepted

    def told(written: int) -> None:
        if progress is not None:
            progress(settled + written, balance.rows)

    told(0)
    add_rows(connection, table, accepted, progress=told)
    fresh = apart[~apart["kept"]].drop(columns=["kept", "known"])
    add_rows(connection, schema.quarantine, fresh.assign(import_id=import_id))
    rivals = with_ids(connection, kind, rivals, rows.first[at] + 1, import_id)
    add_rows(connection, schema.conflicts, rivals.assign(import_id=import_id))
    keep_claims(connection, kind, import_id, rows, good, at, fates, apart)
    close_corrected(connection, import_id)
    seconds = time.perf_counter() - clock
    done_row = update(schema.imports).where(schema.imports.columns.id == import_id)
    connection.execute(done_row.values(seconds=seconds))
    told(balance.accepted)
    return ImportReport(
        file=about["file_name"],
        kind=kind.name,
        import_id=import_id,
        balance=balance,
        seconds=seconds,
        problems=problem_groups(rows, typed, fresh["line"].to_numpy(np.int64)),
        mended=mended_by(connection, import_id),
    )
