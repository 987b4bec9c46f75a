"""Reads what rows say of the same splicer's minute, or the same place's instant, together."""

import json
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pandas as pd
from sqlalchemy import ColumnElement, Select, or_, select

from arcdrift.store import schema
from arcdrift.store.record_matching import MINUTE_US, Claim, Shape, Values
from arcdrift.times import microseconds

Reader = Callable[[Select[Any]], pd.DataFrame]
"""Runs a query on the store and returns its rows as a frame by id."""

_GAP_US = 7 * 86_400_000_000
_GAP_IDS = 1000
_MOST_RANGES = 40


@dataclass
class Group:
    """What the store holds of one splicer's minute, or one place's instant.

    Attributes
    ----------
    records : dict of int to dict
        Stored rows by id, their time in microseconds, None for missing.
    claims : list of Claim
        What every row that speaks of them says, the owners of the records among them.
    conflicts, claim_ids : list
        Rows of the conflicts table, and ids of rows of the claims table.
    """

    who: Values
    records: dict[int, dict[str, Any]] = field(default_factory=dict)
    claims: list[Claim] = field(default_factory=list)
    conflicts: list[dict[str, Any]] = field(default_factory=list)
    claim_ids: list[int] = field(default_factory=list)


@dataclass(frozen=True)
class Source:
    """What has to be known of an import to read its rows again."""

    given: tuple[str, ...]
    exact: bool


def group_key(shape: Shape, who: Sequence[Any], at: int) -> tuple[Any, ...]:
    """Whose and when: rows with another key never meet."""
    return (*who, at - at % MINUTE_US if shape.repeats else at)


def sources_of(read: Reader, shape: Shape) -> dict[int, Source]:
    """Every import of a kind; one that did not say what its file has is taken to have all."""
    done = schema.imports.columns
    query = select(done.id, done.given, done.to_the_second).where(done.kind == shape.kind)
    every = tuple(schema.RECORDS[shape.kind].columns.keys())
    return {
        row["id"]: Source(
            every if row["given"] is None else tuple(json.loads(row["given"])),
            row["to_the_second"] is not False and row["to_the_second"] != 0,
        )
        for row in plain_rows(read(query))
    }


def keys_of(read: Reader, shape: Shape, ids: Collection[int]) -> set[tuple[Any, ...]]:
    """Keys of the groups that some stored records belong to."""
    if not ids:
        return set()
    table = schema.RECORDS[shape.kind]
    wanted = [table.columns.id, table.columns[shape.time], *(table.columns[n] for n in shape.who)]
    query = select(*wanted).where(among(table.columns.id, ids))
    frame = read(query)
    return {
        group_key(shape, [row[name] for name in shape.who], row[shape.time])
        for row in plain_rows(frame[frame["id"].isin(list(ids))])
    }


def load(read: Reader, shape: Shape, keys: Collection[tuple[Any, ...]]) -> dict[Any, Group]:
    """Read the groups with these keys, those without a record left out."""
    groups: dict[Any, Group] = {}
    if not keys:
        return groups
    table = schema.RECORDS[shape.kind]
    at = np.array([key[-1] for key in keys], np.int64)
    names = {n: {key[i] for key in keys} for i, n in enumerate(shape.who)}
    frame = read(select(table).where(within(shape, names, at)))
    times = frame[shape.time].astype("int64")
    frame = frame[(times - times % MINUTE_US if shape.repeats else times).isin(at)]
    of_record: dict[int, Group] = {}
    for row in plain_rows(frame):
        who = [row[name] for name in shape.who]
        key = group_key(shape, who, row[shape.time])
        if key in keys:
            group = groups.setdefault(key, Group(dict(zip(shape.who, who, strict=True))))
            group.records[row["id"]] = row
            of_record[row["id"]] = group
    if of_record:
        _add_claims(read, shape, of_record)
    return groups


