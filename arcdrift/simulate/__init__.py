"""Logs of an invented crew with known truth: for demonstrations, tests and measurements.

The chain: `scenario` says who and what; `weather` draws the air; `shifts` plans the days;
`machine` turns one splicer's days into checks (`checks`) and splices (`losses`), with the
planted `faults`; `write` makes the files, `broken` damages a few rows, `truth` tells all.
"""

from pathlib import Path

from arcdrift.settings import CREW_FILE
from arcdrift.simulate.broken import break_rows
from arcdrift.simulate.faults import Fault
from arcdrift.simulate.machine import MachineTruth, run_splicer
from arcdrift.simulate.sample import invented_crew, sample_scenario
from arcdrift.simulate.scenario import Scenario
from arcdrift.simulate.shifts import plan_days
from arcdrift.simulate.truth import Truth, tell_truth
from arcdrift.simulate.weather import make_readings, make_weather
from arcdrift.simulate.write import (
    CHECKS_FILE,
    READINGS_FILE,
    SERVICE_FILE,
    SPLICES_FILE,
    TRUTH_FILE,
    crew_toml,
    free_folder,
    open_rows,
    write_rows,
)

__all__ = ["Fault", "Scenario", "Truth", "invented_crew", "sample_scenario", "simulate"]


def simulate(scenario: Scenario, folder: Path, *, overwrite: bool = False) -> Truth:
    """Write the logs of a scenario into a folder.

    Parameters
    ----------
    scenario : Scenario
        The crew, the days and the planted faults.
    folder : Path
        Gets ``arc-checks.csv``, ``splices.csv.gz``, ``readings.csv``, ``service.csv``,
        ``crew.toml`` and ``truth.json``; made when missing.
    overwrite : bool
        Whether files of those names may be replaced.

    Returns
    -------
    Truth
        What truth.json holds.

    Raises
    ------
    UsageError
        When the folder already holds such files, or the days hold no workday.
    """
    free_folder(folder, overwrite=overwrite)
    weather = make_weather(scenario)
    days = plan_days(scenario)
    zone = scenario.time_zone
    machines: dict[str, MachineTruth] = {}
    rows = dict.fromkeys((CHECKS_FILE, SPLICES_FILE, READINGS_FILE, SERVICE_FILE), 0)
    with (
        open_rows(folder / CHECKS_FILE) as checks,
        open_rows(folder / SPLICES_FILE) as splices,
        open_rows(folder / SERVICE_FILE) as service,
    ):
        sinks = {CHECKS_FILE: checks, SPLICES_FILE: splices, SERVICE_FILE: service}
        # one splicer at a time, so that memory holds one splicer's splices
        for number, splicer in enumerate(scenario.splicers):
            planned = days[days["splicer"] == number]
            if planned.empty:
                continue
            made = run_splicer(scenario, splicer, planned, weather)
            for name, frame in (
                (CHECKS_FILE, made.checks),
                (SPLICES_FILE, made.splices),
                (SERVICE_FILE, made.service),
            ):
                write_rows(sinks[name], frame, zone, header=rows[name] == 0)
                rows[name] += len(frame)
            machines[splicer.name] = made.truth
    with open_rows(folder / READINGS_FILE) as sink:
        readings = make_readings(scenario, weather)
        write_rows(sink, readings, zone, header=True)
        rows[READINGS_FILE] = len(readings)
    (folder / CREW_FILE).write_text(crew_toml(scenario), encoding="utf-8", newline="\n")

    broken = break_rows(folder, scenario.rng("broken rows")) if scenario.broken_rows else []
    files = {
        name: {
            "rows": count + sum(row.file == name for row in broken),
            "broken": sum(row.file == name and row.expected == "quarantined" for row in broken),
            "repeated": sum(row.file == name and row.expected != "quarantined" for row in broken),
        }
        for name, count in rows.items()
    }
    truth = tell_truth(scenario, machines, files, broken)
    (folder / TRUTH_FILE).write_text(truth.to_json(), encoding="utf-8", newline="\n")
    return truth
