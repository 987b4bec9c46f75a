"""Runs of alarms of one loss chart, and which of them have one cause."""

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
    of_streams,
    relative_variance,
)
from arcdrift.arrays import Bools, Floats
from arcdrift.charts.change_point import step_onset

EPISODE_GAP = pd.Timedelta(days=30)
"""Alarms of one chart no further apart belong together."""
NEAR = pd.Timedelta(days=10)
"""Changes that began within so many days of each other may be one."""
MOST, FAR = 0.75, 0.4
"""Share of a site's or crew's splicers that must have moved by so much of the whole's shift."""
RIVAL = 0.3
"""Share of the strongest episode's likelihood ratio from which another may be the explanation."""
LEFT, CHANCE = 0.15, 8.0
"""What of an episode's likelihood ratio another may leave and still explain it: a share of it, or
as much as comes by chance (chi-squared of one degree above 8 is one
in 200)."""
SHARED_WORK = 0.5
"""Share of a subject's splices that must be another's whose loss rose to explain their scatter."""
MEDIAN_SQUARE = 0.4549
"""Median of a squared standard normal value."""
AS_GOOD = 0.9
"""A narrower subject that explains so much of what the best one explains is the explanation."""
EXPECTATION = ("expected_db", "shared_effect")
MEASURES = ("level", "spread", "dirty", "redo")
NARROW_FIRST = ("stream", "technician", "splicer", "site", "crew")


