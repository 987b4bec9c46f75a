"""CUSUM charts of shares, for streams and what they roll up to.

The shares of dirty splices, of places that were not right first time, and of attempts that ended
with an error.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd

from arcdrift.analysis.common.days import WORKDAYS_PER_MONTH, monthly_counts
from arcdrift.analysis.common.grouping import text_codes
from arcdrift.analysis.loss.rollup import (
    SUBJECT,
    shared_by_splicers,
    stream_subjects,
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
        kind: text_codes(subject)
        for kind, subject in {
            "stream": stream_subjects(cells),
            **subjects_of(cells),
            **(shared_by_splicers(cells) if measure in OF_ATTEMPTS else {}),
        }.items()
    }
    day, days = pd.factorize(cells["day"], sort=True)
    bad = cells[share.bad].to_numpy(dtype=np.float64)
    items = cells[share.of].to_numpy(dtype=np.float64)
    stream, _ = subjects["stream"]
    person = _person_ratios(cells, day, stream, bad, items)
    own = items * person
    streams = _Table.of("stream", *subjects.pop("stream"), day, len(days), bad, items, own)
    rate = learned_rates(streams.bad, streams.least_items)
    usual = (rate * streams.items).sum(axis=1) / streams.items.sum(axis=1)
    rolled = items * rate[day, stream] / usual[day]
    tables = [streams]
    for kind, (code, names) in subjects.items():
        if (code >= 0).any():
            weight = rolled if kind == "technician" else rolled * person
            tables.append(_Table.of(kind, code, names, day, len(days), bad, items, weight))
    active = np.sum([(table.items > 0).sum(axis=1) for table in tables], axis=0)
    run_length = _run_lengths(active, budget / EXCESS[measure])
    charts = binomial_cusums(
        np.hstack([table.bad for table in tables]),
        np.hstack([table.least_items for table in tables]),
        run_length,
        [len(table.names) for table in tables],
    )
    return _rows(tables, pd.Index(days), charts)


class _Table(NamedTuple):
    """Counts of all subjects of one kind; arrays have the shape (days, subjects).

    Attributes
    ----------
    bad, items : array
        Bad items and items.
    weight : array
        Items of the usual share of which as many bad ones are expected.
    """

    kind: str
    names: pd.Index
    bad: Floats
    items: Floats
    weight: Floats

    @classmethod
    def of(
        cls,
        kind: str,
        code: Ints,
        names: pd.Index,
        day: Ints,
        days: int,
        bad: Floats,
        items: Floats,
        weight: Floats,
    ) -> "_Table":
        """Sum cells by the number of their subject, -1 for none, and their day."""
        known, size = code >= 0, len(names)
        cell = day[known] * size + code[known]
        bad, items, weight = (
            np.bincount(cell, values[known], days * size).astype(np.float64).reshape(days, size)
            for values in (bad, items, weight)
        )
        return cls(kind, names, bad, items, weight)

    @property
    def least_items(self) -> Floats:
        """`weight`, but no fewer than the bad items."""
        return np.maximum(self.weight, self.bad)


def _person_ratios(
    cells: pd.DataFrame, day: Ints, stream: Ints, bad: Floats, items: Floats
) -> Floats:
    """Bad items of each cell's person on earlier days, over those expected of their streams.

    Drawn toward 1 by `PERSON_WEIGHT` bad items; 1 where nobody is logged.
    """
    technician, names = text_codes(cells["technician"])
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


def _run_lengths(active: Ints, budget: float) -> Floats:
    """Wanted average run length of each day, from the points of each day of the month before."""
    pace = np.r_[0.0, monthly_counts(active)[:-1]]
    pace[:FIRST_PACE_DAYS] = WORKDAYS_PER_MONTH * active[:FIRST_PACE_DAYS]
    return np.asarray(np.clip(pace / budget, RUN_LENGTHS[0], RUN_LENGTHS[-1]), dtype=np.float64)


def _rows(tables: Sequence[_Table], days: pd.Index, charts: BinomialCusums) -> pd.DataFrame:
    """One row per subject and day with items, kind by kind."""
    made = np.hstack([table.items for table in tables])
    count = np.hstack([table.bad for table in tables])
    effective = np.hstack([table.weight for table in tables])
    kind = np.repeat(np.arange(len(tables)), [len(table.names) for table in tables])
    row, series = np.nonzero(made > 0)
    order = np.argsort(kind[series], kind="stable")
    row, series = row[order], series[order]
    at = row, series
    onset, rate = charts.onset[at], charts.rate[at]
    names = pd.array([str(name) for table in tables for name in table.names], dtype="str")
    kinds = pd.array([table.kind for table in tables], dtype="str")
    return pd.DataFrame(
        {
            "subject_type": kinds[kind[series]],
            "subject_id": names[series],
            "day": np.asarray(days)[row],
            "n": made[at].astype(np.int64),
            "bad": count[at].astype(np.int64),
            "usual_share": rate,
            "expected_share": rate * effective[at] / np.maximum(made[at], 1),
            "statistic": charts.value[at],
            "limit": charts.limit[at],
            "alarm": charts.signal[at],
            "onset_day": np.asarray(days)[np.where(onset >= 0, onset, row)],
        }
    )[RATE_COLUMNS]
