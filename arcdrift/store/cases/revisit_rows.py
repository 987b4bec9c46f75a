"""Splices over the accepted limit that somebody should go back to, and those dealt with."""

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection, Engine, insert, select, update

from arcdrift.errors import UsageError
from arcdrift.instants import instant_at, microseconds
from arcdrift.store import schema
from arcdrift.store.cases.case_statements import MAX_NAME_LENGTH, MAX_TEXT_LENGTH
from arcdrift.store.database.connect import reading, writing

KNOWN_BY = ("splicer", "spliced_at", "location", "loss_db")
"""What the log says of a splice, by which it is known after its import was repeated."""


def read_revisit(engine: Engine) -> list[dict[str, Any]]:
    """Return the splices to revisit, newest first, with who ticked them off.

    Returns
    -------
    list of dict
        ``splice_id``, ``splicer``, ``program``, ``site``, ``location``, ``day``, ``spliced_at``
        (UTC), ``loss_db``, ``limit_db``, ``can_tell`` (whether the log shows if it was made
        again), ``state`` (``open``; ``made-again`` where a later splice at the place ticked it
        off; ``ticked-off`` by a person), ``made_again_at``, and of a person's tick
        ``ticked_off_by``, ``ticked_off_at``, ``note``.
    """
    with reading(engine) as connection:
        return _read(connection)


def _read(connection: Connection) -> list[dict[str, Any]]:
    table, ticks = schema.RESULTS["result_splices_to_revisit"], schema.revisited_splices
    rows = connection.execute(select(table)).mappings().all()
    ticked_off = connection.execute(
        select(ticks).where(ticks.columns.undone_at.is_(None)).order_by(ticks.columns.id)
    ).all()
    by_id = {row.splice_id: row for row in ticked_off}
    by_log = {tuple(getattr(row, name) for name in KNOWN_BY): row for row in ticked_off}
    found = []
    for row in rows:
        tick = by_log.get(tuple(row[name] for name in KNOWN_BY))
        if tick is None:
            tick = by_id.get(row["splice_id"])
        state = "ticked-off" if tick is not None else "made-again" if row["made_again"] else "open"
        again = row["made_again_at"]
        found.append(
            {name: row[name] for name in ("splice_id", "splicer", "program", "site", "location",
                                          "day", "loss_db", "limit_db")}
            | {
                "spliced_at": instant_at(row["spliced_at"]),
                "can_tell": bool(row["told"]),
                "state": state,
                "made_again_at": None if again is None else instant_at(again),
                "ticked_off_by": None if tick is None else tick.said_by,
                "ticked_off_at": None if tick is None else instant_at(tick.recorded_at),
                "note": None if tick is None else tick.note,
            }
        )  # fmt: skip
    return sorted(found, key=lambda row: (row["spliced_at"], row["splice_id"]), reverse=True)


def tick_off(engine: Engine, splice_id: int, said_by: str, note: str = "") -> dict[str, Any]:
    """Tick a splice off the list; return its row.

    Raises
    ------
    UsageError
        When it is not on the list, was ticked off before, or the name is missing.
    """
    said_by, note = said_by.strip(), note.strip()
    if not said_by:
        raise UsageError("Say who you are: ticking a splice off needs a name; give --by NAME.")
    if len(said_by) > MAX_NAME_LENGTH or len(note) > MAX_TEXT_LENGTH:
        raise UsageError(
            f"A name may be {MAX_NAME_LENGTH} and a note {MAX_TEXT_LENGTH:,} characters long."
        )
    with writing(engine) as connection:
        row = _listed(connection, splice_id)  # here, where nobody else can be quicker any more
        if row["state"] == "ticked-off":
            at = row["ticked_off_at"]
            raise UsageError(
                f"{row['ticked_off_by']} ticked splice {splice_id} off on {at.day} "
                f"{at:%b %Y, %H:%M} UTC; take that back with --undo first."
            )
        connection.execute(
            insert(schema.revisited_splices).values(
                splice_id=splice_id,
                splicer=row["splicer"],
                spliced_at=microseconds(row["spliced_at"]),
                location=row["location"],
                loss_db=row["loss_db"],
                note=note,
                said_by=said_by,
                recorded_at=microseconds(datetime.now(UTC)),
            )
        )
        return _listed(connection, splice_id)


def undo_tick(engine: Engine, splice_id: int, *, only_by: str | None = None) -> dict[str, Any]:
    """Put a splice back on the list; return its row.

    Parameters
    ----------
    only_by : str, optional
        The only person whose tick may be taken back.

    Raises
    ------
    UsageError
        When nobody ticked it off, or somebody whose tick may not be taken back.
    """
    ticks = schema.revisited_splices
    with writing(engine) as connection:
        row = _listed(connection, splice_id)
        by = row["ticked_off_by"]
        if row["state"] != "ticked-off":
            raise UsageError(f"Nobody has ticked splice {splice_id} off.")
        if only_by is not None and by != only_by:
            raise UsageError(
                f"{by} ticked it off, and only they, a trainer or a lead may put it back."
            )
        same = [
            ticks.columns.splicer == row["splicer"],
            ticks.columns.spliced_at == microseconds(row["spliced_at"]),
            ticks.columns.loss_db == row["loss_db"],
        ]
        connection.execute(
            update(ticks)
            .where(ticks.columns.undone_at.is_(None))
            .where((ticks.columns.splice_id == splice_id) | (same[0] & same[1] & same[2]))
            .values(undone_at=microseconds(datetime.now(UTC)))
        )
        return _listed(connection, splice_id)


def _listed(connection: Connection, splice_id: int) -> dict[str, Any]:
    for row in _read(connection):
        if row["splice_id"] == splice_id:
            return row
    raise UsageError(
        f"Splice {splice_id} is not on the list of splices to revisit; `arcdrift cases revisit` "
        "shows the list."
    )
