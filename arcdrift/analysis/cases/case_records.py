"""Records that the history of a case needs: workdays of its subject, and what was done about it."""

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, datetime
from functools import cached_property
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
import pandas as pd

from arcdrift.analysis.cases.check_habits import CheckHabit, check_habits
from arcdrift.analysis.checks.compliance import WORKED
from arcdrift.analysis.common.grouping import group_index
from arcdrift.analysis.common.service_actions import REPLACED
from arcdrift.arrays import Datetimes, Ints
from arcdrift.case import Key
from arcdrift.finding import Finding
from arcdrift.instants import instant_at, microseconds
from arcdrift.settings import Crew

BLADE_ACTIONS = ("blade rotated", "blade replaced")
MENDING_ACTIONS: dict[str, tuple[str, ...]] = {
    "arc": (REPLACED, "v-grooves cleaned", "factory service"),
    "loss": (REPLACED, "v-grooves cleaned", "factory service"),
    "cleave": BLADE_ACTIONS,
    "electrodes": (REPLACED,),
}
"""Service that may cure a cause. Cleaning in general is too common to be told from chance."""


_NO_DAYS: Datetimes = np.zeros(0, "datetime64[us]")


class FoundAction(NamedTuple):
    """Something done about a case that is on record: when (UTC), what, who, and where it stands."""

    at: datetime
    what: str
    by: str | None
    source: str


