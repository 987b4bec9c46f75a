"""Rows kept apart, and what has to be kept so that any import can be undone exactly."""

import json
from collections import defaultdict
from datetime import UTC, datetime

import numpy as np
import pandas as pd
from sqlalchemy import Connection, and_, bindparam, select, update

from arcdrift.arrays import Ints
from arcdrift.intake.schema.kinds import Kind
from arcdrift.intake.schema.problems import SENTENCES, ProblemGroup
from arcdrift.intake.storing.quarantine_export import MendedRows, header_text
from arcdrift.intake.storing.row_outcomes import CONFLICT, STORED, Fates
from arcdrift.intake.text.raw_rows import RawRows
from arcdrift.intake.typing.convert import Typed
from arcdrift.store import schema
from arcdrift.store.event_candidates import document, group_key, plain_rows
from arcdrift.store.rebuild_records import resettle
from arcdrift.store.record_matching import SHAPES, Shape
from arcdrift.store.write import QUARANTINE, add_rows
from arcdrift.times import microseconds

_FEW = 500
"""Quarantined rows that are looked for one by one; for more of them all are read."""


def quarantine_frame(
    connection: Connection,
    kind: Kind,
    rows: RawRows,
    typed: Typed,
    *,
    import_id: int | None = None,
) -> pd.DataFrame:
    """Rows with problems as the quarantine keeps them, with whether each is kept already.

    Parameters
    ----------
    import_id : int, optional
        The import that other pieces of the same file were kept under.

    Returns
    -------
    DataFrame
        Columns of the quarantine table without its ids; ``kept``, True for a row that is
        there already, so that importing a file again adds nothing; and ``known``, the id of
        that row, -1 for none.
    """
    wrong = typed.problems.by_row()
    at = wrong["row"].to_numpy(np.int64)
    frame = pd.DataFrame(
        {
            "first": [*rows.first[at].tolist(), *(row.first for row in rows.broken)],
            "last": [*rows.last[at].tolist(), *(row.last for row in rows.broken)],
            "column": [*wrong["column"], *(None for _ in rows.broken)],
            "code": [*wrong["code"], *(row.code for row in rows.broken)],
            "message": [*wrong["message"], *(SENTENCES[row.code] for row in rows.broken)],
        }
    ).sort_values("first", kind="stable", ignore_index=True)
    frame["raw"] = [
        _raw(rows, first, last) for first, last in zip(frame["first"], frame["last"], strict=True)
    ]
    frame["known"] = _known(connection, kind, rows, frame, import_id)
    frame["kept"] = frame["known"] >= 0
    frame["line"] = frame.pop("first") + 1
    frame["last_line"] = frame.pop("last") + 1
    return frame


def problem_groups(rows: RawRows, typed: Typed, lines: Ints) -> tuple[ProblemGroup, ...]:
    """Group the problems of the rows that begin on the given lines, the commonest first."""
    among = np.isin(rows.first + 1, lines)
    groups = typed.problems.groups(rows.first + 1, among)
    wanted = set(lines.tolist())
    by_code: dict[str, list[int]] = {}
    for row in rows.broken:
        if row.first + 1 in wanted:
            by_code.setdefault(row.code, []).append(row.first + 1)
    for code, begun in by_code.items():
        groups.append(ProblemGroup(code, "", len(begun), begun[0], SENTENCES[code]))
    return tuple(sorted(groups, key=lambda group: (-group.count, group.first_line)))


