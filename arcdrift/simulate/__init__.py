"""Logs of an invented crew with known truth: for demonstrations, tests and measurements.

A simulation runs in four steps, each a package:

- `crew`: the scenario, that is the crew, its habits and the planted faults;
- `air`: the weather at the sites, and the readings of sensors;
- `work`: for each splicer the workdays, checks, splices, wear and service;
- `output`: log files or frames in memory, damaged rows, and the truth.
"""

from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path

from arcdrift.errors import UsageError
from arcdrift.settings import CREW_FILE
from arcdrift.simulate.air.weather import make_readings, make_weather
from arcdrift.simulate.crew.fault_plans import (
    FaultPlan,
    add_faults,
    add_random_faults,
    load_plan,
    plan_names,
)
from arcdrift.simulate.crew.faults import Fault
from arcdrift.simulate.crew.invented_crews import invented_crew, sample_scenario
from arcdrift.simulate.crew.loss_law import LossLaw
from arcdrift.simulate.crew.scenario import Habits, Scenario
from arcdrift.simulate.crew_run import simulate_splicers
from arcdrift.simulate.output.broken_rows import add_broken_rows
from arcdrift.simulate.output.log_files import (
    KINDS,
    SETTING_TRUTH_FILE,
    TRUTH_FILE,
    LogFormat,
    crew_toml,
    log_file,
    open_log,
    prepare_folder,
)
from arcdrift.simulate.output.record_frames import SimulatedCrew, simulate_frames
from arcdrift.simulate.output.truth import Truth, build_truth
from arcdrift.simulate.work.splicer_records import SplicerTruth

__all__ = [
    "Fault",
    "FaultPlan",
    "Habits",
    "LossLaw",
    "Scenario",
    "SimulatedCrew",
    "Truth",
    "add_faults",
    "add_random_faults",
    "invented_crew",
    "load_plan",
    "plan_names",
    "sample_scenario",
    "simulate",
    "simulate_frames",
]

Progress = Callable[[int, int, int], None]
"""Called with the splicers done, the number of splicers, and the splices written so far."""


def simulate(
    scenario: Scenario,
    folder: Path,
    *,
    overwrite: bool = False,
    log_format: LogFormat = "csv",
    progress: Progress | None = None,
) -> Truth:
    """Write the logs of a scenario into a folder, splicer by splicer.

    Parameters
    ----------
    scenario : Scenario
        The crew, the days and the planted faults.
    folder : Path
        Where to write ``arc-checks.csv``, ``splices.csv.gz``, ``readings.csv``, ``service.csv``
        (or the same as ``.parquet``), ``crew.toml``, ``truth.json`` and, with ``whole_truth``,
        ``truth-settings.parquet``; made if it is missing.
    overwrite : bool
        Whether files of those names may be replaced.
    log_format : str
        ``csv`` or ``parquet``.
    progress : callable, optional
        Called after each splicer.

    Returns
    -------
    Truth
        The content of truth.json.

    Raises
    ------
    UsageError
        If the folder already holds such files, the days include no workday, or rows are to be
        broken in Parquet files.
    """
    if scenario.broken_rows and log_format != "csv":
        raise UsageError("Rows can be broken in CSV files only; choose --format csv.")
    prepare_folder(folder, overwrite=overwrite)
    weather = make_weather(scenario)
    splicers = simulate_splicers(scenario, weather)
    splicer_truths: dict[str, SplicerTruth] = {}
    rows = dict.fromkeys(KINDS, 0)
    names = {kind: log_file(kind, log_format) for kind in KINDS}
    with ExitStack() as stack:
        logs = {
            kind: stack.enter_context(open_log(folder / name, scenario.time_zone))
            for kind, name in names.items()
        }
        write_settings = (
            stack.enter_context(open_log(folder / SETTING_TRUTH_FILE, scenario.time_zone))
            if scenario.whole_truth
            else None
        )
        for splicer, records in splicers:
            for kind, frame in records.frames.items():
                logs[kind](frame)
                rows[kind] += len(frame)
            if write_settings is not None:
                write_settings(records.setting_truth.table())
            splicer_truths[splicer] = records.truth
            if progress is not None:
                progress(len(splicer_truths), len(scenario.splicers), rows["splices"])
        readings = make_readings(scenario, weather)
        logs["readings"](readings)
        rows["readings"] = len(readings)
    (folder / CREW_FILE).write_text(crew_toml(scenario), encoding="utf-8", newline="\n")

    broken = add_broken_rows(folder, scenario.rng("broken rows")) if scenario.broken_rows else []
    files = {}
    for kind, count in rows.items():
        name = names[kind]
        files[name] = {
            "rows": count + sum(row.file == name for row in broken),
            "broken": sum(row.file == name and row.expected == "quarantined" for row in broken),
            "repeated": sum(row.file == name and row.expected != "quarantined" for row in broken),
        }
    truth = build_truth(scenario, splicer_truths, files, broken)
    (folder / TRUTH_FILE).write_text(truth.to_json(), encoding="utf-8", newline="\n")
    return truth
