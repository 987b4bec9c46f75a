"""What the Splicer page writes down by hand and lists: checks, service, remarks."""

from collections.abc import Collection, Mapping
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from sqlalchemy import Engine

from arcdrift.errors import UsageError
from arcdrift.intake.schema.kinds import KINDS, SERVICE
from arcdrift.intake.storing.written_records import (
    WrittenKind,
    WrittenReport,
    time_cell,
    write_down,
)
from arcdrift.settings import Crew
from arcdrift.store.imports.import_undo import undo_import
from arcdrift.store.records.record_overview import assessment_time
from arcdrift.store.records.written_entries import WrittenEntry, written_entries

MAX_WAIT_S = 10.0
"""Longest that a page waits for an import to end, in seconds."""


class WrittenDown:
    """Writes down, lists and undoes entries of one crew.

    Parameters
    ----------
    engine : Engine
        Of its store.
    """

    def __init__(self, engine: Engine, crew: Crew) -> None:
        self._engine, self._crew = engine, crew

    def write(
        self, kind: WrittenKind, cells: Mapping[str, str], *, when: str, by: str, zone: ZoneInfo
    ) -> WrittenReport:
        """Write something down (`arcdrift.intake.storing.written_records.write_down`).

        Parameters
        ----------
        cells : mapping of str to str
            As typed, without the time.
        when : str
            Time as typed, local in `zone`; empty for now.
        """
        now = assessment_time(self._engine, self._crew).to_pydatetime()
        about = KINDS.get(kind, SERVICE)
        return write_down(
            self._engine,
            self._crew,
            kind,
            {**cells, about.time_column: time_cell(when, now, zone)},
            by=by,
            now=max(now, datetime.now(UTC)),
            max_wait_s=MAX_WAIT_S,
        )

    def undo(self, number: int, *, only_by: str | None = None) -> WrittenEntry:
        """Undo an entry; return what it was.

        Parameters
        ----------
        only_by : str, optional
            Name of somebody who may undo own entries alone.

        Raises
        ------
        UsageError
            When there is no such entry, it was undone before, or it is another person's.
        """
        entries = {entry.import_id: entry for entry in written_entries(self._engine)}
        if number not in entries:
            raise UsageError(f"There is no entry {number} here; it was undone before.")
        if only_by is not None and entries[number].written_by != only_by:
            raise UsageError(
                f"Somebody else wrote entry {number}; only that person, a trainer or the lead can "
                "undo it."
            )
        undo_import(self._engine, number)
        return entries[number]

    def entries(self, subjects: Collection[str], most: int | None = None) -> list[WrittenEntry]:
        """Return what was written down about some splicers and cleavers, the latest first."""
        return written_entries(self._engine, subjects, most=most)
