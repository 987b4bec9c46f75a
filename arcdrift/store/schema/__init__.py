"""Tables of the store: records, annotations, and the results of the last analysis.

Results are replaced as a whole by each analysis. They can be computed again from the records and
need no migration: when their definition has changed, `arcdrift.store.database.upgrade` drops them
and makes them anew.
"""

from sqlalchemy import Table

from arcdrift.store.schema import (
    attempt_results,
    loss_results,
    machine_results,
    people_results,
    run_results,
)
from arcdrift.store.schema.accounts import ended_sign_ins, users
from arcdrift.store.schema.annotations import baseline_marks, clock_shifts, coaching
from arcdrift.store.schema.cases import case_statements, cases, revisited_splices
from arcdrift.store.schema.change_triggers import trigger_statements
from arcdrift.store.schema.columns import metadata, result_metadata
from arcdrift.store.schema.digests import digest_messages
from arcdrift.store.schema.records import (
    QUARANTINE,
    RECORDS,
    TIME_COLUMN,
    arc_checks,
    conflicts,
    imports,
    imports_in_progress,
    quarantine,
    readings,
    service,
    source_rows,
    splices,
    watched,
)
from arcdrift.store.schema.run_results import result_definitions, result_parts
from arcdrift.store.schema.saved_summary import changed_days, saved_summary
from arcdrift.store.schema.written import REMARKS, written

_RESULT_MODULES = (attempt_results, loss_results, machine_results, people_results, run_results)
"""Importing them declares the tables."""

DERIVED: dict[str, Table] = dict(result_metadata.tables)
"""Tables that can be computed again, by name."""
RESULTS: dict[str, Table] = {
    name: table
    for name, table in DERIVED.items()
    if table is not saved_summary and table is not result_parts
}
"""Result tables by name."""

__all__ = [
    "DERIVED",
    "QUARANTINE",
    "RECORDS",
    "REMARKS",
    "RESULTS",
    "TIME_COLUMN",
    "arc_checks",
    "baseline_marks",
    "case_statements",
    "cases",
    "changed_days",
    "clock_shifts",
    "coaching",
    "conflicts",
    "digest_messages",
    "ended_sign_ins",
    "imports",
    "imports_in_progress",
    "metadata",
    "quarantine",
    "readings",
    "result_definitions",
    "result_metadata",
    "result_parts",
    "revisited_splices",
    "saved_summary",
    "service",
    "source_rows",
    "splices",
    "trigger_statements",
    "users",
    "watched",
    "written",
]