@dataclass(frozen=True)
class CaseRecords:
    """Records of a crew, by subject.

    Attributes
    ----------
    cells : DataFrame
        ``splicer``, ``technician``, ``cleaver``, ``program``, ``site``, ``day`` (naive local
        midnight) of all splices (`arcdrift.analysis.loss.technician_days`).
    check_days : DataFrame
        From `arcdrift.analysis.checks.daily_checks.daily_checks`.
    service : DataFrame
        ``asset``, ``serviced_at`` (UTC), ``action``.
    notes : DataFrame
        Coaching notes: ``technician``, ``held_on``, ``topic``, ``said_by``.
    """

    cells: pd.DataFrame
    check_days: pd.DataFrame
    service: pd.DataFrame
    notes: pd.DataFrame
    crew: Crew
    _days: dict[str, dict[str, Datetimes]] = field(default_factory=dict)

    def zone(self, subject_type: str, subject: str) -> ZoneInfo:
        """Time zone of a subject: of the home site of a splicer, of a site, or of the crew."""
        site = subject if subject_type == "site" else None
        if subject_type == "splicer" and subject in self.crew.splicers:
            site = self.crew.splicers[subject].home_site
        return ZoneInfo(self.crew.zone_of(site) or "UTC")

    def local_day(self, key: Key, at: datetime) -> date:
        """Local day of an instant at a case's subject."""
        return at.astimezone(self.zone(*key[1:])).date()

    def workdays_since(self, key: Key, day: date) -> list[date]:
        """Local days after a day on which a case's subject was at work, in order."""
        subject_type, subject = key[1:]
        if subject_type == "splicer":
            days = self._splicer_days.get(subject)
        elif subject_type in ("technician", "cleaver", "site", "program", "holding"):
            days = self._days_by(subject_type).get(subject)
        else:
            days = self._all_days
        if days is None:
            return []
        later: list[date] = days[days > np.datetime64(day)].astype("datetime64[D]").tolist()
        return later

    @cached_property
    def _all_days(self) -> Datetimes:
        return np.unique(self.cells["day"].to_numpy())

    @cached_property
    def _splicer_days(self) -> dict[str, Datetimes]:
        worked = self.check_days[self.check_days["splices"] > 0]
        return {
            str(name): np.sort(days.to_numpy()) for name, days in worked.groupby("splicer")["day"]
        }

    def _days_by(self, column: str) -> dict[str, Datetimes]:
        if column not in self._days:
            self._days[column] = {
                name: days for (name,), days in _distinct_days(self.cells, column)
            }
        return self._days[column]

    @cached_property
    def _cleaver_use(self) -> dict[tuple[str, str], list[tuple[str, Datetimes]]]:
        """Cleavers of each splicer and person, with the days of their use."""
        found: dict[tuple[str, str], list[tuple[str, Datetimes]]] = defaultdict(list)
        for column in ("splicer", "technician"):
            for (name, cleaver), days in _distinct_days(self.cells, column, "cleaver"):
                found[column, name].append((cleaver, days))
        return found

    def cleavers(self, finding: Finding) -> list[str]:
        """Cleavers used in a finding's time with its splicer, or by its person."""
        subject_type, subject = finding.subject_type, finding.subject_id
        if subject_type == "stream":
            subject_type, subject = "splicer", subject.split(" / ")[0]
        first, last = (
            np.datetime64(at.replace(tzinfo=None), "us") - np.timedelta64(hours, "h")
            for at, hours in ((finding.since, 36), (finding.until, -12))
        )
        return [
            cleaver
            for cleaver, days in self._cleaver_use.get((subject_type, subject), ())
            if ((days >= first) & (days <= last)).any()
        ]

    def actions(self, key: Key, since: datetime) -> list[FoundAction]:
        """What was done about a cause since an instant, in order of time."""
        cause, subject_type, subject = key
        if cause == "hand":
            return self._coaching(subject, since)
        kinds = MENDING_ACTIONS.get(cause, ())
        if cause.startswith("service: "):
            kinds = (cause.removeprefix("service: "),)
            kinds = BLADE_ACTIONS if kinds[0] in BLADE_ACTIONS else kinds
        if not kinds or subject_type not in ("splicer", "cleaver"):
            return []
        assets = [subject]
        if cause == "cleave" and subject_type == "splicer":
            assets = [cleaver for cleaver, _ in self._cleaver_use.get(("splicer", subject), ())]
        found = [
            FoundAction(instant_at(int(at)), str(action), None, "service")
            for asset in assets
            for at, action in zip(*self._service_of.get(asset, ((), ())), strict=True)
            if action in kinds and at >= microseconds(since)
        ]
        return sorted(found)

    @cached_property
    def _service_of(self) -> dict[str, tuple[Ints, npt.NDArray[np.object_]]]:
        """Instants (microseconds, UTC) and actions of the service of each asset, in order."""
        rows = self.service.sort_values("serviced_at", kind="stable")
        at = rows["serviced_at"].to_numpy(dtype="datetime64[us]").astype(np.int64)
        action = rows["action"].to_numpy(dtype=object)
        places = rows.reset_index(drop=True).groupby("asset").indices
        return {str(asset): (at[rows], action[rows]) for asset, rows in places.items()}

    def _coaching(self, person: str, since: datetime) -> list[FoundAction]:
        zone = self.zone("technician", person)
        found = [
            FoundAction(
                datetime.fromisoformat(row["held_on"]).replace(hour=12, tzinfo=zone),
                f"coaching: {row['topic']}", str(row["said_by"]), "coaching",
            )
            for row in self._notes_of.get(person, ())
        ]  # fmt: skip
        return [action for action in found if action.at >= since]

    @cached_property
    def _notes_of(self) -> dict[str, list[dict[str, Any]]]:
        """Coaching notes of each person, as they come."""
        found: dict[str, list[dict[str, Any]]] = defaultdict(list)
        for row in self.notes.to_dict("records"):
            found[row["technician"]].append({str(name): value for name, value in row.items()})
        return found

    @cached_property
    def habits(self) -> dict[str, list[CheckHabit]]:
        """Habits of missed and late checks by splicer, in order of time."""
        found: dict[str, list[CheckHabit]] = defaultdict(list)
        for habit in check_habits(self.check_days):
            found[habit.splicer].append(habit)
        return found

    def next_passed_check(self, splicer: str, day: date) -> datetime | None:
        """First passed check (UTC) on a workday after a day; None if there was none yet."""
        days, checked = self._passed_checks.get(splicer, (_NO_DAYS, _NO_DAYS))
        later = checked[days > np.datetime64(day)]
        if not len(later):
            return None
        return instant_at(int(later.min().astype("datetime64[us]").astype(np.int64)))

    @cached_property
    def _passed_checks(self) -> dict[str, tuple[Datetimes, Datetimes]]:
        """Workdays with a passed check of each splicer, and when it passed (UTC)."""
        rows = self.check_days
        rows = rows[rows["status"].isin(WORKED[:2]) & rows["checked_at"].notna()]
        day = rows["day"].to_numpy(dtype="datetime64[us]")
        checked = rows["checked_at"].to_numpy(dtype="datetime64[us]")
        places = rows.reset_index(drop=True).groupby("splicer").indices
        return {str(name): (day[at], checked[at]) for name, at in places.items()}


def _distinct_days(
    cells: pd.DataFrame, *columns: str
) -> Iterator[tuple[tuple[str, ...], Datetimes]]:
    """Each combination of names in some columns, in order, with its days in order."""
    if cells.empty:
        return
    keys = [cells[column] for column in columns]
    _, rows = group_index(*keys, cells["day"])
    names, first = group_index(*(values.array[rows] for values in keys))
    texts = [values.array[rows[first]].tolist() for values in keys]
    days = np.split(cells["day"].to_numpy()[rows], np.searchsorted(names, np.arange(1, len(first))))
    for number, own in enumerate(days):
        yield tuple(str(text[number]) for text in texts), own
