"""Daily checks: which splicer was checked, when, and before how many splices.

Every splicer has one row for each local day from its first record to its last (or to today).
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from arcdrift.analysis.common.days import WORKDAY, record_sites, site_time_zones, workdays
from arcdrift.analysis.common.event_lookup import latest_event, splicer_index, to_microseconds
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
"""How long a shift lasts (common practice, no source): a pass made this shortly before a day's
first splice, but on the workday before, hints at a workday that begins at the wrong hour."""
NEVER = np.iinfo(np.int64).min
"""Microseconds that stand for no instant, as pandas writes it; earlier than every instant."""


@dataclass(frozen=True)
class _Records:
    """Checks or splices in time order, equal times in the order they were stored.

    ``who`` counts splicers, ``when`` is in microseconds UTC, ``day`` in days since 1970.
    """

    frame: pd.DataFrame
    who: Ints
    when: Ints
    day: Ints
    site: npt.NDArray[np.object_]


def daily_checks(
    checks: pd.DataFrame, splices: pd.DataFrame, crew: Crew, now: pd.Timestamp
) -> pd.DataFrame:
    """Status of every splicer-day.

    Parameters
    ----------
    checks : DataFrame
        Arc checks: ``splicer``, ``checked_at`` (UTC), ``outcome``, ``site``; checks of one
        instant in the order they were stored.
    splices : DataFrame
        ``splicer``, ``spliced_at`` (UTC), ``site``, ``technician``; every splice counts, practice
        included, because each one leans on the arc.
    now : Timestamp
        UTC. A day that has not ended by then is "due" where it would be "missed".

    Returns
    -------
    DataFrame
        `COLUMNS`, one row a splicer-day, ordered. ``status`` is ``checked`` (a passed check at
        or before the first splice), ``late`` (passed, but after ``splices_before_check``
        splices), ``failed-only`` (attempts, none passed), ``missed``, ``due`` or ``no-work``.
        A check counts for the workday it was made in, also just before the next one begins.
        ``site`` is where the day's first splice was made, or its last check when there was none.
        ``splices_after_failure`` counts splices between a failed check and the next pass, also
        over the end of a day; an aborted check is an attempt, but settles nothing.
        ``technician`` made the most splices of the day, among equals whoever began first;
        missing where most were logged without a name. ``same_shift``: a day without a pass, but
        with one less than `SHIFT` before its first splice, on the workday before.
    """
    names = np.unique([*checks["splicer"].unique(), *splices["splicer"].unique()]).astype(object)
    if not len(names):
        return pd.DataFrame(columns=list(COLUMNS))
    done = _in_order(checks, crew, "checked_at", names)
    made = _in_order(splices, crew, "spliced_at", names)
    first, last, today = _spans(done, made, names, crew, now)
    days = last - first + 1
    size, start = int(days.sum()), np.cumsum(days) - days
    who = np.repeat(np.arange(len(names)), days)
    day = np.arange(size) - start[who] + first[who]
    # once every record knows its row of the table, the rest is counting
    check_row = start[done.who] + done.day - first[done.who]
    splice_row = start[made.who] + made.day - first[made.who]

    def count(rows: Ints) -> Ints:
        return np.bincount(rows, minlength=size)

    outcome = done.frame["outcome"].to_numpy(dtype=object)
    passed = outcome == "pass"
    checked_at = _first(check_row[passed], done.when[passed], size, NEVER)
    first_splice_at = _first(splice_row, made.when, size, NEVER)
    before = made.when < checked_at[splice_row]
    before_it = _latest(done, passed | (outcome == "fail"), made.who, made.when)
    astray = (before_it >= 0) & ~passed[before_it] if len(passed) else before_it >= 0
    table = pd.DataFrame(
        {
            "splicer": names[who],
            "day": day.astype("datetime64[D]").astype("datetime64[us]"),
            "site": _sites(check_row, done.site, splice_row, made.site, size),
            "checked_at": _instants(checked_at),
            "first_splice_at": _instants(first_splice_at),
            "splices": count(splice_row),
            "splices_before_check": count(splice_row[before]),
            "attempts": count(check_row),
            "failed_attempts": count(check_row[~passed]),
            "splices_after_failure": count(splice_row[astray]),
            "technician": _busiest(made, splice_row, size),
            "day_over": day < today[who],
            "same_shift": _same_shift(done, passed, who, checked_at, first_splice_at),
        }
    )
    return table.assign(status=_status(table))[list(COLUMNS)]


def _in_order(
    records: pd.DataFrame, crew: Crew, column: str, names: npt.NDArray[np.object_]
) -> _Records:
    needed = ("splicer", column, WORKDAY, "site", "outcome", "technician")
    frame = records[[name for name in needed if name in records.columns]]
    if not frame[column].is_monotonic_increasing:
        frame = frame.sort_values(column, kind="stable")
    day = workdays(frame, crew, column).to_numpy().astype("datetime64[D]").astype(np.int64)
    return _Records(
        frame=frame,
        who=splicer_index(frame["splicer"], pd.Index(names)),
        when=to_microseconds(frame[column]),
        day=day,
        site=record_sites(frame, crew).to_numpy(dtype=object),
    )


def _spans(
    done: _Records, made: _Records, names: npt.NDArray[np.object_], crew: Crew, now: pd.Timestamp
) -> tuple[Ints, Ints, Ints]:
    """First and last day of each splicer's table, and its today where it was last seen."""
    who = np.concatenate([done.who, made.who])
    order = np.lexsort((np.concatenate([done.when, made.when]), who))
    newest = order[np.searchsorted(who[order], np.arange(len(names)), side="right") - 1]
    place = pd.Series(np.concatenate([done.site, made.site])[newest], dtype=object)
    now_here = pd.Series(now, index=place.index).dt.as_unit("us")
    local = local_day(now_here, site_time_zones(place, crew), crew.day_offset)
    today = local.to_numpy().astype("datetime64[D]").astype(np.int64)
    day = np.concatenate([done.day, made.day])
    first, last = np.full(len(names), day.max()), today.copy()
    np.minimum.at(first, who, day)
    np.maximum.at(last, who, day)
    return first, last, today


