"""Whose records are new or changed since they were read, told without reading them again."""

from typing import NamedTuple

from sqlalchemy import Connection, Engine, func, select

from arcdrift.record_subjects import Subjects
from arcdrift.store import schema
from arcdrift.store.database.connect import reading

MOST_NEW_ROWS = 50_000
"""New rows of a kind of record that are looked through; after more, records of all have changed."""


class RecordsMark(NamedTuple):
    """State of the records; another one after every change that a reader of records can see.

    Attributes
    ----------
    newest_ids : tuple of int
        Highest id given to a record, for each kind in the order of `schema.RECORDS`.
    changes : int
        How often a record was changed or deleted since the last analysis.
    shifts : frozenset of (int, str)
        Clock shifts in force: id, splicer.
    """

    newest_ids: tuple[int, ...]
    changes: int
    shifts: frozenset[tuple[int, str]]

    def is_before(self, later: "RecordsMark") -> bool:
        """Whether `subjects_between` can tell what was added from this mark to another."""
        return self.changes == later.changes and all(
            old <= new for old, new in zip(self.newest_ids, later.newest_ids, strict=True)
        )


def records_mark(engine: Engine) -> RecordsMark:
    """Return the mark of the records as they are now."""
    newest = [
        select(func.max(table.columns.id)).scalar_subquery() for table in schema.RECORDS.values()
    ]
    changes = select(func.sum(schema.changed_days.columns.version)).scalar_subquery()
    shifts = schema.clock_shifts.columns
    in_force = select(shifts.id, shifts.splicer).where(shifts.undone_at.is_(None))
    with reading(engine) as connection:
        *ids, changed = connection.execute(select(*newest, changes)).one()
        return RecordsMark(
            tuple(int(number or 0) for number in ids),
            int(changed or 0),
            frozenset((row.id, row.splicer) for row in connection.execute(in_force)),
        )


def subjects_between(engine: Engine, earlier: RecordsMark, now: RecordsMark) -> Subjects | None:
    """Return what the records are about that were added, or got other times, since a mark.

    An ordinary import adds records; ids rise in the order in which imports are stored.

    Parameters
    ----------
    now : RecordsMark
        The present mark, of the same analysis.

    Returns
    -------
    Subjects or None
        None where it may be any: records were changed or deleted, or very many were added.
    """
    added = [new - old for old, new in zip(earlier.newest_ids, now.newest_ids, strict=True)]
    if not earlier.is_before(now) or max(added) > MOST_NEW_ROWS:
        return None
    assets: set[str] = set()
    sites: set[str] = set()
    stations: set[str] = set()
    found = {
        "splicer": assets, "asset": assets, "cleaver": assets, "site": sites, "station": stations,
    }  # fmt: skip
    # the site of a check or a splice matters to its own splicer alone
    named = {
        "arc-checks": ("splicer",),
        "splices": ("splicer", "cleaver"),
        "readings": ("splicer", "site", "station"),
        "service": ("asset",),
    }
    with reading(engine) as connection:
        for (kind, table), newest, count in zip(
            schema.RECORDS.items(), earlier.newest_ids, added, strict=True
        ):
            if not count:
                continue
            columns = [table.columns[name] for name in named[kind]]
            query = select(*columns).where(table.columns.id > newest).distinct()
            for row in connection.execute(query):
                for name, value in zip(named[kind], row, strict=True):
                    if value is not None:
                        found[name].add(value)
        moved = {splicer for _, splicer in earlier.shifts ^ now.shifts}
        assets |= moved | _cleavers_with(connection, moved)
    return Subjects(frozenset(assets), frozenset(sites), frozenset(stations))


def _cleavers_with(connection: Connection, splicers: set[str]) -> set[str]:
    """Cleavers that were ever used with some splicers."""
    t = schema.splices.columns
    query = select(t.cleaver).where(t.splicer.in_(sorted(splicers)), t.cleaver.is_not(None))
    return set(connection.execute(query.distinct()).scalars()) if splicers else set()
