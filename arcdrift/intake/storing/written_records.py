"""Store what a person writes down by hand: a check, a service event, a remark.

It is read like a file of one row, by the same code, and refused as a whole where that row would
be quarantined. Stored, it is an import of its own, which can be undone; its row is a record, or
joins the record that a log has of the same event (`arcdrift.store.events.written_joins`).
"""

import csv
import hashlib
import io
import json
import re
import time
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import Any, Literal
from zoneinfo import ZoneInfo

import numpy as np
from sqlalchemy import Connection, Engine, insert, select, update

from arcdrift.errors import BadInput
from arcdrift.instants import instant_at, microseconds
from arcdrift.intake.schema.kinds import KINDS, SERVICE
from arcdrift.intake.schema.problems import ProblemGroup
from arcdrift.intake.text.raw_rows import read_rows
from arcdrift.intake.typing.convert import convert
from arcdrift.settings import Crew
from arcdrift.store import schema
from arcdrift.store.annotations.annotation_rows import MAX_TEXT_LENGTH
from arcdrift.store.database.connect import Waiting, writing
from arcdrift.store.database.fetch import fetch_within
from arcdrift.store.events.event_candidates import keys_of_rows, stored_values
from arcdrift.store.events.rebuild_records import rebuild_records
from arcdrift.store.events.record_matching import MINUTE_US, RECORD_IDENTITIES
from arcdrift.store.imports.import_list import add_import

Outcome = Literal["accepted", "already_stored", "conflicting"]
WrittenKind = Literal["arc-checks", "service", "remarks"]
MAX_NAME_LENGTH = 100
"""Most characters of a name."""
MAX_AHEAD = timedelta(minutes=5)
"""What is written down has happened; clocks of phones may be ahead by this much."""
_CLOCK = re.compile(r"\d{1,2}:\d{2}")
_MAX_WAIT_S = 60.0
_LINE = 1
_SAME = ("outcome", "arc_setting", "arc_count", "action", "remark")
"""Columns that tell two rows of one subject and minute apart; a remark only where it is alone."""


class RefusedRecord(BadInput):
    """What was written down cannot be stored.

    Attributes
    ----------
    problems : dict of str to str
        A sentence by column.
    """

    def __init__(self, problems: dict[str, str]) -> None:
        super().__init__(" ".join(dict.fromkeys(problems.values())))
        self.problems = problems


@dataclass(frozen=True)
class WrittenReport:
    """What became of something that was written down.

    Attributes
    ----------
    import_id : int
        Its number in the list of imports; of an entry written down before, that one's.
    kind : str
        ``arc-checks``, ``service`` or ``remarks``.
    subject : str
        Splicer or other asset.
    happened_at : datetime
        UTC.
    outcome : str
        ``accepted``: it is a record; ``already_stored``: a log has the same event, or it was
        written down before; ``conflicting``: a log has the same event with other values.
    log : str
        Name of the log that has the same event; empty for none.
    logged_at : datetime, optional
        Its time there, UTC.
    repeated : bool
        Whether the same was written down before; then nothing is stored.
    differs : dict
        Columns whose values differ from the log: value in the log, value written down.
    """

    import_id: int
    kind: str
    subject: str
    happened_at: datetime
    outcome: Outcome
    log: str = ""
    logged_at: datetime | None = None
    repeated: bool = False
    differs: Mapping[str, tuple[Any, Any]] | None = None


