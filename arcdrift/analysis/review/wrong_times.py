"""Leaves out the records that were made while a splicer's clock was wrong."""

from collections.abc import Iterable

import numpy as np
import pandas as pd

from arcdrift.analysis.clock.clock_errors import ClockErrors, find_clock_errors
from arcdrift.analysis.common.days import record_sites, site_time_zones
from arcdrift.arrays import Ints
from arcdrift.clock_bounds import ClockBounds
from arcdrift.settings import Crew

CLOCK_COLUMNS = ("id", "import_id", "spliced_at", "arc_count", "splice_number")
COUNTER_COLUMNS = (*CLOCK_COLUMNS, "splicer", "site")
"""Columns of the splices that `clock_errors` needs."""
MARGIN = pd.Timedelta(days=2)
"""A local workday begins and ends within so long of midnight UTC of its date."""


def clock_errors(
    splices: pd.DataFrame,
    checks: pd.DataFrame,
    crew: Crew,
    now: pd.Timestamp,
    began: pd.Timestamp | None = None,
    clock_right: Iterable[ClockBounds] = (),
) -> dict[str, ClockErrors]:
    """Look for stretches in which each splicer's clock was wrong.

    Parameters
    ----------
    splices : DataFrame
        `COUNTER_COLUMNS` of all splices of these splicers, each splicer's in the order of ids.
    checks, crew, now, began, clock_right
        As for `summarize`.
    """
    positions = _positions_by_splicer(splices, checks)
    clock_right = tuple(clock_right)
    counts = splices[[name for name in CLOCK_COLUMNS if name in splices.columns]]
    return {
        name: find_clock_errors(
            name,
            counts.iloc[splice_rows],
            checks.iloc[check_rows],
            _usual_zone(name, splices["site"].iloc[splice_rows], crew),
            now,
            began,
            tuple(bounds for bounds in clock_right if bounds.splicer == name),
            crew.day_offset,
        )
        for name, (splice_rows, check_rows) in positions.items()
    }


def _positions_by_splicer(
    splices: pd.DataFrame, checks: pd.DataFrame
) -> dict[str, tuple[Ints, Ints]]:
    """Row numbers of the splices and of the checks of each splicer, sorted by name."""
    splices_of, checks_of = (
        {str(name): np.asarray(rows) for name, rows in records.groupby("splicer").indices.items()}
        for records in (splices, checks)
    )
    none = np.zeros(0, dtype=np.int64)
    return {
        name: (splices_of.get(name, none), checks_of.get(name, none))
        for name in sorted({*splices_of, *checks_of})
    }


def without_wrong_times(
    records: pd.DataFrame, when: str, clocks: dict[str, ClockErrors]
) -> pd.DataFrame:
    """Leave out the records made while a clock was wrong."""
    right = np.ones(len(records), np.bool_)
    for name, clock in clocks.items():
        if clock.stretches:
            rows = np.flatnonzero(records["splicer"] == name)
            right[rows] = ~clock.contains(records.iloc[rows], when)
    return records if right.all() else records[right].reset_index(drop=True)


def in_wrong_stretch(check_days: pd.DataFrame, clocks: dict[str, ClockErrors]) -> pd.Series:
    """Whether each splicer's workday lies in a stretch in which its clock was wrong."""
    wrong = pd.Series(data=False, index=check_days.index)
    for name, clock in clocks.items():
        if clock.stretches:
            rows = check_days["splicer"] == name
            wrong[rows] = clock.holds_day(check_days.loc[rows, "day"])
    return wrong


def stretches_before(clocks: dict[str, ClockErrors], first_day: pd.Timestamp) -> dict[str, str]:
    """Describe the stretches with a wrong clock that began before a workday, by splicer."""
    limit = first_day.tz_localize("UTC") + MARGIN
    described = {}
    for name, clock in clocks.items():
        early = [
            (stretch.bounds, stretch.shift_h, stretch.span)
            for stretch in clock.stretches
            if min(pd.Timestamp(stretch.bounds.starts_at), stretch.since) < limit
        ]
        if early:
            described[name] = repr(early)
    return described


def _usual_zone(splicer: str, sites: pd.Series, crew: Crew) -> str:
    """Time zone of the site at which the splicer works most."""
    site = sites.mode()
    usual = pd.DataFrame({"splicer": [splicer], "site": [site.iloc[0] if len(site) else pd.NA]})
    return str(site_time_zones(record_sites(usual, crew), crew).iloc[0])
