"""Rows that contradict or repeat others, stored so that any import can be undone exactly."""

from functools import partial

import numpy as np
import pandas as pd
from sqlalchemy import Connection, select

from arcdrift.arrays import Ints
from arcdrift.intake.schema.kinds import Kind
from arcdrift.intake.storing.quarantine_rows import raw_text
from arcdrift.intake.storing.row_outcomes import CONFLICT, STORED, RowOutcomes
from arcdrift.intake.storing.staging import SoundRows
from arcdrift.intake.text.raw_rows import RawRows
from arcdrift.store import schema
from arcdrift.store.database.fetch import fetch_within
from arcdrift.store.database.insert_rows import add_rows
from arcdrift.store.events.event_candidates import keys_of_rows, row_json, stored_values
from arcdrift.store.events.rebuild_records import rebuild_records
from arcdrift.store.events.record_matching import RECORD_IDENTITIES, RecordIdentity


def store_conflicts(
    connection: Connection,
    kind: Kind,
    import_id: int,
    rows: SoundRows,
    outcomes: RowOutcomes,
    *,
    after: int,
) -> None:
    """Store the rows that contradict another one.

    Called once the new rows are stored. What differs stays open until `store_claims`.

    Parameters
    ----------
    after : int
        Highest id of a record before these rows were stored.
    """
    here = np.flatnonzero(outcomes.outcome == CONFLICT)
    position, lines = rows.position[here], rows.raw.first[rows.position] + 1
    conflicts = pd.DataFrame(
        {
            "line": lines[here],
            "stored_id": _stored_ids(connection, kind, import_id, lines, outcomes, after)[here],
            "differs": pd.Series("{}", index=range(len(here)), dtype="str"),
            "record": pd.Series(
                _documents(RECORD_IDENTITIES[kind.name], rows.frame.iloc[here]), dtype="str"
            ),
            "raw": pd.Series(_texts(rows.raw, position), dtype="str"),
        }
    )
    add_rows(connection, schema.conflicts, conflicts.assign(import_id=import_id))


def store_claims(
    connection: Connection,
    kind: Kind,
    import_id: int,
    rows: SoundRows,
    outcomes: RowOutcomes,
    *,
    after: int,
) -> None:
    """Store which rows repeat a stored one, and rebuild the records of contested minutes.

    Called once the new rows and the conflicts are stored.

    Parameters
    ----------
    after : int
        Highest id of a record before these rows were stored.
    """
    identity = RECORD_IDENTITIES[kind.name]
    lines = rows.raw.first[rows.position] + 1
    ids = _stored_ids(connection, kind, import_id, lines, outcomes, after)
    repeats = outcomes.outcome == STORED
    contested = np.flatnonzero(repeats & outcomes.contested)
    plain = np.flatnonzero(repeats & ~outcomes.contested)
    versions = {
        "record": _documents(identity, rows.frame.iloc[contested]),
        "raw": _texts(rows.raw, rows.position[contested]),
    }
    for here, columns in ((plain, {}), (contested, versions)):
        claims = pd.DataFrame({"line": lines[here], "record_id": ids[here], **columns})
        add_rows(connection, schema.source_rows, claims.assign(import_id=import_id, kind=kind.name))
    reader = partial(fetch_within, connection, order=["id"])
    names = [*identity.subject, identity.time]
    contested_rows = stored_values(rows.frame.loc[outcomes.contested, names])
    keys = keys_of_rows(reader, identity, contested_rows)
    rebuild_records(connection, identity, keys)


def _stored_ids(
    connection: Connection,
    kind: Kind,
    import_id: int,
    lines: Ints,
    outcomes: RowOutcomes,
    after: int,
) -> Ints:
    """Id of the record that each row repeats or contradicts, also where it is of the same file."""
    ids = outcomes.stored_id.copy()
    within_file = np.flatnonzero(outcomes.file_row >= 0)
    if len(within_file):
        columns = schema.RECORDS[kind.name].columns
        query = select(columns.line, columns.id).where(
            columns.import_id == import_id, columns.id > after
        )
        id_of_line = {row.line: row.id for row in connection.execute(query)}
        other_lines = lines[outcomes.file_row[within_file]].tolist()
        ids[within_file] = [id_of_line[line] for line in other_lines]
    return ids


def _documents(identity: RecordIdentity, frame: pd.DataFrame) -> list[str]:
    return [
        row_json(
            identity,
            {name: row[name] for name in identity.subject},
            row[identity.time],
            row,
        )
        for row in stored_values(frame)
    ]


def _texts(rows: RawRows, position: Ints) -> list[str]:
    first, last = rows.first[position].tolist(), rows.last[position].tolist()
    return [raw_text(rows, begin, end) for begin, end in zip(first, last, strict=True)]
