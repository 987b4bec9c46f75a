"""Leaves out the records that were made while a splicer's clock was wrong."""

from collections.abc import Iterable

import numpy as np
import pandas as pd

from arcdrift.analysis.clock.clock_errors import ClockErrors, find_clock_errors
from arcdrift.analysis.common.days import record_sites, site_time_zones
from arcdrift.analysis.review.splice_counters import SpliceCounters
from arcdrift.clock_bounds import ClockBounds
from arcdrift.settings import Crew

MARGIN = pd.Timedelta(days=2)
"""A local workday begins and ends within so long of midnight UTC of its date."""
_OF_CHECKS = ("checked_at", "arc_count", "by_hand")
"""Columns of the arc checks by which a wrong clock is found."""


def clock_errors(
    counters: SpliceCounters,
    checks: pd.DataFrame,
    crew: Crew,
    now: pd.Timestamp,
    began: pd.Timestamp | None = None,
    clock_right: Iterable[ClockBounds] = (),
) -> dict[str, ClockErrors]:
    """Look for stretches in which each splicer's clock was wrong.

    Parameters
    ----------
    counters : SpliceCounters
        Of all splices of these splicers.
    checks, crew, now, began, clock_right
        As for `summarize`.
    """
    clock_right = tuple(clock_right)
    checks_of = {str(name): rows for name, rows in checks.groupby("splicer").indices.items()}
    checks = checks[[name for name in _OF_CHECKS if name in checks.columns]]
    names = sorted({*counters.splicers, *checks_of})
    zones = _usual_zones(names, counters, crew)
    return {
        name: find_clock_errors(
            name,
            counters.of_splicer(name),
            checks.iloc[checks_of.get(name, [])],
            zone,
            now,
            began,
            tuple(bounds for bounds in clock_right if bounds.splicer == name),
            crew.day_offset,
        )
        for name, zone in zip(names, zones, strict=True)
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


def _usual_zones(names: list[str], counters: SpliceCounters, crew: Crew) -> list[str]:
    """Time zone of the site at which each splicer works most."""
    sites = [counters.usual_site(name) for name in names]
    usual = pd.DataFrame({"splicer": names, "site": pd.Series(sites, dtype="str")})
    return [str(zone) for zone in site_time_zones(record_sites(usual, crew), crew)]