@dataclass(frozen=True)
class Episode:
    """Alarms of one chart that belong together; days are local workdays.

    Attributes
    ----------
    measure : str
        One of `MEASURES`.
    before, after : float
        What was expected when it began, and what was seen since: dB (streams' level), relative
        to what was expected of the streams (level and spread of others), relative spread of a
        stream, or a share.
    splices : int
        Since the onset.
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
        """Type and id."""
        return self.subject_type, self.subject_id

    def near(self, other: "Episode") -> bool:
        """Whether both began about the same time, or one began while the other lasted."""
        if abs(self.onset - other.onset) <= NEAR:
            return True
        return self.onset <= other.first and other.onset <= self.last + NEAR


@dataclass(frozen=True)
class Cluster:
    """Episodes of one cause: the one that explains it best, and where else it shows."""

    main: Episode
    also: tuple[Episode, ...] = ()


def all_episodes(charts: AllLossCharts) -> list[Episode]:
    """Every run of alarms of every chart, by its first alarm."""
    found = [
        *_of_levels("level", of_streams(charts.streams.days)),
        *_of_levels("level", charts.rolled.assign(segment=0)),
        *_of_levels("spread", of_streams(charts.spread)),
        *_of_levels("spread", charts.rolled_spread.assign(segment=0)),
    ]
    for measure, days in charts.rates.items():
        found += _of_rates(measure, days)
    return sorted(found, key=lambda one: (one.first, one.measure, one.subject))


def _alarmed(
    days: pd.DataFrame, alarmed: pd.Series
) -> Iterator[tuple[tuple[str, str], pd.DataFrame]]:
    """Days of each subject with an alarm, in order."""
    hit = days.loc[alarmed, list(SUBJECT)].drop_duplicates()
    rows = days.merge(hit, on=list(SUBJECT)) if len(hit) else days.iloc[:0]
    for (kind, name), mine in rows.groupby(list(SUBJECT)):
        yield (str(kind), str(name)), mine.sort_values("day").reset_index(drop=True)


def _of_levels(measure: str, days: pd.DataFrame) -> list[Episode]:
    found = []
    for subject, mine in _alarmed(days, days["alarm"] != ""):
        for side in ("up", "down"):
            alarms = mine.loc[mine["alarm"] == side, "day"]
            found += [
                _of_level(measure, subject, mine, side, rows.to_list())
                for rows in episodes(alarms, EPISODE_GAP)
            ]
    return found


def _of_level(
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
    """First judged day of the run that led to the alarm."""
    earlier = days.loc[: alarm - 1]
    restart = earlier.index[
        (earlier["alarm"] == side)
        | earlier["z"].isna()
        | (earlier["segment"] != days["segment"][alarm])
    ]
    return int(np.max(restart)) + 1 if len(restart) else 0


def _of_rates(measure: str, days: pd.DataFrame) -> list[Episode]:
    found = []
    for subject, mine in _alarmed(days, days["alarm"].astype(bool)):
        for rows in episodes(mine.loc[mine["alarm"].astype(bool), "day"], EPISODE_GAP):
            first, last = rows[0], rows[-1]
            onset = mine["onset_day"][first]
            since = mine[(mine["day"] >= onset) & (mine["day"] <= mine["day"][last])]
            expected = float(since["expected_share"].iloc[0])
            found.append(
                Episode(
                    measure,
                    *subject,
                    "up",
                    onset=onset,
                    earliest=onset,
                    latest=mine["day"][first],
                    first=mine["day"][first],
                    last=mine["day"][last],
                    alarms=len(rows),
                    days_to_alarm=int(((mine["day"] >= onset) & (mine.index <= first)).sum()),
                    before=expected,
                    after=float(since["bad"].sum() / since["n"].sum()),
                    splices=int(since["n"].sum()),
                )
            )
    return found


# -- what belongs together -----------------------------------------------------------------------


def clusters(charts: AllLossCharts) -> list[Cluster]:
    """Episodes of one cause together, told by the narrowest subject that explains them.

    The strongest episode comes first, by the likelihood ratio of a shift of its cells since its
    onset: (excess)^2 / (n within) of losses and of spreads, (bad - expected)^2 / expected of
    counts; a narrower subject that has `AS_GOOD` as much goes before a wider one. It takes along
    every other episode of its time that it explains: of whose likelihood ratio no more than
    `LEFT` or `CHANCE` is left once the shift of the first one's cells is taken out. What is left
    over goes on in the same way. A site or the crew explains only what most of its splicers
    share; else it comes last. Falls are a stream's own.
    """
    found = all_episodes(charts)
    told = [Cluster(one) for one in found if one.side == "down"]
    rising = [one for one in found if one.side == "up"]
    cells = _Cells(charts)
    strength = [cells.shift(one).ratio if cells.common(one) else 0.0 for one in rising]
    left = sorted(range(len(rising)), key=lambda n: -strength[n])
    while left:
        first = _narrowest(left, rising, strength, cells)
        taken = [n for n in left if n != first and cells.explains(rising[first], rising[n])]
        left = [n for n in left if n != first and n not in taken]
        group = [rising[first], *(rising[n] for n in sorted(taken))]
        # of one subject's charts the one that tells most: its level before spread and shares
        own = [one for one in group if one.subject == group[0].subject and one.near(group[0])]
        main = min(own, key=lambda one: (MEASURES.index(one.measure), one.first))
        told.append(Cluster(main, tuple(one for one in group if one is not main)))
    return sorted(told, key=lambda one: (one.main.first, one.main.subject))


def _narrowest(
    left: list[int], rising: list[Episode], strength: list[float], cells: "_Cells"
) -> int:
    """The strongest episode, or a narrower one of the same time that is as good.

    Those of its time are compared over the time of all of them: one that was seen for longer is
    not the better explanation for that.
    """
    best = left[0]
    rivals = [
        n for n in left if strength[n] >= RIVAL * strength[best] and rising[n].near(rising[best])
    ]
    first = min(rising[n].onset for n in rivals)
    last = max(rising[n].last for n in rivals)
    ratio = {n: cells.shift(rising[n], first, last).ratio for n in rivals}
    enough = AS_GOOD * max(ratio.values())
    as_good = [n for n in rivals if ratio[n] >= enough]
    return min(as_good, key=lambda n: (NARROW_FIRST.index(rising[n].subject_type), -ratio[n]))


@dataclass(frozen=True)
class _Shift:
    """Excess of some cells over expectation, what was expected, and the variance of one item."""

    excess: float
    expected: float
    scatter: float

    @property
    def ratio(self) -> float:
        """Likelihood ratio of a rise."""
        if self.expected <= 0:
            return 0.0
        return max(self.excess, 0.0) ** 2 / (self.expected * self.scatter)


def _usual_spread(cells: pd.DataFrame, spread: pd.DataFrame) -> Floats:
    """Squared relative spread that was expected of each cell's stream that day, NaN if unknown."""
    stream = ["splicer", "program", "day"]
    known = spread.dropna(subset=["expected_db"])[[*stream, "expected_db"]]
    usual = cells[stream].merge(known, on=stream, how="left")["expected_db"]
    return usual.to_numpy(dtype=np.float64)