def write_down(
    engine: Engine,
    crew: Crew,
    kind: WrittenKind,
    cells: Mapping[str, str],
    *,
    by: str,
    now: datetime | None = None,
    waiting: Waiting | None = None,
    max_wait_s: float = _MAX_WAIT_S,
) -> WrittenReport:
    """Store what a person wrote down, whole or not at all.

    Parameters
    ----------
    kind : str
        ``arc-checks``, ``service``, or ``remarks`` for a remark alone, which has the columns of
        service without an action.
    cells : mapping of str to str
        Text by column, as in a file of that kind; empty cells count as left out.
    by : str
        Who writes it down.
    now : aware datetime, optional
        Later times are refused; default the wall clock.
    waiting : callable, optional
        Called once when another writer, such as an import, must be waited for.
    max_wait_s : float
        Longest wait for another writer, in seconds.

    Raises
    ------
    RefusedRecord
        With a sentence by column where a file's row would be quarantined; nothing is stored.
    StoreTrouble
        When the store cannot be written, or another writer takes too long.
    """
    started, began = datetime.now(UTC), time.perf_counter()
    by = " ".join(by.split())
    values = typed_row(crew, kind, cells, by=by, now=now or started)
    about = SERVICE if kind == schema.REMARKS else KINDS[kind]
    subject, time_us = values.pop(about.owner_column), values.pop(about.time_column)
    document = json.dumps(values, ensure_ascii=False)
    with writing(engine, waiting, max_wait_s=max_wait_s) as connection:
        known = _written_before(connection, kind, subject, time_us, values)
        if known is not None:
            return WrittenReport(
                known, kind, subject, instant_at(time_us), "already_stored", repeated=True
            )
        import_id = add_import(
            connection,
            {
                "file_name": f"written by {by}",
                "sha256": hashlib.sha256(
                    json.dumps([kind, subject, time_us, by, document]).encode()
                ).hexdigest(),
                "size_bytes": len(document.encode()),
                "kind": kind,
                "given": json.dumps([about.owner_column, about.time_column, *values]),
                "to_the_second": True,
                "started_at": microseconds(started),
                "seconds": time.perf_counter() - began,
                "lines": 1,
                "other_lines": 0,
                "rows": 1,
                "accepted": 1,
                "already_stored": 0,
                "conflicting": 0,
                "quarantined": 0,
                "line_counts": json.dumps({"header": 0, "blank": 0, "skipped": 0, "row_lines": 1}),
                "judged_at": microseconds(started),
            },
        )
        entry = {
            "import_id": import_id,
            "kind": kind,
            "subject": subject,
            "happened_at": time_us,
            "record": document,
            "written_by": by,
        }
        connection.execute(insert(schema.written).values(**entry))
        report = WrittenReport(import_id, kind, subject, instant_at(time_us), "accepted")
        if kind == schema.REMARKS:
            return report
        _store_record(connection, kind, import_id, subject, time_us, values)
        return _with_outcome(connection, report)


def time_cell(text: str, now: datetime, zone: ZoneInfo | None) -> str:
    """Complete a time that a person types: nothing means now, a time of day alone means today.

    Parameters
    ----------
    now : aware datetime
        What nothing stands for.
    zone : ZoneInfo, optional
        Whose day today is.
    """
    text = text.strip()
    if not text or text.lower() == "now":
        return now.astimezone(UTC).isoformat(timespec="seconds")
    if _CLOCK.fullmatch(text):
        return f"{now.astimezone(zone or UTC).date().isoformat()} {text.zfill(5)}"
    return text


def typed_row(
    crew: Crew, kind: WrittenKind, cells: Mapping[str, str], *, by: str, now: datetime
) -> dict[str, Any]:
    """Type one row as a file's row is typed; values as stored, of the columns that are filled.

    Raises
    ------
    RefusedRecord
        With a sentence by column.
    BadInput
        When a time has no offset and no time zone is known.
    """
    filled = {name: text.replace("\0", " ").strip() for name, text in cells.items()}
    filled = {name: text for name, text in filled.items() if text}
    problems = _own_problems(kind, filled, by)
    about = SERVICE if kind == schema.REMARKS else KINDS[kind]
    if kind == schema.REMARKS:
        filled["action"] = "other"
    filled |= {column: filled.get(column, "") for need in about.needs for column in need}
    buffer = io.StringIO()
    writer = csv.writer(buffer)
    writer.writerows([list(filled), list(filled.values())])
    rows = read_rows(buffer.getvalue().encode(), f"what {by} wrote", delimiter=",")
    typed = convert(rows, about, None, crew, now=now, file=f"what {by} wrote down")
    found: list[ProblemGroup] = typed.problems.groups(np.ones(1, np.int64), np.ones(1, bool))
    for problem in found:
        problems.setdefault(problem.column, problem.message)
        if problem.code == "time-ambiguous":
            readings = _both_readings(crew, filled, about.time_column)
            problems[problem.column] = f"{problem.message} {readings}"
    row = stored_values(typed.frame)[0]
    time_us = row[about.time_column]
    if time_us is not None and about.time_column not in problems:
        if time_us > microseconds(now + MAX_AHEAD):
            problems[about.time_column] = (
                f"{about.time_column} {filled[about.time_column]!r} has not come yet; write down "
                "what was done, not what is planned."
            )
    if problems:
        raise RefusedRecord(problems)
    if kind == schema.REMARKS:
        row.pop("action")
    return {name: value for name, value in row.items() if value is not None}


