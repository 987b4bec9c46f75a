"""Change of the loss of each splicer and program in a week against the four weeks before it.

Hands are allowed for: a stream whose splices were made by other people than before is compared as
if the same people had made them, with the interval that this costs. So that a person is known who
came only this week, their work of half a year before counts too.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, partial
from typing import Any

import numpy as np
import pandas as pd
from scipy.linalg import cho_solve, cholesky, solve_triangular
from scipy.sparse import csr_matrix, hstack
from scipy.special import ndtr

from arcdrift.analysis.common.chart_states import KeptResults, digest_of
from arcdrift.analysis.loss.day_level import STREAM, relative_level
from arcdrift.analysis.loss.technician_days import NOBODY
from arcdrift.analysis.loss.weeks.level_equations import LevelEquations, absorb_levels
from arcdrift.analysis.loss.weeks.week_variances import VariancesBy, WeekVariances
from arcdrift.arrays import Bools, Floats, Ints
from arcdrift.charts.false_discovery import adjusted_p_values
from arcdrift.charts.intervals import Z95

WEEK, WEEKS_BEFORE = 7, 4
"""Days of a week, and weeks that it is compared with."""
WEEKS_KEPT = 26
"""Last weeks whose changes a review keeps."""
BLOCKS = 6
"""Spans of four weeks before these from which people are known."""
FEWEST_DAYS, FEWEST_SPLICES = 2, 30
"""With fewer in the week a stream is not compared."""
FEWEST_DAYS_BEFORE, FEWEST_SPLICES_BEFORE = 4, 60
"""The same of the four weeks before."""
FALSE_SHARE = 0.05
"""Share of false ones among the changes of a week that stand out (Benjamini and Hochberg 1995)."""
COLUMNS = [
    "week", *STREAM, "splices", "days", "splices_before", "days_before", "loss_db", "before_db",
    "change", "low", "high", "hands_change", "stands_out",
]  # fmt: skip


def week_changes(
    days: pd.DataFrame,
    cells: pd.DataFrame,
    units: pd.DataFrame,
    variances: VariancesBy,
    mondays: Sequence[np.datetime64],
    kept: KeptResults | None = None,
) -> pd.DataFrame:
    """Change of each stream in some weeks, and of the whole crew.

    Parameters
    ----------
    days : DataFrame
        Charted stream days: ``splicer``, ``program``, ``day`` (naive local), ``n``, ``total`` and
        ``capped`` (dB), optionally ``excluded``.
    cells : DataFrame
        ``splicer``, ``program``, ``technician``, ``day``, ``n``: who made how many of them.
    units : DataFrame
        ``splicer`` and ``program`` in the order of `variances`.
    variances : callable
        `WeekVariances` known on a day; of a span, those of its last day count.
    mondays : sequence of datetime64[D]
        First days of the weeks.
    kept : KeptResults, optional
        Has what an earlier review found for the same weeks, and gets what is found now.

    Returns
    -------
    DataFrame
        `COLUMNS`, one row a week and stream with splices in that week: ``week`` (its Monday, ISO),
        counts of splices and days in it and in the four weeks before, mean loss of a splice in
        both (dB, as logged), ``change`` with its 95 % interval ``low`` to ``high`` (share of the
        four weeks before; single high values capped, hands allowed for; NaN where too few splices
        tell), ``hands_change`` (what other hands alone are expected to have changed) and
        ``stands_out``. The row of the whole crew has empty ``splicer`` and ``program``.

    Notes
    -----
    On the scale y = 3 (r^(1/3) - 1) of a day's capped mean over that of the four weeks before,
    y = level of the stream before or in the week + effects of the people, by their shares of the
    splices + effect of the day on everybody + noise, with variance within/n + between. Levels are
    fixed, people and days are random with known variances; solved exactly by absorbing the levels
    (Henderson's mixed model equations). Earlier spans of four weeks, each with a level of its
    own, tell more of the people and nothing else.
    """
    if days.empty or not len(mondays):
        return pd.DataFrame(columns=COLUMNS)
    rows = _StreamDays(days, cells, units, variances)
    kept = KeptResults() if kept is None else kept
    weeks = (kept.get(rows.depends_on(monday), partial(rows.week, monday)) for monday in mondays)
    return rows.table([week for week in weeks if week is not None])


def mondays_until(first: np.datetime64, last: np.datetime64, most: int) -> list[np.datetime64]:
    """First days of the last weeks, the running one included, that lie after a first day.

    Parameters
    ----------
    first, last : datetime64[D]
    most : int
        Number of weeks at most.
    """
    newest = monday_of(last)
    weeks = [newest - np.timedelta64(WEEK * back, "D") for back in range(most)]
    return [monday for monday in reversed(weeks) if monday + np.timedelta64(WEEK, "D") > first]


def _number(day: np.datetime64) -> int:
    """Days since 1970."""
    return int(day.astype("datetime64[D]").astype(np.int64))


def monday_of(day: np.datetime64) -> np.datetime64:
    """Monday of the week of a day."""
    number = _number(day)
    return np.datetime64(number - (number + 3) % WEEK, "D")  # 1 Jan 1970 was a Thursday


class _StreamDays:
    """Stream days in order of time, with the shares of the people who made them."""

    def __init__(
        self, days: pd.DataFrame, cells: pd.DataFrame, units: pd.DataFrame, variances: VariancesBy
    ) -> None:
        if "excluded" in days.columns:
            days = days[~days["excluded"].astype(bool)]
        days = days[days["n"] > 0].sort_values(["day", *STREAM], kind="stable", ignore_index=True)
        self._variances = variances
        self._spans: dict[int, WeekVariances] = {}
        self.names = units[list(STREAM)].reset_index(drop=True)
        index = pd.MultiIndex.from_frame(self.names)
        self.stream: Ints = index.get_indexer(pd.MultiIndex.from_frame(days[list(STREAM)]))
        self.day: Ints = days["day"].to_numpy("datetime64[D]").astype(np.int64)
        self.n, self.total, self.capped = (
            days[name].to_numpy(np.float64) for name in ("n", "total", "capped")
        )
        self._set_shares(days, cells)
        self._blocks: dict[int, tuple[Floats, Floats]] = {}
        self._digests: dict[int, bytes] = {}

    def _set_shares(self, days: pd.DataFrame, cells: pd.DataFrame) -> None:
        used = cells[(cells["n"] > 0) & (cells["technician"] != NOBODY)]
        keys = [*STREAM, "day"]
        numbered = days[keys].assign(row=np.arange(len(days)))
        merged = used[[*keys, "technician", "n"]].merge(numbered, on=keys)
        person, names = pd.factorize(merged["technician"].astype(str), sort=True)
        row = merged["row"].to_numpy(np.int64)
        share = merged["n"].to_numpy(np.float64) / self.n[row]
        self.people = len(names)
        self._people_names = names
        self.shares = csr_matrix((share, (row, person)), shape=(len(days), self.people))

    def _between(self, first: int, last: int) -> slice:
        a, b = np.searchsorted(self.day, (first, last))
        return slice(int(a), int(b))

    def variances(self, end: int) -> WeekVariances:
        """Variances of the days before an end."""
        if end not in self._spans:
            self._spans[end] = self._variances(np.datetime64(end - 1, "D"))
        return self._spans[end]

    def depends_on(self, monday: np.datetime64) -> list[Any]:
        """All that the changes of one week depend on."""
        start = _number(monday)
        first = start - WEEK * WEEKS_BEFORE * (BLOCKS + 1)
        ends = [
            start + WEEK,
            *(start - WEEK * WEEKS_BEFORE * back for back in range(1, BLOCKS + 1)),
        ]
        known = [self.variances(end) for end in ends]
        numbers = [(found.crew_day, found.person) for found in known]
        arrays = [array for found in known for array in (found.within, found.between)]
        weeks = [self._digest(week) for week in range(first, start + WEEK, WEEK)]
        return [start, self.names, self._people_names.tolist(), numbers, *arrays, weeks]

    def _digest(self, start: int) -> bytes:
        """Digest of the days of a week and who made their splices."""
        if start not in self._digests:
            rows = self._between(start, start + WEEK)
            shares = self.shares[rows]
            columns = (self.stream, self.day, self.n, self.total, self.capped)
            self._digests[start] = digest_of(
                [
                    *(values[rows] for values in columns),
                    *(shares.data, shares.indices, shares.indptr),
                ]
            )
        return self._digests[start]

    def _values(
        self, rows: slice, reference: Floats, known: WeekVariances
    ) -> tuple[Floats, Floats]:
        """Levels of days relative to the reference of their streams, dB, and their variances."""
        stream = self.stream[rows]
        ratio = self.capped[rows] / (self.n[rows] * reference[stream])
        within = known.within[stream] / self.n[rows]
        # the cube root of a mean of few values is biased by -within / (3 n)
        value = np.asarray(relative_level(ratio) + within / 3.0, dtype=np.float64)
        return value, within + known.between[stream]

    def _reference(self, rows: slice) -> Floats:
        """Capped mean of each stream, dB; NaN without splices."""
        size = len(self.names)
        capped, n = (
            np.bincount(self.stream[rows], values[rows], minlength=size)
            for values in (self.capped, self.n)
        )
        return np.where(capped > 0, capped, np.nan) / np.maximum(n, 1.0)

    def _block(self, first: int) -> tuple[Floats, Floats]:
        """What four weeks tell of people, each stream with a level of its own."""
        if first not in self._blocks:
            end = first + WEEK * WEEKS_BEFORE
            rows, learned = self._between(first, end), self.variances(end)
            value, variance = self._values(rows, self._reference(rows), learned)
            variance = variance + learned.crew_day
            known = np.isfinite(value)
            found = absorb_levels(
                value[known], variance[known], self.stream[rows][known], len(self.names),
                self.shares[rows][known],
            )  # fmt: skip
            self._blocks[first] = found.matrix, found.right
        return self._blocks[first]

    def week(self, monday: np.datetime64) -> dict[str, Any] | None:
        """Columns of the rows of one week; None without splices in it."""
        start = _number(monday)
        rows = self._between(start - WEEK * WEEKS_BEFORE, start + WEEK)
        now = self.day[rows] >= start
        if not now.any():
            return None
        size = len(self.names)
        group = self.stream[rows] + size * now
        n, total, days = (
            np.bincount(group, values, minlength=2 * size).reshape(2, size)
            for values in (self.n[rows], self.total[rows], np.ones(len(group)))
        )
        enough = (
            (days[1] >= FEWEST_DAYS) & (n[1] >= FEWEST_SPLICES)
            & (days[0] >= FEWEST_DAYS_BEFORE) & (n[0] >= FEWEST_SPLICES_BEFORE)
        )  # fmt: skip
        found = np.full((4, size + 1), np.nan)
        stands_out = np.zeros(size + 1, dtype=bool)
        if enough.any():
            place = np.r_[np.flatnonzero(enough), size]
            found[:, place], stands_out[place] = _changes(
                self._contrasts(rows, group, start), enough, n[1]
            )
        # the whole crew comes last
        crew_days = [len(np.unique(self.day[rows][now == side])) for side in (False, True)]
        days = np.c_[days, crew_days]
        n, total = (np.c_[values, values.sum(axis=1)] for values in (n, total))
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = np.where(n > 0, total / n, np.nan)
        shown = n[1] > 0
        columns = {
            "stream": np.arange(size + 1),
            "splices": n[1].astype(np.int64), "days": days[1].astype(np.int64),
            "splices_before": n[0].astype(np.int64), "days_before": days[0].astype(np.int64),
            "loss_db": mean[1], "before_db": mean[0],
            "change": found[0], "low": found[1], "high": found[2], "hands_change": found[3],
            "stands_out": stands_out,
        }  # fmt: skip
        chosen = {name: values[shown] for name, values in columns.items()}
        return chosen | {"week": [str(monday)] * int(shown.sum())}

    def table(self, weeks: list[dict[str, Any]]) -> pd.DataFrame:
        """Rows of some weeks."""
        if not weeks:
            return pd.DataFrame(columns=COLUMNS)
        columns = {name: np.concatenate([week[name] for week in weeks]) for name in weeks[0]}
        stream = columns.pop("stream")
        named = {name: np.array([*self.names[name], ""], dtype=object)[stream] for name in STREAM}
        return pd.DataFrame(columns | named)[COLUMNS]

    def _contrasts(self, rows: slice, group: Ints, start: int) -> "_Contrasts":
        """Levels of the streams before and in a week, free of hands and common days."""
        size, window = len(self.names), WEEK * (WEEKS_BEFORE + 1)
        before = self._between(start - WEEK * WEEKS_BEFORE, start)
        learned = self.variances(start + WEEK)
        value, variance = self._values(rows, self._reference(before), learned)
        known = np.isfinite(value)
        at = self.day[rows][known] - (start - WEEK * WEEKS_BEFORE)
        days = csr_matrix((np.ones(len(at)), (np.arange(len(at)), at)), shape=(len(at), window))
        shares = hstack([self.shares[rows][known], days], format="csr")
        found = absorb_levels(value[known], variance[known], group[known], 2 * size, shares)
        matrix, right = found.matrix.copy(), found.right.copy()
        people = slice(0, self.people)
        for back in range(1, BLOCKS + 1):
            earlier = self._block(start - WEEK * WEEKS_BEFORE * (back + 1))
            matrix[people, people] += earlier[0]
            right[people] += earlier[1]
        prior = np.r_[np.full(self.people, learned.person), np.full(window, learned.crew_day)]
        matrix[np.diag_indices_from(matrix)] += 1.0 / prior
        factor: Floats = cholesky(matrix, lower=True, overwrite_a=True, check_finite=False)
        effects: Floats = cho_solve((factor, True), right, check_finite=False)
        return _Contrasts(found, factor, effects, self.people)


@dataclass(frozen=True)
class _Contrasts:
    """Levels before (first half of the groups) and in the week (second half), and effects.

    `factor` is the lower Cholesky factor of the inverse of their covariance.
    """

    groups: LevelEquations
    factor: Floats
    effects: Floats
    people: int

    @cached_property
    def moved(self) -> Floats:
        """Change of the mean share of each effect, shape (streams, effects)."""
        half = len(self.groups.weight) // 2
        moved = self.groups.shares[half:] - self.groups.shares[:half]
        return np.asarray(moved.toarray(), dtype=np.float64)

    def change(self, rows: Ints, weights: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """Change of some streams, and last of a weighted mean of streams.

        Parameters
        ----------
        rows : array of int, shape (some,)
            Streams.
        weights : array, shape (streams,)

        Returns
        -------
        difference, se, level, hands : arrays, shape (some + 1,)
            Change on the scale of levels and its standard error, the level before it, and what
            the hands alone changed.
        """
        half = len(self.groups.weight) // 2
        with np.errstate(divide="ignore"):
            own = 1.0 / self.groups.weight
        level = self.groups.mean - self.groups.shares @ self.effects
        moved = np.vstack([self.moved[rows], weights @ self.moved])
        known = np.isfinite(own[:half]) & np.isfinite(own[half:])
        own = np.where(known, own[:half] + own[half:], 0.0)
        variance = np.append(own[rows], weights**2 @ own)
        spread = solve_triangular(self.factor, moved.T, lower=True, check_finite=False)
        variance += (spread**2).sum(axis=0)
        difference, before = (
            np.append(values[rows], weights @ values)
            for values in (
                np.where(known, level[half:] - level[:half], 0.0),
                np.where(known, level[:half], 0.0),
            )
        )
        hands = moved[:, : self.people] @ self.effects[: self.people]
        return difference, np.sqrt(variance), before, hands


def _changes(contrasts: _Contrasts, enough: Bools, splices: Floats) -> tuple[Floats, Bools]:
    """Change, its interval and that by other hands, and which stand out.

    Of each stream with enough splices, then of all of these together by their splices.
    """
    row = np.flatnonzero(enough)
    weights = np.where(enough, splices, 0.0) / splices[enough].sum()
    difference, se, level, hands = contrasts.change(row, weights)
    moved = np.stack([difference, difference - Z95 * se, difference + Z95 * se, hands])
    ratio = np.maximum(1.0 + moved / (3.0 + level), 0.0) ** 3
    p_value = 2.0 * ndtr(-np.abs(difference / se))
    stands_out = np.r_[adjusted_p_values(p_value[:-1]), p_value[-1:]] <= FALSE_SHARE
    return np.asarray(ratio - 1.0, dtype=np.float64), stands_out
