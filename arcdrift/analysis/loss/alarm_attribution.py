"""Episodes of alarms of loss charts, and their attribution to the subject that explains them."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from arcdrift.analysis.common.episodes import episodes
from arcdrift.analysis.loss.day_level import relative_level, without_effect
from arcdrift.analysis.loss.loss_charts import AllLossCharts
from arcdrift.analysis.loss.proportion_charts import COUNTED
from arcdrift.analysis.loss.rollup import (
    SPREAD_SCATTER,
    SUBJECT,
    WHOLE_CREW,
    as_stream_subjects,
    relative_variance,
)
from arcdrift.arrays import Bools, Floats
from arcdrift.charts.change_point import step_onset

EPISODE_GAP = pd.Timedelta(days=30)
"""Alarms of one chart at most so far apart are one episode."""
NEAR = pd.Timedelta(days=10)
"""Changes whose onsets are at most so far apart may have one cause."""
COMMON_SHARE, COMMON_SHIFT = 0.75, 0.4
"""A site or the crew explains a rise only if this share of its splicers shifted by at least this
share of the shift of all of them."""
RIVAL = 0.3
"""An episode may be the explanation from this share of the strongest one's likelihood ratio on."""
UNEXPLAINED_SHARE, CHANCE_RATIO = 0.15, 8.0
"""An episode is explained by another if the likelihood ratio left is at most this share of its own,
or at most this value (one in 200 of chi-squared with one degree of freedom exceeds 8)."""
SHARED_WORK = 0.5
"""A rise of loss explains the scatter of another subject if it covers this share of its splices."""
MEDIAN_SQUARE = 0.4549
"""Median of a squared standard normal value."""
AS_GOOD = 0.9
"""A narrower subject is preferred if its likelihood ratio is this share of the best one's."""
MEASURES = ("level", "spread", "dirty", "redo")
FROM_NARROW_TO_WIDE = ("stream", "technician", "splicer", "site", "crew")


@dataclass(frozen=True)
class Episode:
    """Alarms of one chart that belong together; days are local workdays.

    Attributes
    ----------
    measure : str
        One of `MEASURES`.
    before, after : float
        Expected value at the onset, and observed value since: dB (level of a stream), relative
        to the expectation of the streams (level and spread of other subjects), relative spread
        (of a stream), or a share.
    splices : int
        Number since the onset.
    """

    measure: str
    subject_type: str
    subject_id: str
    side: str
    onset: pd.Timestamp
    earliest: pd.Timestamp
    latest: pd.Timestamp
    first: pd.Timestamp
    last: pd.Timestamp
    alarms: int
    days_to_alarm: int
    before: float
    after: float
    splices: int

    @property
    def subject(self) -> tuple[str, str]:
        """Type and id of the subject."""
        return self.subject_type, self.subject_id

    def near(self, other: "Episode") -> bool:
        """Whether both started about the same time, or this one lasted when the other started."""
        if abs(self.onset - other.onset) <= NEAR:
            return True
        return self.onset <= other.first and other.onset <= self.last + NEAR


@dataclass(frozen=True)
class AttributedAlarms:
    """Episodes attributed to one cause: the one that explains it best, and the others."""

    main: Episode
    also: tuple[Episode, ...] = ()


def alarm_episodes(charts: AllLossCharts) -> list[Episode]:
    """Episodes of alarms of all charts, by first alarm."""
    found = [
        *_level_episodes("level", as_stream_subjects(charts.streams.days)),
        *_level_episodes("level", charts.rolled),
        *_level_episodes("spread", as_stream_subjects(charts.spread)),
        *_level_episodes("spread", charts.rolled_spread),
    ]
    for measure, days in charts.rates.items():
        found += _share_episodes(measure, days)
    return sorted(found, key=lambda episode: (episode.first, episode.measure, episode.subject))


def _days_of_alarmed_subjects(
    days: pd.DataFrame, alarm: pd.Series
) -> Iterator[tuple[tuple[str, str], pd.DataFrame]]:
    """All days of each subject that has an alarm, in order."""
    subjects = days.loc[alarm, list(SUBJECT)].drop_duplicates()
    rows = days.merge(subjects, on=list(SUBJECT)) if len(subjects) else days.iloc[:0]
    for (subject_type, subject_id), subject_days in rows.groupby(list(SUBJECT)):
        ordered = subject_days.sort_values("day").reset_index(drop=True)
        yield (str(subject_type), str(subject_id)), ordered


