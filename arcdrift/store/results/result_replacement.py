"""Replaces the results of the last analysis, all in one transaction."""

from collections.abc import Iterable, Mapping

import pandas as pd
from sqlalchemy import Engine

from arcdrift.case import KeptCase
from arcdrift.errors import StoreTrouble
from arcdrift.store import schema
from arcdrift.store.cases.kept_cases import keep_cases
from arcdrift.store.database.connect import writing
from arcdrift.store.database.insert_rows import inserting_together
from arcdrift.store.results.result_parts import replace_table, stored_parts
from arcdrift.store.results.result_rows import analysis_mark
from arcdrift.store.results.saved_summary import (
    SavedSummary,
    keep_chart_states,
    replace_saved_summary,
)


class ResultsReplaced(StoreTrouble):
    """Another analysis was stored since this one began to read."""


def replace_results(
    engine: Engine,
    frames: Mapping[str, pd.DataFrame],
    saved: SavedSummary | None = None,
    changes: Mapping[tuple[str, int], int] | None = None,
    kept_cases: Iterable[KeptCase] = (),
    chart_states: Mapping[str, bytes] | None = None,
    *,
    instead_of: str | None = None,
) -> None:
    """Replace the results of the last analysis in one transaction.

    Parameters
    ----------
    frames : mapping of str to DataFrame
        Rows by result table name (`arcdrift.store.schema.RESULTS`); a result table that is
        left out ends up empty. Columns that the table does not have are not stored.
    saved : SavedSummary, optional
        Summary of past days to keep instead of the present one; by default that one stays.
    changes : mapping, optional
        Changes that it contains (`arcdrift.store.results.saved_summary.RecordMarks`).
    kept_cases : iterable of KeptCase
        What is kept of the cases found.
    chart_states : mapping of str to bytes, optional
        New states of charts to keep (`arcdrift.analysis.common.chart_states`).
    instead_of : str, optional
        Mark of the analysis that was the last one when this one began to read
        (`arcdrift.store.results.result_rows.analysis_mark`).

    Raises
    ------
    ResultsReplaced
        When `instead_of` is no longer the last one: it may have read newer records, and what it
        kept of past days is not what this one built on.
    """
    unknown = sorted(set(frames) - set(schema.RESULTS))
    if unknown:
        raise ValueError(f"not a result table: {', '.join(unknown)}")
    with writing(engine) as connection:
        if instead_of is not None and analysis_mark(connection) != instead_of:
            raise ResultsReplaced(
                "Another analysis of this crew was stored meanwhile; nothing of this one is. Run "
                "`arcdrift analyze` again."
            )
        known = stored_parts(connection)
        with inserting_together(connection) as insert:
            for name, table in schema.RESULTS.items():
                frame = stored_columns(name, frames[name]) if name in frames else None
                replace_table(connection, table, frame, known.get(name, {}), insert)
        if saved is not None:
            replace_saved_summary(connection, saved, changes or {})
        keep_cases(connection, kept_cases)
        keep_chart_states(connection, chart_states or {})


def stored_columns(table_name: str, frame: pd.DataFrame) -> pd.DataFrame:
    """Keep the columns of a frame that the table has, in the table's order."""
    columns = schema.RESULTS[table_name].columns.keys()
    return frame[[name for name in columns if name in frame.columns]]
