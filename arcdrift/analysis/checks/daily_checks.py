"""Status of the daily arc check for each splicer and local day.

Each splicer has one row per local day from its first record to its last one, or to today.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from arcdrift.analysis.common.days import record_sites, site_time_zones, workdays
from arcdrift.analysis.common.event_lookup import (
    latest_event,
    splicer_index,
    to_microseconds,
    to_timestamps,
)
from arcdrift.analysis.common.grouping import group_index, rows_with, text_codes, time_order
from arcdrift.arrays import Bools, Ints
from arcdrift.settings import Crew
from arcdrift.times import local_day

COLUMNS = (
    "splicer",
    "day",
    "site",
    "status",
    "checked_at",
    "first_splice_at",
    "splices",
    "splices_before_check",
    "attempts",
    "failed_attempts",
    "splices_after_failure",
    "technician",
    "day_over",
    "same_shift",
)
SHIFT = pd.Timedelta(hours=8)
"""Length of a shift (common practice, no source): a check passed within this time before a day's
first splice, but on the workday before, suggests that day_starts_at in crew.toml is wrong."""
NEVER = np.iinfo(np.int64).min
"""Microseconds that stand for a missing time (pandas' NaT); earlier than every time."""


@dataclass(frozen=True)
class _Records:
    """Checks or splices of each splicer in time order, equal times in stored order.

    Attributes
    ----------
    rows : array of shape (n,)
        Position of each record in its frame.
    splicer, time, day, site : array of shape (n,)
        Number of the splicer; microseconds UTC; days since 1970; position of the site in `sites`,
        -1 where it is not known.
    sites : array of object
        Names of the sites; the last one is None.
    """

    rows: Ints
    splicer: Ints
    time: Ints
    day: Ints
    site: Ints
    sites: npt.NDArray[np.object_]

    def since(self, first: Ints) -> "_Records":
        """Leave out records before the first day of their splicer."""
        chosen = self.day >= first[self.splicer]
        if chosen.all():
            return self
        return _Records(
            self.rows[chosen], self.splicer[chosen], self.time[chosen], self.day[chosen],
            self.site[chosen], self.sites,
        )  # fmt: skip

    def newest(self, splicers: int) -> Ints:
        """Position of the newest record of each splicer; -1 where it has none."""
        end = np.searchsorted(self.splicer, np.arange(splicers), side="right")
        has_any = np.bincount(self.splicer, minlength=splicers) > 0
        return np.where(has_any, end - 1, -1)


@dataclass(frozen=True)
class EarlierDays:
    """What is known of the splices before the first day of a table of daily checks.

    Attributes
    ----------
    since : Timestamp
        First day of the table, as a naive midnight.
    newest : DataFrame
        Newest of the earlier splices of each splicer: ``splicer``, ``spliced_at`` (UTC), ``site``.
    """

    since: pd.Timestamp
    newest: pd.DataFrame


def daily_checks(
    checks: pd.DataFrame,
    splices: pd.DataFrame,
    crew: Crew,
    now: pd.Timestamp,
    earlier: EarlierDays | None = None,
) -> pd.DataFrame:
    """Status of the arc check for each splicer and day.

    Parameters
    ----------
    checks : DataFrame
        Arc checks: ``splicer``, ``checked_at`` (UTC), ``outcome``, ``site``; checks of the same
        time in stored order.
    splices : DataFrame
        ``splicer``, ``spliced_at`` (UTC), ``site``, ``technician``; practice splices included,
        because they depend on the arc as well.
    now : Timestamp
        UTC. A day that has not ended by then is "due" instead of "missed".
    earlier : EarlierDays, optional
        Leaves the days before its first one out of the table, whose splices are then not needed.

    Returns
    -------
    DataFrame
        `COLUMNS`, one row per splicer and day, sorted. ``status`` is ``checked`` (a passed check
        at or before the first splice), ``late`` (passed, but after ``splices_before_check``
        splices), ``failed-only`` (attempts, none passed), ``missed``, ``due`` or ``no-work``.
        A check counts for the workday in which it was made, even just before the next one starts.
        ``site`` is that of the day's first splice, or of its last check if there is no splice.
        ``splices_after_failure`` counts splices between a failed check and the next pass, also
        across the end of a day; an aborted check is an attempt, but neither a pass nor a failure.
        ``technician`` made the most splices of the day (in a tie, the one who started first);
        missing where most were logged without a name. ``same_shift``: a day without a pass, but
        with one less than `SHIFT` before its first splice, on the workday before.
    """
    frames = [checks, splices] if earlier is None else [checks, splices, earlier.newest]
    found = {name for records in frames for name in records["splicer"].unique()}
    names = np.array(sorted(found), dtype=object)
    if not len(names):
        return pd.DataFrame(columns=list(COLUMNS))
    sorted_checks = _sort_records(checks, crew, "checked_at", names)
    sorted_splices = _sort_records(splices, crew, "spliced_at", names)
    parts = [sorted_checks, sorted_splices]
    if earlier is not None:
        parts.append(_sort_records(earlier.newest, crew, "spliced_at", names))
    first, last, today = _day_ranges(parts, names, crew, now)
    if earlier is not None:
        since = earlier.since.to_datetime64().astype("datetime64[D]").astype(np.int64)
        first, last = np.maximum(first, since), np.maximum(last, since - 1)
    days = last - first + 1
    size, start = int(days.sum()), np.cumsum(days) - days
    splicer = np.repeat(np.arange(len(names)), days)
    day = np.arange(size) - start[splicer] + first[splicer]
    all_checks, sorted_checks = sorted_checks, sorted_checks.since(first)
    # row of the table for each record; everything else is counted by row
    check_row = start[sorted_checks.splicer] + sorted_checks.day - first[sorted_checks.splicer]
    splice_row = start[sorted_splices.splicer] + sorted_splices.day - first[sorted_splices.splicer]

    def count(rows: Ints) -> Ints:
        return np.bincount(rows, minlength=size)

    is_pass, is_failure = (rows_with(checks["outcome"], name) for name in ("pass", "fail"))
    passed, ever_passed = is_pass[sorted_checks.rows], is_pass[all_checks.rows]
    checked_at = _first_per_row(check_row[passed], sorted_checks.time[passed], size, NEVER)
    first_splice_at = _first_per_row(splice_row, sorted_splices.time, size, NEVER)
    is_before_check = sorted_splices.time < checked_at[splice_row]
    check_before = _latest_selected_check(
        all_checks,
        ever_passed | is_failure[all_checks.rows],
        sorted_splices.splicer,
        sorted_splices.time,
    )
    after_failure = (
        (check_before >= 0) & ~ever_passed[check_before] if len(ever_passed) else check_before >= 0
    )
    table = pd.DataFrame(
        {
            "splicer": names[splicer],
            "day": day.astype("datetime64[D]").astype("datetime64[us]"),
            "site": _day_sites(sorted_checks, check_row, sorted_splices, splice_row, size),
            "checked_at": to_timestamps(checked_at),
            "first_splice_at": to_timestamps(first_splice_at),
            "splices": count(splice_row),
            "splices_before_check": count(splice_row[is_before_check]),
            "attempts": count(check_row),
            "failed_attempts": count(check_row[~passed]),
            "splices_after_failure": count(splice_row[after_failure]),
            "technician": _busiest_technician(
                splices["technician"], sorted_splices, splice_row, size
            ),
            "day_over": day < today[splicer],
            "same_shift": _same_shift(
                all_checks, ever_passed, splicer, checked_at, first_splice_at
            ),
        }
    )
    return table.assign(status=_status(table))[list(COLUMNS)]


def _sort_records(
    records: pd.DataFrame, crew: Crew, column: str, names: npt.NDArray[np.object_]
) -> _Records:
    splicer, time = (
        splicer_index(records["splicer"], pd.Index(names)),
        to_microseconds(records[column]),
    )
    day = workdays(records, crew, column).to_numpy().astype("datetime64[D]").astype(np.int64)
    site, sites = text_codes(record_sites(records, crew))
    rows = time_order(splicer, time)
    return _Records(
        rows, splicer[rows], time[rows], day[rows], site[rows],
        sites=np.array([*sites, None], dtype=object),
    )  # fmt: skip


def _day_ranges(
    records: Sequence[_Records],
    names: npt.NDArray[np.object_],
    crew: Crew,
    now: pd.Timestamp,
) -> tuple[Ints, Ints, Ints]:
    """First and last day of each splicer, and the local date at its latest site; shape (names,)."""
    newest_at = np.full(len(names), NEVER)
    site = np.full(len(names), None, dtype=object)
    first, last = np.full(len(names), np.iinfo(np.int64).max), np.full(len(names), NEVER)
    for part in records:
        newest = part.newest(len(names))
        time = np.append(part.time, NEVER)[newest]
        newer = (newest >= 0) & (time >= newest_at)
        newest_at = np.where(newer, time, newest_at)
        site[newer] = part.sites[part.site[newest[newer]]]
        np.minimum.at(first, part.splicer, part.day)
        np.maximum.at(last, part.splicer, part.day)
    now_of_site = pd.Series(now, index=range(len(names))).dt.as_unit("us")
    zones = site_time_zones(pd.Series(site, dtype=object), crew)
    local = local_day(now_of_site, zones, crew.day_offset)
    today = local.to_numpy().astype("datetime64[D]").astype(np.int64)
    return first, np.maximum(last, today), today


def _first_per_row(
    rows: Ints, values: npt.NDArray[Any], size: int, nothing: Any
) -> npt.NDArray[Any]:
    """First value of each row of the table, shape (size,); ``nothing`` where there is none."""
    out = np.full(size, nothing, dtype=values.dtype)
    out[rows[::-1]] = values[::-1]  # numpy keeps the last of repeated assignments
    return out


def _day_sites(
    checks: _Records, check_row: Ints, splices: _Records, splice_row: Ints, size: int
) -> npt.NDArray[np.object_]:
    """Site of each day's first splice, else of its last check, shape (size,)."""
    splice_known, check_known = splices.site >= 0, checks.site >= 0
    of_splices = _first_per_row(splice_row[splice_known], splices.site[splice_known], size, -1)
    of_checks = _first_per_row(
        check_row[check_known][::-1], checks.site[check_known][::-1], size, -1
    )
    sites = np.where(of_splices >= 0, splices.sites[of_splices], checks.sites[of_checks])
    return np.asarray(sites, dtype=object)


def _latest_selected_check(checks: _Records, selected: Bools, splicer: Ints, time: Ints) -> Ints:
    """Index of the splicer's latest selected check up to each time; -1 where there is none."""
    rows = np.flatnonzero(selected)
    latest = latest_event(splicer, time, checks.splicer[rows], checks.time[rows])
    return np.append(rows, -1)[latest]


def _busiest_technician(
    technician: pd.Series, splices: _Records, row: Ints, size: int
) -> npt.NDArray[np.object_]:
    """Technician with the most splices of each day; missing names count as one person."""
    code, people = text_codes(technician)
    names = np.array([*people, None], dtype=object)
    person = np.where(code < 0, len(people), code)[splices.rows]
    pair, first = group_index(row, person)
    day, person, count = row[first], person[first], np.bincount(pair)
    order = np.lexsort((person, splices.time[first], -count))
    return _first_per_row(day[order], names[person[order]], size, None)


def _same_shift(
    checks: _Records, passed: Bools, splicer: Ints, checked_at: Ints, first_splice_at: Ints
) -> Bools:
    """Days without a pass, but with one in the preceding `SHIFT`; shape (size,)."""
    unchecked = (checked_at == NEVER) & (first_splice_at != NEVER)
    out = np.zeros(len(splicer), dtype=bool)
    before = _latest_selected_check(checks, passed, splicer[unchecked], first_splice_at[unchecked])
    if len(checks.time):
        gap = first_splice_at[unchecked] - checks.time[before]
        out[unchecked] = (before >= 0) & (gap < SHIFT // pd.Timedelta(microseconds=1))
    return out


def _status(table: pd.DataFrame) -> npt.NDArray[np.object_]:
    passed = table["checked_at"].notna()
    cases = {
        "no-work": table["splices"] == 0,
        "late": passed & (table["splices_before_check"] > 0),
        "checked": passed,
        "failed-only": table["attempts"] > 0,
        "missed": table["day_over"],
    }
    return np.select(list(cases.values()), list(cases), "due").astype(object)