def _level_episodes(measure: str, days: pd.DataFrame) -> list[Episode]:
    found = []
    for subject, subject_days in _days_of_alarmed_subjects(days, days["alarm"] != ""):
        for side in ("up", "down"):
            alarms = subject_days.loc[subject_days["alarm"] == side, "day"]
            found += [
                _level_episode(measure, subject, subject_days, side, rows.to_list())
                for rows in episodes(alarms, EPISODE_GAP)
            ]
    return found


def _level_episode(
    measure: str, subject: tuple[str, str], days: pd.DataFrame, side: str, alarms: list[int]
) -> Episode:
    first, last = alarms[0], alarms[-1]
    start = _after_reset(days, first, side)
    z = days["z"].to_numpy(dtype=np.float64)[start : first + 1]
    onset = step_onset(z, direction="up" if side == "up" else "down")
    begins = start + onset.index
    since = days.loc[begins:last]
    before = float(days["expected_db"][begins])
    after = float(since["capped"].sum() / since["n"].sum())
    if measure == "spread":
        before, after = float(np.sqrt(before)), float(np.sqrt(after))
    return Episode(
        measure, *subject, side,
        onset=days["day"][begins],
        earliest=days["day"][start + onset.earliest],
        latest=days["day"][start + onset.latest],
        first=days["day"][first], last=days["day"][last],
        alarms=len(alarms), days_to_alarm=first - begins + 1,
        before=before, after=after, splices=int(since["n"].sum()),
    )  # fmt: skip


def _after_reset(days: pd.DataFrame, alarm: int, side: str) -> int:
    """First judged day since the chart was last reset before the alarm."""
    earlier = days.loc[: alarm - 1]
    restart = earlier.index[(earlier["alarm"] == side) | earlier["z"].isna()]
    return int(np.max(restart)) + 1 if len(restart) else 0


def _share_episodes(measure: str, days: pd.DataFrame) -> list[Episode]:
    found = []
    for subject, subject_days in _days_of_alarmed_subjects(days, days["alarm"].astype(bool)):
        day, alarm = subject_days["day"], subject_days["alarm"].astype(bool)
        for rows in episodes(day[alarm], EPISODE_GAP):
            first, last = rows[0], rows[-1]
            onset = subject_days["onset_day"][first]
            since = subject_days[(day >= onset) & (day <= day[last])]
            expected = float(since["expected_share"].iloc[0])
            found.append(
                Episode(
                    measure,
                    *subject,
                    "up",
                    onset=onset,
                    earliest=onset,
                    latest=day[first],
                    first=day[first],
                    last=day[last],
                    alarms=len(rows),
                    days_to_alarm=int(((day >= onset) & (day.index <= first)).sum()),
                    before=expected,
                    after=float(since["bad"].sum() / since["n"].sum()),
                    splices=int(since["n"].sum()),
                )
            )
    return found


def attribute_alarms(charts: AllLossCharts) -> list[AttributedAlarms]:
    """Group episodes by cause, each group led by the narrowest subject that explains it.

    Episodes are ranked by the likelihood ratio of a shift of their cells since the onset:
    (excess)^2 / (n within) of losses and of spreads, (bad - expected)^2 / expected of counts. The
    highest one leads a group, unless a narrower subject has at least `AS_GOOD` of its ratio. It
    explains each other episode of the same time whose likelihood ratio falls to
    `UNEXPLAINED_SHARE` of its value, or to `CHANCE_RATIO`, when the shift of the leader's cells is
    subtracted. The remaining episodes are grouped in the same way. Episodes of a site or the crew
    that most of its splicers do not share are ranked last. Falls are not grouped.
    """
    found = alarm_episodes(charts)
    groups = [AttributedAlarms(episode) for episode in found if episode.side == "down"]
    rising = [episode for episode in found if episode.side == "up"]
    cells = _ExpectedCells(charts)
    strength = [
        cells.shift(episode).likelihood_ratio if cells.is_common(episode) else 0.0
        for episode in rising
    ]
    remaining = sorted(range(len(rising)), key=lambda n: -strength[n])
    while remaining:
        first = _narrowest_leader(remaining, rising, strength, cells)
        explained = [
            n for n in remaining if n != first and cells.explains(rising[first], rising[n])
        ]
        remaining = [n for n in remaining if n != first and n not in explained]
        leader = rising[first]
        group = [leader, *(rising[n] for n in sorted(explained))]
        # of several measures of the leading subject, level comes before spread and shares
        candidates = [
            episode
            for episode in group
            if episode.subject == leader.subject and episode.near(leader)
        ]
        main = min(candidates, key=lambda episode: (MEASURES.index(episode.measure), episode.first))
        others = tuple(episode for episode in group if episode is not main)
        groups.append(AttributedAlarms(main, others))
    return sorted(groups, key=lambda group: (group.main.first, group.main.subject))