def conflict_frame(
    kind: Kind, rows: RawRows, good: pd.DataFrame, at: Ints, fates: Fates
) -> pd.DataFrame:
    """Rows that contradict another as the conflicts table keeps them.

    Parameters
    ----------
    good : DataFrame
        The sound rows.
    at : array of int64
        Position of each sound row among the raw rows.

    Returns
    -------
    DataFrame
        Columns of the conflicts table without its ids, what differs left open until the rows
        are settled; and ``file_row``, the position in `good` of the row contradicted, -1 where
        it is a stored one.
    """
    here = np.flatnonzero(fates.fate == CONFLICT)
    return pd.DataFrame(
        {
            "line": rows.first[at[here]] + 1,
            "stored_id": fates.stored_id[here],
            "file_row": fates.file_row[here],
            "differs": pd.Series("{}", index=range(len(here)), dtype="str"),
            "record": pd.Series(_documents(SHAPES[kind.name], good.iloc[here]), dtype="str"),
            "raw": pd.Series(_texts(rows, at[here]), dtype="str"),
        }
    )


def keep_claims(
    connection: Connection,
    kind: Kind,
    import_id: int,
    rows: RawRows,
    good: pd.DataFrame,
    at: Ints,
    fates: Fates,
    apart: pd.DataFrame,
    *,
    after: int = 0,
) -> None:
    """Keep which rows repeat what is stored or quarantined, and settle contested minutes.

    Called once the new rows, conflicts and quarantined rows of the file are stored.

    Parameters
    ----------
    good, at, fates
        As for `conflict_frame`.
    apart : DataFrame
        All rows of `quarantine_frame`.
    after : int
        No new record of these rows has a lower id.
    """
    shape = SHAPES[kind.name]
    lines = rows.first[at] + 1
    said = fates.fate == STORED
    ids = fates.stored_id.copy()
    inside = np.flatnonzero((fates.file_row >= 0) & said)
    if len(inside):
        of_line = _ids_by_line(connection, shape, import_id, after)
        ids[inside] = [of_line[line] for line in lines[fates.file_row[inside]].tolist()]
    spelled = np.flatnonzero(said & fates.contested)
    plain = np.flatnonzero(said & ~fates.contested)
    for here, more in (
        (plain, {}),
        (
            spelled,
            {"record": _documents(shape, good.iloc[spelled]), "raw": _texts(rows, at[spelled])},
        ),
    ):
        frame = pd.DataFrame({"line": lines[here], "record_id": ids[here], **more})
        add_rows(connection, schema.claims, frame.assign(import_id=import_id, kind=kind.name))
    _keep_quarantine_claims(connection, import_id, apart)
    contested = good.loc[fates.contested, [*shape.who, shape.time]]
    keys = {
        group_key(shape, [row[name] for name in shape.who], row[shape.time])
        for row in plain_rows(contested)
    }
    resettle(connection, shape, keys)
    if isinstance(rows, MendedRows):
        _close(connection, import_id, [rows.mends.get(first) for first in rows.first[at].tolist()])


def _keep_quarantine_claims(connection: Connection, import_id: int, apart: pd.DataFrame) -> None:
    kept = apart[apart["kept"]]
    if kept.empty:
        return
    about = plain_rows(kept[["last_line", "column", "code", "message", "raw"]])
    frame = pd.DataFrame(
        {
            "line": kept["line"].to_numpy(),
            "record_id": kept["known"].to_numpy(),
            "record": [json.dumps(row, ensure_ascii=False) for row in about],
        }
    )
    add_rows(connection, schema.claims, frame.assign(import_id=import_id, kind=QUARANTINE))


def _close(
    connection: Connection, import_id: int, sources: "list[tuple[int, str, int] | None]"
) -> None:
    """Close the quarantined rows that sound rows of a corrected export mend."""
    known = _quarantined_at(connection, sources)
    kept = schema.quarantine.columns
    close = update(schema.quarantine).where(kept.id == bindparam("its"), kept.closed_at.is_(None))
    now = microseconds(datetime.now(UTC))
    rows = [{"its": known[source]} for source in dict.fromkeys(sources) if source in known]
    if rows:
        connection.execute(close.values(closed_by=import_id, closed_at=now), rows)


