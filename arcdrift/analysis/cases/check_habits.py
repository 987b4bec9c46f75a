"""Habits: daily checks missed or late more often than usual, with the rate and its interval.

One missed check is no case. A habit is told while, in the splicer's latest 10 or 22 workdays,
checks were missed or late more often than in the rest of the crew within a year, beyond what chance
does once in a thousand such windows. A crew of one splicer is compared with its own past.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import betainc, xlogy

from arcdrift.analysis.checks.compliance import WORKED, wilson
from arcdrift.analysis.common.days import WORKDAYS_PER_MONTH
from arcdrift.arrays import Bools, Floats, Ints

WINDOWS = (10, WORKDAYS_PER_MONTH)
"""Latest workdays of a splicer that are judged: a fortnight and a month."""
FEWEST_DAYS = 5
"""Workdays from which a window is judged."""
USUAL_DAYS = 365
"""Calendar days of the rest of the crew that the window is compared with."""
FEWEST_USUAL = 20
"""Workdays to compare with; with fewer, the usual rate is taken as unknown and nothing is told."""
CHANCE = 0.001
"""Probability of the missed and late days of a window, or of more, at the usual rate. A year of 30
splicers without any habit then has about one that is told by chance (simulated in its test)."""
FEWEST_BAD = 3
"""Missed or late days below which no window is told."""


@dataclass(frozen=True)
class CheckHabit:
    """A stretch of time in which a splicer's checks were missed or late more often than usual.

    Attributes
    ----------
    since, until : Timestamp
        First splice (UTC) of the first and last missed or late day.
    seen : Timestamp
        First splice (UTC) of the day on which the rate first was above usual.
    bad, days : int
        Missed or late days, and workdays, from `since` to `until`.
    low, high : float
        95 % interval of their share (Wilson).
    usual : float
        Share of the rest of the crew.
    ended : bool
        Whether the latest workdays are as usual again.
    """

    splicer: str
    since: pd.Timestamp
    seen: pd.Timestamp
    until: pd.Timestamp
    bad: int
    days: int
    low: float
    high: float
    usual: float
    ended: bool

    @property
    def rate(self) -> float:
        """Share of workdays whose check was missed or late."""
        return self.bad / self.days


def check_habits(days: pd.DataFrame) -> list[CheckHabit]:
    """Find the habits of a crew; each day is judged by that day and earlier ones.

    Parameters
    ----------
    days : DataFrame
        From `arcdrift.analysis.checks.daily_checks.daily_checks`, of all splicers.

    Notes
    -----
    With x of n missed or late in the window, the chance of x or more is that of the binomial law,
    P(X >= x) = I_p(x, n - x + 1) (incomplete beta function). The rate p is that of the rest of the
    crew, raised by one standard deviation of its posterior Beta(a + 1/2, m - a + 1/2) from a of m
    days (Jeffreys prior), so that a usual rate that is hardly known tells little.
    """
    if days.empty:
        return []
    worked = worked_days(days)
    if worked.empty:
        return []
    bad = is_missed(worked)
    day = worked["day"].to_numpy().astype("datetime64[D]").astype(np.int64)
    splicer, names = pd.factorize(worked["splicer"], sort=True)
    start = np.searchsorted(splicer, splicer, side="left")
    upto = np.r_[0, np.cumsum(bad)]
    above, first = np.zeros(len(worked), dtype=bool), np.zeros(len(worked), dtype=np.int64)
    usual_rate = np.zeros(len(worked))
    for window in sorted(WINDOWS, reverse=True):
        begin = np.maximum(np.arange(len(worked)) - window + 1, start)
        count, late = np.arange(len(worked)) - begin + 1, upto[1:] - upto[begin]
        usual_late, usual_days = _usual(splicer, day, bad, begin, alone=len(names) == 1)
        told = (late >= FEWEST_BAD) & (count >= FEWEST_DAYS)
        told &= _chance(late, count, usual_late, usual_days) < CHANCE
        above |= told
        first[told] = begin[told]
        usual_rate[told] = usual_late[told] / usual_days[told]
    at = worked["first_splice_at"].iloc
    found = []
    ends = np.searchsorted(splicer, np.arange(len(names)), side="right") - 1
    for rows in _runs(above & bad, splicer):
        inside = np.arange(first[rows].min(), rows[-1] + 1)
        misses = inside[bad[inside]]
        seen_row = int(rows[0])
        start_row, end_row = _likeliest_stretch(misses, seen_row, usual_rate[seen_row])
        misses = misses[(misses >= start_row) & (misses <= end_row)]
        n, k = end_row - start_row + 1, len(misses)
        low, high = wilson(k, n)
        last = max(int(rows[-1]), int(ends[splicer[end_row]]))
        found.append(
            CheckHabit(
                splicer=str(names[splicer[end_row]]),
                since=at[start_row],
                seen=at[seen_row],
                until=at[end_row],
                bad=k,
                days=n,
                low=low,
                high=high,
                usual=float(usual_rate[seen_row]),
                ended=not above[last],
            )
        )
    return found


def worked_days(days: pd.DataFrame) -> pd.DataFrame:
    """Workdays that are over, in order of splicer and day."""
    worked = days[days["status"].isin(WORKED) & days["day_over"].astype(bool)]
    return worked.sort_values(["splicer", "day"], ignore_index=True)


def is_missed(days: pd.DataFrame) -> Bools:
    """Whether the check of each workday was missed or late."""
    return days["status"].isin(["missed", "late"]).to_numpy(dtype=bool)


def _likeliest_stretch(misses: Ints, seen: int, usual: float) -> tuple[int, int]:
    """First and last missed or late day of a habit: the stretch of greatest likelihood.

    Of all stretches from one miss to another around the day it was seen, the one whose own rate
    explains it best against the usual rate (binomial log-likelihood ratio, as a scan statistic).
    """
    place = np.arange(len(misses))
    first, last = (grid.ravel() for grid in np.meshgrid(place, place, indexing="ij"))
    around = (misses[first] <= seen) & (misses[last] >= seen)
    first, last = first[around], last[around]
    bad, days = last - first + 1, misses[last] - misses[first] + 1
    p = float(np.clip(usual, 0.005, 0.995))
    good = days - bad
    ratio = xlogy(bad, bad / days / p) + xlogy(good, good / days / (1.0 - p))
    best = int(np.argmax(ratio))
    return int(misses[first[best]]), int(misses[last[best]])


def _usual(splicer: Ints, day: Ints, bad: Bools, first: Ints, *, alone: bool) -> tuple[Ints, Ints]:
    """Missed or late days, and workdays, that each window is compared with."""
    if alone:
        begin = np.searchsorted(day, day[first] - USUAL_DAYS)
        upto = np.r_[0, np.cumsum(bad)]
        return upto[first] - upto[begin], first - begin
    order = np.argsort(day, kind="stable")
    everyone = np.r_[0, np.cumsum(bad[order])]
    begin, end = (
        np.searchsorted(day[order], edge, side="right") for edge in (day - USUAL_DAYS, day)
    )
    own_begin = np.zeros(len(day), dtype=np.int64)
    own_end = np.arange(1, len(day) + 1)
    for code in np.unique(splicer):
        rows = np.flatnonzero(splicer == code)
        own_begin[rows] = rows[0] + np.searchsorted(day[rows], day[rows] - USUAL_DAYS, side="right")
    own = np.r_[0, np.cumsum(bad)]
    late = everyone[end] - everyone[begin] - (own[own_end] - own[own_begin])
    return late, end - begin - (own_end - own_begin)


def _chance(late: Ints, count: Ints, usual_late: Ints, usual_days: Ints) -> Floats:
    """Probability of so many missed or late days, or of more; 1 where the usual is unknown."""
    a, b = usual_late + 0.5, usual_days - usual_late + 0.5
    mean = a / (a + b)
    rate = np.minimum(mean + np.sqrt(mean * (1.0 - mean) / (a + b + 1.0)), 1.0)
    some = np.maximum(late, 1)
    chance = np.where(late > 0, betainc(some, count - some + 1.0, rate), 1.0)
    return np.where(usual_days >= FEWEST_USUAL, chance, 1.0)


def _runs(above: Bools, splicer: Ints) -> Iterable[Ints]:
    """Rows of each run of windows above usual of one splicer; short pauses belong to the run."""
    rows = np.flatnonzero(above)
    if not len(rows):
        return []
    gap = (np.diff(rows) > max(WINDOWS)) | (np.diff(splicer[rows]) != 0)
    return np.split(rows, np.flatnonzero(gap) + 1)