def _narrowest_leader(
    remaining: list[int], rising: list[Episode], strength: list[float], cells: "_ExpectedCells"
) -> int:
    """Index of the strongest episode, or of a narrower one of the same time that is as good.

    Candidates are compared over the union of their times, so that a longer episode has no
    advantage.
    """
    best = remaining[0]
    rivals = [
        n
        for n in remaining
        if strength[n] >= RIVAL * strength[best] and rising[n].near(rising[best])
    ]
    first = min(rising[n].onset for n in rivals)
    last = max(rising[n].last for n in rivals)
    ratio = {n: cells.shift(rising[n], first, last).likelihood_ratio for n in rivals}
    enough = AS_GOOD * max(ratio.values())
    as_good = [n for n in rivals if ratio[n] >= enough]
    return min(
        as_good, key=lambda n: (FROM_NARROW_TO_WIDE.index(rising[n].subject_type), -ratio[n])
    )


@dataclass(frozen=True)
class _Shift:
    """Excess of cells over their expectation, the expectation, and the variance of one item."""

    excess: float
    expected: float
    variance: float

    @property
    def likelihood_ratio(self) -> float:
        """Likelihood ratio of a rise."""
        if self.expected <= 0:
            return 0.0
        return max(self.excess, 0.0) ** 2 / (self.expected * self.variance)


def _expected_spread(cells: pd.DataFrame, spread: pd.DataFrame) -> Floats:
    """Expected squared relative spread of each cell's stream that day, NaN if unknown."""
    stream = ["splicer", "program", "day"]
    known = spread.dropna(subset=["expected_db"])[[*stream, "expected_db"]]
    expected = cells[stream].merge(known, on=stream, how="left")["expected_db"]
    return expected.to_numpy(dtype=np.float64)