def _add_claims(read: Reader, shape: Shape, of_record: Mapping[int, Group]) -> None:
    sources = sources_of(read, shape)
    said, apart = schema.claims.columns, schema.conflicts.columns
    query = select(schema.claims).where(among(said.record_id, of_record, said.kind == shape.kind))
    own: set[tuple[int, int]] = set()
    for row in _those(read(query), "record_id", of_record):
        group, record = of_record[row["record_id"]], None
        if row["record"] is None:
            record = group.records[row["record_id"]]
            at = record[shape.time]
            source = sources[row["import_id"]]
            at = at if source.exact or not shape.repeats else at - at % MINUTE_US
        else:
            record = json.loads(row["record"])
            at = microseconds(datetime.fromisoformat(record[shape.time]))
        own.add((row["import_id"], row["line"]))
        group.claim_ids.append(row["id"])
        group.claims.append(_claim(shape, row, row["record_id"], record, at, sources))
    kinds = schema.imports.columns
    query = (
        select(schema.conflicts)
        .join_from(schema.conflicts, schema.imports, apart.import_id == kinds.id)
        .where(among(apart.stored_id, of_record, kinds.kind == shape.kind))
    )
    for row in _those(read(query), "stored_id", of_record):
        group = of_record[row["stored_id"]]
        record = json.loads(row["record"])
        at = microseconds(datetime.fromisoformat(record[shape.time]))
        group.conflicts.append(row)
        group.claims.append(_claim(shape, row, row["stored_id"], record, at, sources))
    for number, group in of_record.items():
        record = group.records[number]
        if (record["import_id"], record["line"]) not in own:
            at = record[shape.time]
            group.claims.append(_claim(shape, record, number, record, at, sources))


def says(shape: Shape, values: Values, given: Iterable[str]) -> dict[str, Any]:
    """What a row says: the columns its file has, but whose it is and when."""
    apart = {*shape.who, shape.time}
    return {name: values.get(name) for name in given if name not in apart and name in values}


def document(shape: Shape, who: Values, at: int, values: Values) -> str:
    """A whole row as JSON, its numbers to the last digit."""
    when = datetime.fromtimestamp(at // 1_000_000, UTC).replace(microsecond=at % 1_000_000)
    origin = ("id", "import_id", "line")
    names = [name for name in schema.RECORDS[shape.kind].columns.keys() if name not in origin]
    whole = {**dict.fromkeys(names), **values, **who}
    whole[shape.time] = when.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    return json.dumps({name: whole[name] for name in names}, ensure_ascii=False)


def plain_rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows of a frame as the store keeps them: microseconds, and None for missing."""
    if frame.empty:
        return []
    columns = {}
    for name in frame.columns:
        values = frame[name]
        if isinstance(values.dtype, pd.DatetimeTZDtype):
            missing = values.isna()
            values = values.dt.as_unit("us").astype("int64").astype(object).mask(missing, None)
        else:
            values = values.astype(object).where(values.notna(), None)
        columns[str(name)] = values.tolist()
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def within(
    shape: Shape, names: Mapping[str, Collection[Any]], at: "np.ndarray[Any, Any]"
) -> ColumnElement[bool]:
    """Condition for stored rows of the same splicers or places around some times."""
    table = schema.RECORDS[shape.kind]
    whose = [name for name in ("site", "splicer", "asset") if name in shape.who]
    theirs = [
        table.columns[name].in_(sorted(known))
        for name in whose
        if (known := {one for one in names[name] if isinstance(one, str)})
    ]
    when = table.columns[shape.time]
    in_range = [
        when.between(first - first % MINUTE_US, last - last % MINUTE_US + MINUTE_US - 1)
        for first, last in _ranges(at, _GAP_US)
    ]
    # spelled out for each range, or the index by name and time serves for the name only
    return or_(*(one & of_them for one in in_range for of_them in theirs))


def among(
    column: ColumnElement[Any], ids: Iterable[int], also: ColumnElement[bool] | None = None
) -> ColumnElement[bool]:
    """Condition for the ids and few others near them; what is asked besides goes to each range."""
    ranges = _ranges(np.fromiter(ids, np.int64), _GAP_IDS)
    near = (column.between(first, last) for first, last in ranges)
    return or_(*(near if also is None else (also & one for one in near)))


def _ranges(at: "np.ndarray[Any, Any]", gap: int) -> list[tuple[int, int]]:
    """Ranges that some times or ids fall in, so that a stray one does not span the whole store."""
    times = np.sort(at)
    gaps = np.diff(times)
    wide = np.flatnonzero(gaps > gap)
    if len(wide) >= _MOST_RANGES:
        wide = np.sort(wide[np.argsort(gaps[wide])[-(_MOST_RANGES - 1) :]])
    first = times[np.concatenate([[0], wide + 1])]
    last = times[np.concatenate([wide, [len(times) - 1]])]
    return list(zip(first.tolist(), last.tolist(), strict=True))


def _those(frame: pd.DataFrame, column: str, ids: Mapping[int, Any]) -> list[dict[str, Any]]:
    return plain_rows(frame[frame[column].isin(list(ids))])


def _claim(
    shape: Shape,
    row: Values,
    anchor: int,
    record: Values,
    at: int,
    sources: Mapping[int, Source],
) -> Claim:
    source = sources[row["import_id"]]
    return Claim(
        order=(row["import_id"], row["line"]),
        exact=source.exact,
        at=at,
        says=says(shape, record, source.given),
        anchor=anchor,
        raw=row.get("raw") or "",
    )