def _first(rows: Ints, values: npt.NDArray[Any], size: int, nothing: Any) -> npt.NDArray[Any]:
    """First value of every row of the table."""
    out = np.full(size, nothing, dtype=values.dtype)
    found, at = np.unique(rows, return_index=True)
    out[found] = values[at]
    return out


def _sites(
    check_row: Ints,
    check_site: npt.NDArray[np.object_],
    splice_row: Ints,
    splice_site: npt.NDArray[np.object_],
    size: int,
) -> npt.NDArray[np.object_]:
    known, seen = pd.notna(splice_site), pd.notna(check_site)
    worked = _first(splice_row[known], splice_site[known], size, None)
    checked = _first(check_row[seen][::-1], check_site[seen][::-1], size, None)
    return np.where(pd.isna(worked), checked, worked)


def _latest(done: _Records, chosen: Bools, who: Ints, at: Ints) -> Ints:
    """Position of a splicer's latest chosen check up to an instant; -1 where there is none."""
    rows = np.flatnonzero(chosen)
    found = latest_event(who, at, done.who[rows], done.when[rows])
    return np.append(rows, -1)[found]


def _busiest(made: _Records, row: Ints, size: int) -> npt.NDArray[np.object_]:
    """Who made the most splices of each day; names missing in the log count as one person."""
    code, people = pd.factorize(made.frame["technician"], sort=True)
    names = np.array([*people, None], dtype=object)
    code = np.where(code < 0, len(people), code)
    pair, first, count = np.unique(row * len(names) + code, return_index=True, return_counts=True)
    day, person = np.divmod(pair, len(names))
    order = np.lexsort((person, made.when[first], -count))
    return _first(day[order], names[person[order]], size, None)


def _same_shift(
    done: _Records, passed: Bools, who: Ints, checked_at: Ints, first_splice_at: Ints
) -> Bools:
    unchecked = (checked_at == NEVER) & (first_splice_at != NEVER)
    out = np.zeros(len(who), dtype=bool)
    before = _latest(done, passed, who[unchecked], first_splice_at[unchecked])
    if len(done.when):
        gap = first_splice_at[unchecked] - done.when[before]
        out[unchecked] = (before >= 0) & (gap < SHIFT // pd.Timedelta(microseconds=1))
    return out


def _instants(at: Ints) -> pd.Series:
    return pd.Series(at.view("datetime64[us]")).dt.tz_localize("UTC")


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
