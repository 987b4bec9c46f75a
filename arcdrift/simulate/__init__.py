"""Logs of an invented crew with known truth: for demonstrations, tests and measurements.

The chain: `scenario` says who and what (`sample` makes crews, `plant` adds faults from TOML
files); `weather` draws the air; `shifts` plans the days; `machine` turns one splicer's days
into checks (`checks`, `need`) and splices (`hands`, `losses`, `geometry`), with the planted
`faults`; `write` makes the files and `frames` the same in memory, `broken` damages a few rows,
`truth` tells all.
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
from arcdrift.simulate.crew_run import run_crew
from arcdrift.simulate.output.broken_rows import break_rows
from arcdrift.simulate.output.log_files import (
    KINDS,
    NEEDS_FILE,
    TRUTH_FILE,
    Format,
    crew_toml,
    free_folder,
    log_file,
    open_log,
)
from arcdrift.simulate.output.record_frames import SimulatedCrew, simulate_frames
from arcdrift.simulate.output.truth import Truth, tell_truth
from arcdrift.simulate.work.splicer_records import MachineTruth

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
"""Called with the splicers done, how many there are, and the splices written so far."""


def simulate(
    scenario: Scenario,
    folder: Path,
    *,
    overwrite: bool = False,
    form: Format = "csv",
    progress: Progress | None = None,
) -> Truth:
    """Write the logs of a scenario into a folder, splicer by splicer.

    Parameters
    ----------
    scenario : Scenario
        The crew, the days and the planted faults.
    folder : Path
        Gets ``arc-checks.csv``, ``splices.csv.gz``, ``readings.csv``, ``service.csv`` (or
        ``.parquet`` each), ``crew.toml`` and ``truth.json``, with the whole truth
        ``truth-settings.parquet`` too; made when missing.
    overwrite : bool
        Whether files of those names may be replaced.
    form : str
        ``csv`` or ``parquet``.
    progress : callable, optional
        Told after each splicer.

    Returns
    -------
    Truth
        What truth.json holds.

    Raises
    ------
    UsageError
        When the folder already holds such files, the days hold no workday, or rows are to be
        broken in Parquet.
    """
    if scenario.broken_rows and form != "csv":
        raise UsageError("Rows can be broken in CSV files only; choose --format csv.")
    free_folder(folder, overwrite=overwrite)
    weather = make_weather(scenario)
    crew = run_crew(scenario, weather)
    machines: dict[str, MachineTruth] = {}
    rows = dict.fromkeys(KINDS, 0)
    with ExitStack() as stack:
        logs = {
            kind: stack.enter_context(open_log(folder / log_file(kind, form), scenario.time_zone))
            for kind in KINDS
        }
        needs = (
            stack.enter_context(open_log(folder / NEEDS_FILE, scenario.time_zone))
            if scenario.whole_truth
            else None
        )
        for name, made in crew:
            for kind, frame in (
                ("arc-checks", made.checks),
                ("splices", made.splices),
                ("service", made.service),
            ):
                logs[kind](frame)
                rows[kind] += len(frame)
            if needs is not None:
                needs(made.advised.told())
            machines[name] = made.truth
            if progress is not None:
                progress(len(machines), len(scenario.splicers), rows["splices"])
        readings = make_readings(scenario, weather)
        logs["readings"](readings)
        rows["readings"] = len(readings)
    (folder / CREW_FILE).write_text(crew_toml(scenario), encoding="utf-8", newline="\n")

    broken = break_rows(folder, scenario.rng("broken rows")) if scenario.broken_rows else []
    files = {}
    for kind, count in rows.items():
        name = log_file(kind, form)
        files[name] = {
            "rows": count + sum(row.file == name for row in broken),
            "broken": sum(row.file == name and row.expected == "quarantined" for row in broken),
            "repeated": sum(row.file == name and row.expected != "quarantined" for row in broken),
        }
    truth = tell_truth(scenario, machines, files, broken)
    (folder / TRUTH_FILE).write_text(truth.to_json(), encoding="utf-8", newline="\n")
    return truth
