"""What people wrote down by hand, as a list: what, when, by whom, and what became of it."""

import json
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Engine, and_, select

from arcdrift.instants import instant_at
from arcdrift.settings import Crew
from arcdrift.store import schema
from arcdrift.store.database.connect import reading
from arcdrift.store.records.record_overview import read_splicers


@dataclass(frozen=True)
class WrittenEntry:
    """Something written down by hand that was not undone.

    Attributes
    ----------
    import_id : int
        Its number in the list of imports.
    kind : str
        ``arc-checks``, ``service`` or ``remarks``.
    subject : str
        Splicer or other asset.
    happened_at, written_at : datetime
        When it happened and when it was written down, UTC.
    values : dict
        The columns that were filled in.
    written_by : str
        Who wrote it down.
    in_log : bool
        Whether a log has the same event, which is one record with it.
    differs : bool
        Whether that log has other values, and nobody has chosen yet.
    """

    import_id: int
    kind: str
    subject: str
    happened_at: datetime
    written_at: datetime
    values: dict[str, Any]
    written_by: str
    in_log: bool
    differs: bool


def written_entries(
    engine: Engine, subjects: Collection[str] | None = None, *, most: int | None = None
) -> list[WrittenEntry]:
    """Read what was written down and not undone, the latest event first.

    Parameters
    ----------
    subjects : collection of str, optional
        Only of these splicers and assets.
    most : int, optional
        At most so many.
    """
    written, imports = schema.written.columns, schema.imports.columns
    rows, conflicts = schema.source_rows.columns, schema.conflicts.columns
    query = (
        select(
            schema.written,
            imports.started_at,
            rows.id.label("row_id"),
            conflicts.id.label("conflict_id"),
            conflicts.kept,
        )
        .join_from(schema.written, schema.imports, written.import_id == imports.id)
        .outerjoin(
            schema.source_rows,
            and_(rows.import_id == written.import_id, rows.kind == written.kind),
        )
        .outerjoin(schema.conflicts, conflicts.import_id == written.import_id)
        .where(imports.undone_at.is_(None))
        .order_by(written.happened_at.desc(), written.id.desc())
    )
    if subjects is not None:
        query = query.where(written.subject.in_(sorted(subjects)))
    if most is not None:
        query = query.limit(most)
    with reading(engine) as connection:
        return [
            WrittenEntry(
                import_id=row.import_id,
                kind=row.kind,
                subject=row.subject,
                happened_at=instant_at(row.happened_at),
                written_at=instant_at(row.started_at),
                values=json.loads(row.record),
                written_by=row.written_by,
                in_log=row.row_id is not None or row.conflict_id is not None,
                differs=row.conflict_id is not None and row.kept is None,
            )
            for row in connection.execute(query)
        ]


def written_imports(engine: Engine) -> frozenset[int]:
    """Numbers of the imports that were written down by hand, undone ones too."""
    with reading(engine) as connection:
        return frozenset(connection.execute(select(schema.written.columns.import_id)).scalars())


def assets(engine: Engine, crew: Crew) -> tuple[list[str], list[str]]:
    """Return the names of all splicers and of all cleavers on record or in the settings."""
    splicers = {*read_splicers(engine), *crew.splicers}
    blades, service = schema.RESULTS["result_blades"].columns.cleaver, schema.service.columns.asset
    with reading(engine) as connection:
        known = {
            name
            for column in (blades, service)
            for name in connection.execute(select(column).distinct()).scalars()
        }
    return sorted(splicers), sorted(known - splicers)