class _Cells:
    """Cells with what was expected of them."""

    def __init__(self, charts: AllLossCharts) -> None:
        days = charts.streams.days
        # what was expected before the day did anything to everybody
        expected, shared = (days[name].to_numpy(np.float64) for name in EXPECTATION)
        known = days[["splicer", "program", "day"]].assign(
            expected_db=without_effect(expected, shared)
        )
        rows = charts.cells.merge(known, on=["splicer", "program", "day"], how="left")
        rows = of_streams(rows)
        self.day = rows["day"].to_numpy()
        self._made = rows["made"].to_numpy(dtype=np.float64)
        self._n = np.where(rows["expected_db"].notna(), rows["n"], 0.0)
        self._loss = (rows["capped"] / rows["expected_db"]).fillna(0.0).to_numpy(np.float64)
        self._bad = {name: rows[name].to_numpy(dtype=np.float64) for name in charts.rates}
        self._expected = {}
        for measure, told in charts.rates.items():
            keys = [*SUBJECT, "day"]
            share = rows[keys].merge(told[[*keys, "expected_share"]], on=keys, how="left")
            items = rows[COUNTED[measure]].to_numpy(dtype=np.float64)
            usual = share["expected_share"].fillna(0.0).to_numpy(dtype=np.float64)
            self._expected[measure] = items * usual
        self._names = {
            kind: rows["subject_id" if kind == "stream" else kind].to_numpy(dtype=object)
            for kind in ("stream", "splicer", "technician", "site")
        }
        self._machine = pd.factorize(rows["splicer"])[0]
        self._everyone = np.ones(len(rows), dtype=bool)
        self._within = charts.streams.within
        ratio = relative_variance(rows) / _usual_spread(rows, charts.spread)
        self._free = np.where(np.isfinite(ratio), rows["n"] - 1.0, 0.0)
        # on the scale of the charts a spread scatters alike, whatever it is
        level = relative_level(np.where(self._free > 0, ratio, 1.0))
        self._spread = self._free * level
        squares = (self._spread * level)[self._free > 0]
        own = float(np.median(squares)) / MEDIAN_SQUARE if len(squares) else 0.0
        self._scatter = max(own, SPREAD_SCATTER)

    def of(self, episode: Episode) -> Bools:
        """Cells of an episode's subject."""
        if episode.subject_type == WHOLE_CREW:
            return self._everyone
        return np.asarray(self._names[episode.subject_type] == episode.subject_id, dtype=bool)

    def between(self, first: pd.Timestamp, last: pd.Timestamp) -> Bools:
        """Cells of some days."""
        return np.asarray(
            (self.day >= first.to_datetime64()) & (self.day <= last.to_datetime64()), dtype=bool
        )

    def shift(
        self, one: Episode, first: pd.Timestamp | None = None, last: pd.Timestamp | None = None
    ) -> _Shift:
        """Shift of an episode's cells from its onset to its last alarm, or over other days."""
        span = self.between(
            one.onset if first is None else first, one.last if last is None else last
        )
        return self._shift(self.of(one) & span, one.measure)

    def common(self, one: Episode) -> bool:
        """Whether most splicers of a site or crew moved about as far as all of them together."""
        if one.subject_type not in ("site", WHOLE_CREW):
            return True
        rows = self.of(one) & self.between(one.onset, one.last)
        code = self._machine[rows]
        moved = [self._shift(rows & (self._machine == number), one.measure)
                 for number in np.unique(code)]  # fmt: skip
        each = [part.excess / part.expected for part in moved if part.expected > 0]
        whole = self._shift(rows, one.measure)
        return (
            bool(each) and float(np.quantile(each, 1 - MOST)) >= FAR * whole.excess / whole.expected
        )

    def explains(self, main: Episode, other: Episode) -> bool:
        """Whether the shift of one episode's cells leaves little of another's."""
        if not main.near(other):
            return False
        if main.subject == other.subject:
            return True
        rows = self.of(other) & self.between(other.onset, other.last)
        common = rows & self.of(main)
        if other.measure == "spread" and main.measure != "spread":
            return bool(self._made[common].sum() >= SHARED_WORK * self._made[rows].sum())
        span = self.of(main) & self.between(max(main.onset, other.onset), main.last)
        whole, shared = self._shift(rows, other.measure), self._shift(common, other.measure)
        cause = self._shift(span if span.any() else common, other.measure)
        if shared.expected <= 0 or cause.expected <= 0:
            return False
        moved = max(cause.excess, 0.0) / cause.expected * shared.expected
        scatter = whole.scatter
        if main.measure == "spread" and other.measure in ("level", "spread") and main.before > 0:
            # losses that scatter more move a day's mean and scatter further by chance, too
            wider = (main.after / main.before) ** 2 - 1.0
            scatter *= 1.0 + wider * shared.expected / whole.expected
        rest = _Shift(whole.excess - moved, whole.expected, scatter)
        return rest.ratio <= max(CHANCE, LEFT * whole.ratio)

    def _shift(self, rows: Bools, measure: str) -> _Shift:
        if measure in self._bad:
            expected = float(self._expected[measure][rows].sum())
            return _Shift(float(self._bad[measure][rows].sum()) - expected, expected, 1.0)
        if measure == "spread":
            free = float(self._free[rows].sum())
            return _Shift(float(self._spread[rows].sum()), free, self._scatter)
        expected = float(self._n[rows].sum())
        return _Shift(float(self._loss[rows].sum()) - expected, expected, self._within)
