"""Rows with problems: put into the quarantine, recognized when they come again, and closed."""

import json
from collections import defaultdict
from datetime import UTC, datetime

import numpy as np
import pandas as pd
from sqlalchemy import Connection, and_, bindparam, select, update

from arcdrift.arrays import Ints
from arcdrift.instants import microseconds
from arcdrift.intake.schema.kinds import Kind
from arcdrift.intake.schema.problems import SENTENCES, ProblemGroup
from arcdrift.intake.storing.quarantine_export import CorrectedRows, Source, header_text
from arcdrift.intake.text.raw_rows import RawRows
from arcdrift.intake.typing.convert import Typed
from arcdrift.store import schema
from arcdrift.store.database.insert_rows import add_rows
from arcdrift.store.events.event_candidates import stored_values

_FEW = 500
"""Up to this many rows are looked up by their text; for more, all quarantined rows are read."""


def quarantine_frame(
    connection: Connection, kind: Kind, rows: RawRows, typed: Typed, import_id: int
) -> pd.DataFrame:
    """Rows with problems, as the quarantine table holds them.

    Parameters
    ----------
    import_id : int
        The import of this file. Rows that earlier chunks of the file put into the quarantine are
        not taken for earlier ones.

    Returns
    -------
    DataFrame
        Columns of the quarantine table without its ids; and ``known_id``, the id of the row of an
        earlier import that says the same, -1 for none. Importing a file again adds nothing.
    """
    wrong = typed.problems.by_row()
    position = wrong["row"].to_numpy(np.int64)
    frame = pd.DataFrame(
        {
            "first": [*rows.first[position].tolist(), *(row.first for row in rows.broken)],
            "last": [*rows.last[position].tolist(), *(row.last for row in rows.broken)],
            "column": [*wrong["column"], *(None for _ in rows.broken)],
            "code": [*wrong["code"], *(row.code for row in rows.broken)],
            "message": [*wrong["message"], *(SENTENCES[row.code] for row in rows.broken)],
        }
    ).sort_values("first", kind="stable", ignore_index=True)
    frame["raw"] = [
        raw_text(rows, first, last)
        for first, last in zip(frame["first"], frame["last"], strict=True)
    ]
    frame["known_id"] = _known_ids(connection, kind, rows, frame, import_id)
    frame["line"] = frame.pop("first") + 1
    frame["last_line"] = frame.pop("last") + 1
    return frame


def problem_groups(rows: RawRows, typed: Typed, lines: Ints) -> tuple[ProblemGroup, ...]:
    """Group the problems of the rows that begin on some lines, the commonest first."""
    chosen = np.isin(rows.first + 1, lines)
    groups = typed.problems.groups(rows.first + 1, chosen)
    wanted = set(lines.tolist())
    by_code: dict[str, list[int]] = {}
    for row in rows.broken:
        if row.first + 1 in wanted:
            by_code.setdefault(row.code, []).append(row.first + 1)
    for code, first_lines in by_code.items():
        groups.append(ProblemGroup(code, "", len(first_lines), first_lines[0], SENTENCES[code]))
    return tuple(sorted(groups, key=lambda group: (-group.count, group.first_line)))


def store_quarantine(
    connection: Connection, import_id: int, quarantine: pd.DataFrame
) -> pd.DataFrame:
    """Store rows of `quarantine_frame`: new ones as rows, the others as claims to known rows.

    Returns
    -------
    DataFrame
        The new rows.
    """
    new = quarantine[quarantine["known_id"] < 0].drop(columns="known_id")
    add_rows(connection, schema.quarantine, new.assign(import_id=import_id))
    repeated = quarantine[quarantine["known_id"] >= 0]
    if not repeated.empty:
        contents = stored_values(repeated[["last_line", "column", "code", "message", "raw"]])
        claims = pd.DataFrame(
            {
                "line": repeated["line"].to_numpy(),
                "record_id": repeated["known_id"].to_numpy(),
                "record": [json.dumps(row, ensure_ascii=False) for row in contents],
            }
        )
        add_rows(
            connection,
            schema.source_rows,
            claims.assign(import_id=import_id, kind=schema.QUARANTINE),
        )
    return new


