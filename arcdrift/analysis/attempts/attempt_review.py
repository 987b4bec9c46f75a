"""The part of a review on errors, holding, haste and splices made again: its result tables."""

import pandas as pd

from arcdrift.analysis.attempts.attempt_cells import NO_POSITION
from arcdrift.analysis.attempts.haste import haste
from arcdrift.analysis.attempts.hints.comparisons import UNNAMED, in_window
from arcdrift.analysis.attempts.hints.error_hints import error_hints
from arcdrift.analysis.attempts.hints.error_shares import error_shares
from arcdrift.analysis.attempts.holding import holding
from arcdrift.analysis.common.days import first_of_month_before
from arcdrift.analysis.common.grouping import text_to_category
from arcdrift.analysis.loss.stream_days import NO_PROGRAM
from arcdrift.analysis.loss.technician_days import NO_HOLDING
from arcdrift.settings import Crew

_NOT_LOGGED = (*UNNAMED, NO_PROGRAM, NO_HOLDING, NO_POSITION)


def review_attempts(
    cells: pd.DataFrame,
    blades: pd.DataFrame,
    errors: pd.DataFrame,
    stretches: pd.DataFrame,
    made_again: pd.DataFrame,
    crew: Crew,
    now: pd.Timestamp,
) -> dict[str, pd.DataFrame]:
    """Analyze what stops a crew's splices, and what it costs.

    Parameters
    ----------
    cells : DataFrame
        `arcdrift.analysis.loss.technician_days.aggregate_technician_days` of every splicer.
    blades, errors : DataFrame
        From `arcdrift.analysis.attempts.attempt_cells`, every splicer.
    stretches, made_again : DataFrame
        From the modules of these names, every splicer.

    Returns
    -------
    dict of DataFrame
        Rows by result table. Errors are those of the last quarter; holding and haste use the days
        that preparation uses (``[prep] window_days``).
    """
    start = first_of_month_before(now, crew.prep.window_days)

    def used(rows: pd.DataFrame) -> pd.DataFrame:
        if rows.empty:
            return rows
        return rows[rows["day"] >= start].reset_index(drop=True)

    shown = in_window(errors, now).rename(columns={"id": "splice_id"})
    for name in shown.columns.difference(["splice_id", "spliced_at", "day", "class"]):
        shown[name] = shown[name].mask(shown[name].isin(_NOT_LOGGED))
    # numbers of names are grouped much faster than the names
    cells, blades, errors, stretches = map(text_to_category, (cells, blades, errors, stretches))
    return {
        "result_error_hints": error_hints(cells, blades, errors, now),
        "result_error_shares": error_shares(cells, errors, now),
        "result_error_splices": shown,
        "result_holding": holding(used(cells)),
        "result_haste": haste(used(stretches)),
        "result_made_again": made_again,
    }