class _ExpectedCells:
    """Loss, dirty and redo counts and spread of cells, with the expectation of each."""

    def __init__(self, charts: AllLossCharts) -> None:
        days = charts.streams.days
        # expectation without the common effect of the day
        expected = days["expected_db"].to_numpy(np.float64)
        effect = days["shared_effect"].to_numpy(np.float64)
        known = days[["splicer", "program", "day"]].assign(
            expected_db=without_effect(expected, effect)
        )
        rows = charts.cells.merge(known, on=["splicer", "program", "day"], how="left")
        rows = as_stream_subjects(rows)
        self.day = rows["day"].to_numpy()
        self._made = rows["made"].to_numpy(dtype=np.float64)
        self._n = np.where(rows["expected_db"].notna(), rows["n"], 0.0)
        self._loss = (rows["capped"] / rows["expected_db"]).fillna(0.0).to_numpy(np.float64)
        self._bad = {name: rows[name].to_numpy(dtype=np.float64) for name in charts.rates}
        self._expected = {}
        for measure, charted in charts.rates.items():
            keys = [*SUBJECT, "day"]
            share = rows[keys].merge(charted[[*keys, "expected_share"]], on=keys, how="left")
            items = rows[COUNTED[measure]].to_numpy(dtype=np.float64)
            rate = share["expected_share"].fillna(0.0).to_numpy(dtype=np.float64)
            self._expected[measure] = items * rate
        self._names = {
            name: rows["subject_id" if name == "stream" else name].to_numpy(dtype=object)
            for name in ("stream", "splicer", "technician", "site")
        }
        self._splicer = pd.factorize(rows["splicer"])[0]
        self._all_cells = np.ones(len(rows), dtype=bool)
        self._within = charts.streams.within
        ratio = relative_variance(rows) / _expected_spread(rows, charts.spread)
        self._spread_df = np.where(np.isfinite(ratio), rows["n"] - 1.0, 0.0)
        # on the scale of the charts the scatter of a spread does not depend on its size
        level = relative_level(np.where(self._spread_df > 0, ratio, 1.0))
        self._spread = self._spread_df * level
        squares = (self._spread * level)[self._spread_df > 0]
        observed = float(np.median(squares)) / MEDIAN_SQUARE if len(squares) else 0.0
        self._spread_variance = max(observed, SPREAD_SCATTER)

    def of_subject(self, episode: Episode) -> Bools:
        """Cells of an episode's subject."""
        if episode.subject_type == WHOLE_CREW:
            return self._all_cells
        return np.asarray(self._names[episode.subject_type] == episode.subject_id, dtype=bool)

    def between(self, first: pd.Timestamp, last: pd.Timestamp) -> Bools:
        """Cells of the days from first to last."""
        return np.asarray(
            (self.day >= first.to_datetime64()) & (self.day <= last.to_datetime64()), dtype=bool
        )

    def shift(
        self,
        episode: Episode,
        first: pd.Timestamp | None = None,
        last: pd.Timestamp | None = None,
    ) -> _Shift:
        """Shift of an episode's cells from its onset to its last alarm, or over other days."""
        span = self.between(
            episode.onset if first is None else first, episode.last if last is None else last
        )
        return self._shift(self.of_subject(episode) & span, episode.measure)

    def is_common(self, episode: Episode) -> bool:
        """Whether most splicers of a site or crew shifted about as much as all of them together."""
        if episode.subject_type not in ("site", WHOLE_CREW):
            return True
        rows = self.of_subject(episode) & self.between(episode.onset, episode.last)
        shifts = [
            self._shift(rows & (self._splicer == splicer), episode.measure)
            for splicer in np.unique(self._splicer[rows])
        ]
        relative = [shift.excess / shift.expected for shift in shifts if shift.expected > 0]
        whole = self._shift(rows, episode.measure)
        if not relative:
            return False
        common = float(np.quantile(relative, 1 - COMMON_SHARE))
        return common >= COMMON_SHIFT * whole.excess / whole.expected

    def explains(self, main: Episode, other: Episode) -> bool:
        """Whether little of the other episode remains when the main one's shift is subtracted."""
        if not main.near(other):
            return False
        if main.subject == other.subject:
            return True
        rows = self.of_subject(other) & self.between(other.onset, other.last)
        common = rows & self.of_subject(main)
        if other.measure == "spread" and main.measure != "spread":
            return bool(self._made[common].sum() >= SHARED_WORK * self._made[rows].sum())
        span = self.of_subject(main) & self.between(max(main.onset, other.onset), main.last)
        whole, overlap = self._shift(rows, other.measure), self._shift(common, other.measure)
        cause = self._shift(span if span.any() else common, other.measure)
        if overlap.expected <= 0 or cause.expected <= 0:
            return False
        explained = max(cause.excess, 0.0) / cause.expected * overlap.expected
        variance = whole.variance
        if main.measure == "spread" and other.measure in ("level", "spread") and main.before > 0:
            # a larger spread also increases the chance variation of a day's mean and spread
            growth = (main.after / main.before) ** 2 - 1.0
            variance *= 1.0 + growth * overlap.expected / whole.expected
        rest = _Shift(whole.excess - explained, whole.expected, variance)
        allowed = max(CHANCE_RATIO, UNEXPLAINED_SHARE * whole.likelihood_ratio)
        return rest.likelihood_ratio <= allowed

    def _shift(self, rows: Bools, measure: str) -> _Shift:
        if measure in self._bad:
            expected = float(self._expected[measure][rows].sum())
            return _Shift(float(self._bad[measure][rows].sum()) - expected, expected, 1.0)
        if measure == "spread":
            df = float(self._spread_df[rows].sum())
            return _Shift(float(self._spread[rows].sum()), df, self._spread_variance)
        expected = float(self._n[rows].sum())
        return _Shift(float(self._loss[rows].sum()) - expected, expected, self._within)
