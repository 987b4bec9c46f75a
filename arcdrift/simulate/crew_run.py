"""Simulating a scenario splicer by splicer, so that memory holds one splicer's splices only."""

from collections.abc import Iterator

import pandas as pd

from arcdrift.simulate.air.weather import Weather
from arcdrift.simulate.crew.scenario import Scenario
from arcdrift.simulate.work.shifts import plan_days
from arcdrift.simulate.work.splicer_records import SplicerRecords, simulate_splicer


def simulate_splicers(scenario: Scenario, weather: Weather) -> Iterator[tuple[str, SplicerRecords]]:
    """Plan the days, then yield the records of one splicer after the other.

    Returns
    -------
    iterator of (str, SplicerRecords)
        Name and records; splicers that never worked are left out.

    Raises
    ------
    UsageError
        If the days include no workday.
    """
    return _simulate_each(scenario, weather, plan_days(scenario))


def _simulate_each(
    scenario: Scenario, weather: Weather, days: pd.DataFrame
) -> Iterator[tuple[str, SplicerRecords]]:
    days_by_splicer = dict(list(days.groupby("splicer", sort=False)))
    for number, splicer in enumerate(scenario.splicers):
        if number in days_by_splicer:
            yield (
                splicer.name,
                simulate_splicer(scenario, splicer, days_by_splicer[number], weather),
            )
