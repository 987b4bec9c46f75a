"""Episodes of alarms of loss charts: repeated alarms of one chart are one episode."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from arcdrift.analysis.common.episodes import episodes
from arcdrift.analysis.common.grouping import match_rows
from arcdrift.analysis.loss.day_level import STREAM
from arcdrift.analysis.loss.loss_charts import AllLossCharts
from arcdrift.analysis.loss.rollup import (
    SUBJECT,
    as_stream_subjects,
)
from arcdrift.charts.change_point import step_onset

EPISODE_GAP = pd.Timedelta(days=30)
"""Alarms of one chart at most so far apart are one episode."""
NEAR = pd.Timedelta(days=10)
"""Changes whose onsets are at most so far apart may have one cause."""
MEASURES = ("level", "spread", "dirty", "first_time", "errors")


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
        Number since the onset; of places, where their share is charted.
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


def alarm_episodes(charts: AllLossCharts) -> list[Episode]:
    """Episodes of alarms of all charts, by first alarm."""
    found = [
        *_level_episodes("level", charts.streams.days),
        *_level_episodes("level", charts.rolled),
        *_level_episodes("spread", charts.spread),
        *_level_episodes("spread", charts.rolled_spread),
    ]
    for measure, days in charts.rates.items():
        found += _share_episodes(measure, days)
    return sorted(found, key=lambda episode: (episode.first, episode.measure, episode.subject))


def _days_of_alarmed_subjects(
    days: pd.DataFrame, alarm: pd.Series
) -> Iterator[tuple[tuple[str, str], pd.DataFrame]]:
    """All days of each subject that has an alarm, in order; of streams, if no subject is named."""
    if not alarm.any():
        return
    keys = list(SUBJECT if "subject_id" in days.columns else STREAM)
    alarmed = days.loc[alarm, keys].drop_duplicates()
    days = days[np.all([days[name].isin(alarmed[name].unique()) for name in keys], axis=0)]
    row = match_rows(days, alarmed, keys)
    days, row = days[row >= 0], row[row >= 0]
    subjects = as_stream_subjects(alarmed) if keys == list(STREAM) else alarmed
    names = list(subjects[list(SUBJECT)].itertuples(index=False, name=None))
    for number, (subject_type, subject_id) in enumerate(names):
        part = days[row == number].sort_values("day", ignore_index=True)
        yield (str(subject_type), str(subject_id)), part


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
