"""CUSUM charts of shares, for streams and what they roll up to.

The shares of dirty splices, of places that were not right first time, and of attempts that ended
with an error.
"""

from typing import NamedTuple

import numpy as np
import pandas as pd

from arcdrift.analysis.common.days import WORKDAYS_PER_MONTH, monthly_counts
from arcdrift.analysis.loss.rollup import (
    SUBJECT,
    as_stream_subjects,
    shared_by_splicers,
    subjects_of,
)
from arcdrift.analysis.loss.technician_days import NOBODY
from arcdrift.arrays import Floats, Ints
from arcdrift.charts.binomial_cusum import (
    BinomialCusums,
    binomial_cusums,
    earlier_sums,
    learned_rates,
)
from arcdrift.charts.binomial_cusum_limits import RUN_LENGTHS

FIRST_PACE_DAYS = 5
"""Workdays before the crew's pace is known; no alarms come from these days anyway."""
RATE_COLUMNS = [
    *SUBJECT, "day", "n", "bad", "usual_share", "expected_share", "statistic", "limit", "alarm",
    "onset_day",
]  # fmt: skip


class Share(NamedTuple):
    """Columns of counts: what is bad, and of how many."""

    bad: str
    of: str


COUNTED = {
    "dirty": Share("dirty", "n"),
    "first_time": Share("again", "places"),
    "errors": Share("errors", "made"),
}
EXCESS = {"dirty": 1.0, "first_time": 1.4, "errors": 2.4}
"""Factor on the run length. Without it, healthy crews of 50 streams whose shares differ from day to
day (sd 30 %) and with their people had 1.1 to 1.3 times their false alarms of places, and 1.8 to
2.3 times those of errors, a third of which were followed by another one at once."""
PERSON_WEIGHT = 15.0
"""Bad items that draw the ratio of a person toward 1: people differ by a quarter (1 / 15^0.5)."""
OF_ATTEMPTS = ("first_time", "errors")
"""Shares that are also charted by program and by way of holding, over all splicers."""


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
        ``bad``, ``usual_share``, ``expected_share`` (of the day, with its people and
        streams), ``statistic``, ``limit``, ``alarm`` (bool) and
        ``onset_day`` (since when the statistic has been above 0).

    Notes
    -----
    The expected count of a rolled-up subject comes from the rates of its streams that day, so that
    a person who moves to a stream with a higher share raises no alarm by that. That of anything but
    a person includes how the people who worked that day did before, so that a change of hands
    raises none: without it, a healthy crew whose people differ by 20 % had 1.3 to 2 times its false
    alarms.
    """
    share = COUNTED[measure]
    cells = cells[cells[share.of] > 0].reset_index(drop=True)
    if cells.empty:
        return pd.DataFrame(columns=RATE_COLUMNS)
    subjects = {
        kind: pd.factorize(subject, sort=True)
        for kind, subject in {
            "stream": as_stream_subjects(cells)["subject_id"],
            **subjects_of(cells),
            **(shared_by_splicers(cells) if measure in OF_ATTEMPTS else {}),
        }.items()
    }
    day, days = pd.factorize(cells["day"], sort=True)
    allowed = budget / EXCESS[measure]
    run_length = _run_lengths([code for code, _ in subjects.values()], day, len(days), allowed)
    bad = cells[share.bad].to_numpy(dtype=np.float64)
    items = cells[share.of].to_numpy(dtype=np.float64)
    stream, _ = subjects["stream"]
    person = _person_ratios(cells, day, stream, bad, items)
    weight, rolled = items * person, items
    parts = []
    for kind, (code, names) in subjects.items():
        known = code >= 0
        if not known.any():
            continue
        if kind != "stream":
            weight = rolled if kind == "technician" else rolled * person
        cell, shape = day[known] * len(names) + code[known], (len(days), len(names))
        count, made, effective = (
            np.bincount(cell, values[known], shape[0] * shape[1]).astype(np.float64).reshape(shape)
            for values in (bad, items, weight)
        )
        charts = binomial_cusums(count, np.maximum(effective, count), run_length)
        if kind == "stream":
            usual = (charts.rate * made).sum(axis=1) / made.sum(axis=1)
            rolled = items * charts.rate[day, code] / usual[day]
        parts.append(_rows(kind, names, pd.Index(days), charts, count, made, effective))
    return pd.concat(parts, ignore_index=True)[RATE_COLUMNS]


def _person_ratios(
    cells: pd.DataFrame, day: Ints, stream: Ints, bad: Floats, items: Floats
) -> Floats:
    """Bad items of each cell's person on earlier days, over those expected of their streams.

    Drawn toward 1 by `PERSON_WEIGHT` bad items; 1 where nobody is logged.
    """
    technician, names = pd.factorize(cells["technician"], sort=True)
    days = int(day.max()) + 1

    def table(code: Ints, values: Floats) -> Floats:
        width = int(code.max()) + 1
        sums = np.bincount(day * width + code, values, days * width)
        return np.asarray(sums, dtype=np.float64).reshape(days, width)

    rate = learned_rates(table(stream, bad), table(stream, items))
    expected = earlier_sums(table(technician, items * rate[day, stream]))
    ratio = (earlier_sums(table(technician, bad)) + PERSON_WEIGHT) / (expected + PERSON_WEIGHT)
    unknown = np.asarray(names == NOBODY)
    return np.where(unknown[technician], 1.0, ratio[day, technician])


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
            "usual_share": charts.rate[row, series],
            "expected_share": charts.rate[row, series]
            * (effective / np.maximum(made, 1))[row, series],
            "statistic": charts.value[row, series],
            "limit": charts.limit[row, series],
            "alarm": charts.signal[row, series],
            "onset_day": np.asarray(days)[np.where(onset >= 0, onset, row)],
        }
    )
