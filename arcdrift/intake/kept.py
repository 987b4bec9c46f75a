"""Rows kept apart: the quarantine and the conflicts of one import."""

import json
from collections import Counter
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from sqlalchemy import Connection, select

from arcdrift.intake.convert import Typed
from arcdrift.intake.dedupe import CONFLICT, Fates
from arcdrift.intake.kinds import Kind
from arcdrift.intake.problems import SENTENCES, Bools, Ints, ProblemGroup
from arcdrift.intake.reader import RawRows
from arcdrift.store import schema


def quarantine_frame(
    connection: Connection, kind: Kind, rows: RawRows, typed: Typed
) -> pd.DataFrame:
    """Rows with problems as the quarantine keeps them, with whether each is kept already.

    Returns
    -------
    DataFrame
        Columns of the quarantine table without its ids, and ``kept``: True for a row that an
        earlier import put there, so that importing a file again adds nothing.
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
        rows.lines.raw(first, last)
        for first, last in zip(frame["first"], frame["last"], strict=True)
    ]
    frame["line"] = frame.pop("first") + 1
    frame["last_line"] = frame.pop("last") + 1
    frame["kept"] = _kept_before(connection, kind, frame)
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
    connection: Connection, rows: RawRows, good: pd.DataFrame, at: Ints, fates: Fates
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
        Columns of the conflicts table without its ids; ``file_row``, the position in `good` of
        the row contradicted, -1 where it is a stored one; and ``kept``, as in the quarantine.
    """
    here = np.flatnonzero(fates.fate == CONFLICT)
    theirs = good.iloc[here]
    columns = [name for name in fates.stored.columns if name in good.columns]
    stored_id, file_row = fates.stored_id[here], fates.file_row[here]
    within = file_row >= 0
    ours = good.iloc[np.where(within, file_row, 0)][columns].reset_index(drop=True)
    if (~within).any():
        found = fates.stored[columns].loc[stored_id[~within]]
        ours = pd.concat([found.set_axis(np.flatnonzero(~within)), ours[within]]).sort_index()
    line, last = rows.first[at[here]], rows.last[at[here]]
    frame = pd.DataFrame(
        {
            "line": line + 1,
            "stored_id": stored_id,
            "file_row": file_row,
            "differs": _differences(ours, theirs[columns].reset_index(drop=True)),
            "record": _documents(theirs),
            "raw": [rows.lines.raw(*pair) for pair in zip(line, last, strict=True)],
        }
    )
    frame["kept"] = _conflicts_before(connection, frame)
    return frame


def _documents(frame: pd.DataFrame) -> list[str]:
    if frame.empty:
        return []
    text = frame.to_json(orient="records", lines=True, date_format="iso", date_unit="us")
    return str(text).strip("\n").split("\n")


def _differences(ours: pd.DataFrame, theirs: pd.DataFrame) -> list[str]:
    differs: list[dict[str, list[Any]]] = [{} for _ in range(len(ours))]
    for name in ours.columns:
        a, b = ours[name], theirs[name]
        changed = np.flatnonzero(~((a == b) | (a.isna() & b.isna())).to_numpy(bool))
        pairs = zip(changed.tolist(), _plain(a, changed), _plain(b, changed), strict=True)
        for row, *pair in pairs:
            differs[row][name] = pair
    return [json.dumps(one, ensure_ascii=False) for one in differs]


def _plain(values: pd.Series, rows: npt.NDArray[np.intp]) -> list[Any]:
    """The values of some rows, None for missing."""
    chosen = values.iloc[rows].astype(object)
    return chosen.where(chosen.notna(), None).tolist()


def _kept_before(connection: Connection, kind: Kind, frame: pd.DataFrame) -> Bools:
    """Which rows an earlier import of the same kind quarantined, each as often as it did."""
    if frame.empty:
        return np.zeros(0, bool)
    done, kept = schema.imports.columns, schema.quarantine.columns
    query = (
        select(kept.raw, kept.code)
        .join_from(schema.quarantine, schema.imports)
        .where(done.kind == kind.name)
    )
    return _seen(Counter(tuple(row) for row in connection.execute(query)), frame[["raw", "code"]])


def _conflicts_before(connection: Connection, frame: pd.DataFrame) -> Bools:
    ids = frame.loc[frame["stored_id"] >= 0, "stored_id"].unique()
    if len(ids) == 0:
        return np.zeros(len(frame), bool)
    kept = schema.conflicts.columns
    query = select(kept.stored_id, kept.record).where(
        kept.stored_id.between(int(ids.min()), int(ids.max()))
    )
    known = Counter(tuple(row) for row in connection.execute(query))
    return _seen(known, frame[["stored_id", "record"]])


def _seen(known: "Counter[tuple[Any, ...]]", frame: pd.DataFrame) -> Bools:
    seen = np.zeros(len(frame), bool)
    if known:
        for number, row in enumerate(frame.itertuples(index=False, name=None)):
            if known[row] > 0:
                known[row] -= 1
                seen[number] = True
    return seen