def close_corrected_rows(
    connection: Connection, import_id: int, rows: RawRows, position: Ints
) -> None:
    """Close the quarantined rows that sound rows of a corrected export replace.

    Parameters
    ----------
    position : array of int64
        Positions of the sound rows among the raw ones.
    """
    if not isinstance(rows, CorrectedRows):
        return
    sources = [rows.sources.get(first) for first in rows.first[position].tolist()]
    known = _quarantined_at(connection, sources)
    columns = schema.quarantine.columns
    close = update(schema.quarantine).where(
        columns.id == bindparam("row_id"), columns.closed_at.is_(None)
    )
    now = microseconds(datetime.now(UTC))
    closed = [{"row_id": known[source]} for source in dict.fromkeys(sources) if source in known]
    if closed:
        connection.execute(close.values(closed_by=import_id, closed_at=now), closed)


def raw_text(rows: RawRows, first: int, last: int) -> str:
    """Text of the row on some lines, without the columns that an export adds."""
    if isinstance(rows, CorrectedRows):
        return rows.raw(first, last)
    return rows.lines.raw(first, last)


def _quarantined_at(
    connection: Connection, sources: list[Source | None]
) -> dict[Source | None, int]:
    """Ids of the quarantined rows of some imports, files and lines."""
    quarantine, imports = schema.quarantine.columns, schema.imports.columns
    query = (
        select(quarantine.id, quarantine.import_id, imports.file_name, quarantine.line)
        .join_from(schema.quarantine, schema.imports, quarantine.import_id == imports.id)
        .where(quarantine.import_id == bindparam("source_id"))
    )
    return {
        (row.import_id, row.file_name, row.line): row.id
        for number in {source[0] for source in sources if source is not None}
        for row in connection.execute(query, {"source_id": number})
    }


def _known_ids(
    connection: Connection, kind: Kind, rows: RawRows, frame: pd.DataFrame, import_id: int
) -> list[int]:
    """Ids of the quarantined rows that rows repeat or correct, -1 for none."""
    if frame.empty:
        return []
    known = [-1] * len(frame)
    if isinstance(rows, CorrectedRows):
        sources = [rows.sources.get(first) for first in frame["first"].tolist()]
        id_of = _quarantined_at(connection, sources)
        known = [id_of.get(source, -1) if source is not None else -1 for source in sources]
    imports, quarantine, claims = (
        table.columns for table in (schema.imports, schema.quarantine, schema.source_rows)
    )
    claimed = select(claims.record_id).where(
        claims.import_id == import_id,
        claims.kind == schema.QUARANTINE,
        claims.record_id.is_not(None),
    )
    query = (
        select(quarantine.id, quarantine.raw, quarantine.code)
        .join_from(
            schema.quarantine,
            schema.imports,
            and_(quarantine.import_id == imports.id, imports.kind == kind.name),
        )
        .where(
            (imports.header == header_text(rows.header)) | imports.header.is_(None),
            quarantine.import_id != import_id,
            quarantine.id.not_in(claimed),
        )
        .order_by(quarantine.id)
    )
    if len(frame) <= _FEW:
        query = query.where(quarantine.raw.in_(sorted(set(frame["raw"]))))
    twins: dict[tuple[str, str], list[int]] = defaultdict(list)
    for row in connection.execute(query):
        twins[row.raw, row.code].append(row.id)
    used = set(known)
    free = {twin: iter([i for i in ids if i not in used]) for twin, ids in twins.items()}
    for number, twin in enumerate(frame[["raw", "code"]].itertuples(index=False, name=None)):
        if known[number] < 0 and twin in free:
            known[number] = next(free[twin], -1)
    return known