def _quarantined_at(
    connection: Connection, sources: "list[tuple[int, str, int] | None]"
) -> "dict[tuple[int, str, int] | None, int]":
    """Ids of the quarantined rows of some imports, files and lines."""
    kept, done = schema.quarantine.columns, schema.imports.columns
    query = (
        select(kept.id, kept.import_id, done.file_name, kept.line)
        .join_from(schema.quarantine, schema.imports, kept.import_id == done.id)
        .where(kept.import_id == bindparam("its"))
    )
    return {
        (row.import_id, row.file_name, row.line): row.id
        for number in {source[0] for source in sources if source is not None}
        for row in connection.execute(query, {"its": number})
    }


def _known(
    connection: Connection, kind: Kind, rows: RawRows, frame: pd.DataFrame, import_id: int | None
) -> list[int]:
    """Ids of the quarantined rows that rows repeat or mend, -1 for none."""
    if frame.empty:
        return []
    known = [-1] * len(frame)
    if isinstance(rows, MendedRows):
        sources = [rows.mends.get(first) for first in frame["first"].tolist()]
        there = _quarantined_at(connection, sources)
        known = [there.get(source, -1) if source is not None else -1 for source in sources]
    done, kept = schema.imports.columns, schema.quarantine.columns
    query = (
        select(kept.id, kept.raw, kept.code)
        .join_from(
            schema.quarantine,
            schema.imports,
            and_(kept.import_id == done.id, done.kind == kind.name),
        )
        .where((done.header == header_text(rows.header)) | done.header.is_(None))
        .order_by(kept.id)
    )
    if len(frame) <= _FEW:
        query = query.where(kept.raw.in_(sorted(set(frame["raw"]))))
    if import_id is not None:
        said = schema.claims.columns
        taken = select(said.record_id).where(
            said.import_id == import_id, said.kind == QUARANTINE, said.record_id.is_not(None)
        )
        query = query.where(kept.import_id != import_id, kept.id.not_in(taken))
    twins: dict[tuple[str, str], list[int]] = defaultdict(list)
    for row in connection.execute(query):
        twins[row.raw, row.code].append(row.id)
    used = set(known)
    free = {twin: iter([one for one in ids if one not in used]) for twin, ids in twins.items()}
    for number, twin in enumerate(frame[["raw", "code"]].itertuples(index=False, name=None)):
        if known[number] < 0 and twin in free:
            known[number] = next(free[twin], -1)
    return known


def with_ids(
    connection: Connection,
    kind: Kind,
    rivals: pd.DataFrame,
    lines: Ints,
    import_id: int,
    after: int = 0,
) -> pd.DataFrame:
    """Name the stored row that each conflict within the file contradicts.

    Parameters
    ----------
    rivals : DataFrame
        From `conflict_frame`.
    lines : array of int64
        Physical line of every sound row.
    after : int
        No new record of these rows has a lower id.
    """
    within = (rivals["file_row"] >= 0).to_numpy()
    stored_id = rivals["stored_id"].to_numpy(np.int64).copy()
    if within.any():
        ids = _ids_by_line(connection, SHAPES[kind.name], import_id, after)
        stored_id[within] = [ids[lines[row]] for row in rivals["file_row"][within]]
    return rivals.drop(columns="file_row").assign(stored_id=stored_id)


def _ids_by_line(
    connection: Connection, shape: Shape, import_id: int, after: int
) -> dict[int, int]:
    columns = schema.RECORDS[shape.kind].columns
    query = select(columns.line, columns.id).where(
        columns.import_id == import_id, columns.id > after
    )
    return {row.line: row.id for row in connection.execute(query)}


def _documents(shape: Shape, frame: pd.DataFrame) -> list[str]:
    return [
        document(shape, {name: row[name] for name in shape.who}, row[shape.time], row)
        for row in plain_rows(frame)
    ]


def _texts(rows: RawRows, at: Ints) -> list[str]:
    pairs = zip(rows.first[at].tolist(), rows.last[at].tolist(), strict=True)
    return [_raw(rows, first, last) for first, last in pairs]


def _raw(rows: RawRows, first: int, last: int) -> str:
    return rows.raw(first, last) if isinstance(rows, MendedRows) else rows.lines.raw(first, last)
