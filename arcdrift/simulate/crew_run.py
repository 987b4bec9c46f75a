"""Runs a scenario, one splicer at a time, so that memory holds one splicer's splices."""

from collections.abc import Iterator

import pandas as pd

from arcdrift.simulate.air.weather import Weather
from arcdrift.simulate.crew.scenario import Scenario
from arcdrift.simulate.work.shifts import plan_days
from arcdrift.simulate.work.splicer_records import MachineRecords, run_splicer


def run_crew(scenario: Scenario, weather: Weather) -> Iterator[tuple[str, MachineRecords]]:
    """Plan the days, then simulate splicer after splicer as the result is read.

    Returns
    -------
    iterator of (str, MachineRecords)
        By name; splicers that never worked are left out.

    Raises
    ------
    UsageError
        When the days hold no workday.
    """
    return _each(scenario, weather, plan_days(scenario))


def _each(
    scenario: Scenario, weather: Weather, days: pd.DataFrame
) -> Iterator[tuple[str, MachineRecords]]:
    by_splicer = dict(list(days.groupby("splicer", sort=False)))
    for number, splicer in enumerate(scenario.splicers):
        if number in by_splicer:
            yield splicer.name, run_splicer(scenario, splicer, by_splicer[number], weather)
