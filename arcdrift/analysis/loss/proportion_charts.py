"""CUSUM charts of the shares of dirty and redone splices, for streams and what they roll up to."""

import numpy as np
import pandas as pd

from arcdrift.analysis.common.days import WORKDAYS_PER_MONTH, monthly_counts
from arcdrift.analysis.loss.rollup import SUBJECT, as_stream_subjects, subjects_of
from arcdrift.arrays import Floats, Ints
from arcdrift.charts.binomial_cusum import BinomialCusums, binomial_cusums
from arcdrift.charts.binomial_cusum_limits import RUN_LENGTHS

FIRST_PACE_DAYS = 5
"""Workdays before the crew's pace is known; no alarms come from these days anyway."""
RATE_COLUMNS = [
    *SUBJECT, "day", "n", "bad", "expected_share", "statistic", "limit", "alarm", "onset_day",
]  # fmt: skip
COUNTED = {"dirty": "n", "redo": "made"}
"""Column of counts that each share refers to."""


def chart_proportions(cells: pd.DataFrame, measure: str, budget: float) -> pd.DataFrame:
    """Chart one share for every stream and every subject it rolls up to.

    Parameters
    ----------
    cells : DataFrame
        From `arcdrift.analysis.loss.rollup.stream_technician_cells`.
    measure : str
        Key of `COUNTED`.
    budget : float
        False alarms a month allowed from all of these charts together.

    Returns
    -------
    DataFrame
        `RATE_COLUMNS`: ``subject_type`` (``stream`` too), ``subject_id``, ``day``, ``n``,
        ``bad``, ``expected_share`` of the day, ``statistic``, ``limit``, ``alarm`` (bool) and
        ``onset_day`` (since when the statistic has been above 0).

    Notes
    -----
    The expected count of a rolled-up subject comes from the rates of its streams that day, so that
    a person who moves to a stream with a higher share raises no alarm by that.
    """
    counted = COUNTED[measure]
    cells = cells[cells[counted] > 0].reset_index(drop=True)
    if cells.empty:
        return pd.DataFrame(columns=RATE_COLUMNS)
    subjects = {
        kind: pd.factorize(subject, sort=True)
        for kind, subject in {
            "stream": as_stream_subjects(cells)["subject_id"],
            **subjects_of(cells),
        }.items()
    }
    day, days = pd.factorize(cells["day"], sort=True)
    run_length = _run_lengths([code for code, _ in subjects.values()], day, len(days), budget)
    bad = cells[measure].to_numpy(dtype=np.float64)
    items = cells[counted].to_numpy(dtype=np.float64)
    weight = items
    parts = []
    for kind, (code, names) in subjects.items():
        known = code >= 0
        if not known.any():
            continue
        cell, shape = day[known] * len(names) + code[known], (len(days), len(names))
        count, made, effective = (
            np.bincount(cell, values[known], shape[0] * shape[1]).astype(np.float64).reshape(shape)
            for values in (bad, items, weight)
        )
        charts = binomial_cusums(count, np.maximum(effective, count), run_length)
        if kind == "stream":
            usual = (charts.rate * made).sum(axis=1) / made.sum(axis=1)
            weight = items * charts.rate[day, code] / usual[day]
        parts.append(_rows(kind, names, pd.Index(days), charts, count, made, effective))
    return pd.concat(parts, ignore_index=True)[RATE_COLUMNS]


def _run_lengths(codes: list[Ints], day: Ints, days: int, budget: float) -> Floats:
    """Wanted average run length of each day, from the number of points in the month before."""
    active = np.zeros(days, dtype=np.int64)
    for code in codes:
        used = np.unique((day * (code.max() + 1) + code)[code >= 0])
        active += np.bincount(used // (code.max() + 1), minlength=days)
    pace = np.r_[0.0, monthly_counts(active)[:-1]]
    pace[:FIRST_PACE_DAYS] = WORKDAYS_PER_MONTH * active[:FIRST_PACE_DAYS]
    return np.asarray(np.clip(pace / budget, RUN_LENGTHS[0], RUN_LENGTHS[-1]), dtype=np.float64)


def _rows(
    kind: str,
    names: pd.Index,
    days: pd.Index,
    charts: BinomialCusums,
    count: Floats,
    made: Floats,
    effective: Floats,
) -> pd.DataFrame:
    """One row per subject and day with items."""
    row, series = np.nonzero(made > 0)
    onset = charts.onset[row, series]
    return pd.DataFrame(
        {
            "subject_type": kind,
            "subject_id": np.asarray(names)[series],
            "day": np.asarray(days)[row],
            "n": made[row, series].astype(np.int64),
            "bad": count[row, series].astype(np.int64),
            "expected_share": charts.rate[row, series]
            * (effective / np.maximum(made, 1))[row, series],
            "statistic": charts.value[row, series],
            "limit": charts.limit[row, series],
            "alarm": charts.signal[row, series],
            "onset_day": np.asarray(days)[np.where(onset >= 0, onset, row)],
        }
    )
