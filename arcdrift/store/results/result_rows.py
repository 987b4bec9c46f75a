"""Rows of the result tables: what the last analysis found.

What returns no frame does without pandas and Arrow: a command that only lists findings would
spend most of its time on loading them.
"""

from __future__ import annotations

import json
from datetime import datetime
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, Engine, Row, select, union_all

from arcdrift.finding import SEVERITY_ORDER
from arcdrift.instants import instant_at, microseconds
from arcdrift.store import schema
from arcdrift.store.database.connect import reading

if TYPE_CHECKING:
    import pandas as pd


def read_result(engine: Engine, table_name: str, **equals: Any) -> pd.DataFrame:
    """Read a result table, or its rows where columns equal the given values."""
    from arcdrift.store.database.fetch import fetch  # loads pandas and Arrow

    table = schema.RESULTS[table_name]
    query = select(table)
    for name, value in equals.items():
        query = query.where(table.columns[name] == value)
    return fetch(engine, query, order=table.primary_key.columns.keys())


def read_check_days(engine: Engine) -> list[dict[str, Any]]:
    """Return the rows of ``result_check_days`` by splicer and day, with instants in UTC."""
    table = schema.RESULTS["result_check_days"]
    with reading(engine) as connection:
        found = connection.execute(select(table)).mappings().all()
    # here, because databases differ in what comes first in the alphabet
    rows = sorted(found, key=lambda row: (row["splicer"], row["day"]))
    return [
        row
        | {
            name: None if row[name] is None else instant_at(row[name])
            for name in ("checked_at", "first_splice_at")
        }
        for row in map(dict, rows)
    ]


def last_analysis(engine: Engine) -> Row[Any] | None:
    """Return the row of ``analysis_run`` that tells of the last analysis; None without one."""
    table = schema.RESULTS["analysis_run"]
    with reading(engine) as connection:
        return connection.execute(select(table).order_by(table.columns.id.desc())).first()


def analysis_mark(connection: Connection) -> str:
    """Return a text that changes with every analysis that is stored; empty without one."""
    run = schema.RESULTS["analysis_run"].columns
    query = select(run.assessed_on, run.seconds, run.records_version).order_by(run.id.desc())
    row = connection.execute(query.limit(1)).first()
    return "" if row is None else " ".join(map(str, row))


def read_analysis_mark(engine: Engine) -> str:
    """Return the mark of the last analysis (`analysis_mark`), as it is now."""
    with reading(engine) as connection:
        return analysis_mark(connection)


def read_findings(
    engine: Engine,
    *,
    since: datetime | None = None,
    subject: str | None = None,
    kind: str | None = None,
) -> list[dict[str, Any]]:
    """Read findings in their JSON shape, by severity and then by last evidence, latest first.

    Parameters
    ----------
    since : aware datetime, optional
        Only findings with evidence at or after this instant.
    subject, kind : str, optional
        Only findings about this subject id, or of this kind.
    """
    table = schema.RESULTS["findings"]
    query = select(table.columns.severity, table.columns.until, table.columns.document)
    if since is not None:
        query = query.where(table.columns.until >= microseconds(since))
    if subject is not None:
        query = query.where(table.columns.subject_id == subject)
    if kind is not None:
        query = query.where(table.columns.kind == kind)
    with reading(engine) as connection:
        rows = connection.execute(query.order_by(table.columns.id)).all()
    rows = sorted(rows, key=lambda row: (SEVERITY_ORDER[row.severity], -row.until))
    return [json.loads(row.document) for row in rows]


def read_case_documents(engine: Engine) -> list[dict[str, Any]]:
    """Return what the last analysis found of each case, by id."""
    table = schema.RESULTS["result_cases"]
    with reading(engine) as connection:
        rows = connection.execute(select(table.columns.document).order_by(table.columns.id)).all()
    return [json.loads(row.document) for row in rows]


def read_technicians(engine: Engine) -> list[str]:
    """Names of all technicians in the results of the last analysis, sorted."""
    tables = (schema.RESULTS["result_person_days"], schema.RESULTS["result_check_days"])
    query = union_all(
        *(select(t.c.technician).where(t.c.technician.is_not(None)).distinct() for t in tables)
    )
    with reading(engine) as connection:
        return sorted({row.technician for row in connection.execute(query)})
