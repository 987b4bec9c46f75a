"""Tables of the store: records, annotations, and the results of the last analysis.

Results are replaced as a whole by each analysis. They can be computed again from the records and
need no migration: when their definition has changed, `arcdrift.store.upgrade` drops them and
makes them anew.
"""

from sqlalchemy import Table

from arcdrift.store.schema import loss_results, machine_results, people_results, run_results
from arcdrift.store.schema.annotations import baseline_marks, clock_shifts, coaching
from arcdrift.store.schema.columns import metadata, result_metadata
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
from arcdrift.store.schema.run_results import result_definitions

_RESULT_MODULES = (loss_results, machine_results, people_results, run_results)
"""Importing them declares the tables."""

RESULTS: dict[str, Table] = dict(result_metadata.tables)
"""Result tables by name."""

__all__ = [
    "QUARANTINE",
    "RECORDS",
    "RESULTS",
    "TIME_COLUMN",
    "arc_checks",
    "baseline_marks",
    "clock_shifts",
    "coaching",
    "conflicts",
    "imports",
    "imports_in_progress",
    "metadata",
    "quarantine",
    "readings",
    "result_definitions",
    "result_metadata",
    "service",
    "source_rows",
    "splices",
    "watched",
]