def _own_problems(kind: str, filled: Mapping[str, str], by: str) -> dict[str, str]:
    problems = {}
    if not by:
        problems["by"] = "Say who writes it down."
    elif len(by) > MAX_NAME_LENGTH:
        problems["by"] = f"A name may be {MAX_NAME_LENGTH} characters long."
    if kind == schema.REMARKS and "remark" not in filled:
        problems["remark"] = "Write the remark."
    for name, text in filled.items():
        if len(text) > MAX_TEXT_LENGTH:
            problems[name] = f"{name} may be {MAX_TEXT_LENGTH:,} characters long."
    return problems


def _both_readings(crew: Crew, filled: Mapping[str, str], column: str) -> str:
    """What a time of the hour that came twice can mean."""
    splicer = crew.splicers.get(filled.get("splicer") or filled.get("asset") or "")
    zone = crew.zone_of(filled.get("site") or (splicer.home_site if splicer else None))
    if zone is None:
        return ""
    local = datetime.fromisoformat(filled[column]).replace(tzinfo=ZoneInfo(zone))
    first, second = (local.replace(fold=fold) for fold in (0, 1))
    return (
        f"Write {first.isoformat(timespec='minutes')} for the first ({first:%Z}), "
        f"{second.isoformat(timespec='minutes')} for the second ({second:%Z})."
    )


def _written_before(
    connection: Connection, kind: str, subject: str, time_us: int, values: Mapping[str, Any]
) -> int | None:
    """Number of the entry in which the same was written down for the same minute."""
    written, imports = schema.written.columns, schema.imports.columns
    minute = time_us - time_us % MINUTE_US
    query = (
        select(written.import_id, written.record)
        .join_from(schema.written, schema.imports, written.import_id == imports.id)
        .where(
            written.kind == kind,
            written.subject == subject,
            written.happened_at.between(minute, minute + MINUTE_US - 1),
            imports.undone_at.is_(None),
        )
        .order_by(written.id)
    )
    compared = _SAME if kind == schema.REMARKS else _SAME[:-1]
    for row in connection.execute(query):
        record = json.loads(row.record)
        if all(record.get(name) == values.get(name) for name in compared):
            return int(row.import_id)
    return None


def _store_record(
    connection: Connection,
    kind: str,
    import_id: int,
    subject: str,
    time_us: int,
    values: Mapping[str, Any],
) -> None:
    """Store a row as a record of its own, then join it with what logs have of the same event."""
    identity, table = RECORD_IDENTITIES[kind], schema.RECORDS[kind]
    row = {identity.subject[0]: subject, identity.time: time_us, **values}
    origin = {"import_id": import_id, "line": _LINE}
    connection.execute(insert(table).values(**row, **origin))
    reader = partial(fetch_within, connection, order=["id"])
    rebuild_records(connection, identity, keys_of_rows(reader, identity, [row]))


def _with_outcome(connection: Connection, report: WrittenReport) -> WrittenReport:
    """Look where the row of an entry is now; count it in its import."""
    kind, table = report.kind, schema.RECORDS[report.kind]
    rows, conflicts = schema.source_rows.columns, schema.conflicts.columns
    imports, time = schema.imports.columns, table.columns[schema.TIME_COLUMN[report.kind]]
    outcome: Outcome = "accepted"
    found: Any = None
    differs = None
    for name, query in (
        (
            "already_stored",
            select(rows.record_id).where(rows.kind == kind, rows.import_id == report.import_id),
        ),
        (
            "conflicting",
            select(conflicts.stored_id, conflicts.differs).where(
                conflicts.import_id == report.import_id
            ),
        ),
    ):
        found = connection.execute(query).first()
        if found is not None:
            outcome = "already_stored" if name == "already_stored" else "conflicting"
            differs = json.loads(found[1]) if name == "conflicting" else None
            break
    if found is None:
        return report
    log = connection.execute(
        select(imports.file_name, time)
        .join_from(table, schema.imports, table.columns.import_id == imports.id)
        .where(table.columns.id == found[0])
    ).one()
    connection.execute(
        update(schema.imports)
        .where(imports.id == report.import_id)
        .values(accepted=0, **{outcome: 1})
    )
    return WrittenReport(
        report.import_id,
        kind,
        report.subject,
        report.happened_at,
        outcome,
        log=log[0],
        logged_at=instant_at(log[1]),
        differs=differs,
    )
