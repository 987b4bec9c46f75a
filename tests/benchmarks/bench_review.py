"""Time a review of a healthy crew-year, beside a textbook notebook over the same frames.

Run by hand::

    python -m tests.benchmarks.bench_review [--splicers 30] [--days 365] [--splices-per-day 83]

Prints seconds on the clock and, in brackets, of the processors, which says more on a machine that
does other work too; splices a second and peak memory: for a review of everything, and for storing
the records of one more day and reviewing again. The crew is healthy, so every flag is false.
The notebook joins each arc check with the nearest reading (`pandas.merge_asof`), fits one ordinary
regression a splicer, flags single splices beyond mean -+ 3 MRbar / 1.128 of their stream (Shewhart
individuals chart, ISO 7870-2), and days beyond the 3-sigma limits of an EWMA of plain day means.
"""

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from functools import partial
from importlib import import_module
from pathlib import Path
from typing import NamedTuple, TypeVar

import numpy as np
import pandas as pd
from psutil import Process
from sqlalchemy import Engine

from arcdrift.analysis.budget.replay_alarms import History, recorded_alarms
from arcdrift.analysis.common.days import WORKDAYS_PER_MONTH, workdays_of
from arcdrift.analysis.review.review import Review, review
from arcdrift.cli.executors.worker_processes import LastingWorkers
from arcdrift.settings import CREW_FILE, Crew, load_crew
from arcdrift.simulate import invented_crew, simulate_frames
from arcdrift.simulate.output.log_files import crew_toml
from arcdrift.store import schema
from arcdrift.store.database.connect import open_store
from arcdrift.store.records.record_rows import read_records
from arcdrift.store.results.result_rows import read_result
from tests.stored_rows import store_rows

LAMBDA = 0.2
PRINTED_D2 = 1.128
"""Mean range of two normal values over their standard deviation, as textbooks round it (Montgomery,
Introduction to Statistical Quality Control, table of factors for control charts)."""
STREAM = ["splicer", "program"]
WHOSE = (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
Result = TypeVar("Result")


class Spent(NamedTuple):
    """Seconds on the clock, and of the processors."""

    clock: float
    processor: float


def fill(folder: Path, splicers: int, days: int, splices_per_day: float) -> None:
    """Put a simulated crew's records into a store, past the import."""
    scenario = invented_crew(splicers=splicers, days=days, splices_per_day=splices_per_day, seed=3)
    (folder / CREW_FILE).write_text(crew_toml(scenario), encoding="utf-8")
    made, engine = simulate_frames(scenario), open_store(folder)
    last_day = made["splices"]["spliced_at"].max() - pd.Timedelta(days=1)
    for kind, rows in made.items():
        is_last = rows[schema.TIME_COLUMN[kind]] >= last_day
        store_rows(engine, kind, rows[~is_last])
        rows[is_last].to_pickle(folder / f"{kind}.last-day")


def store_last_day(engine: Engine, folder: Path) -> None:
    """Put the rows of the last day into a store."""
    for kind in schema.RECORDS:
        rows = pd.read_pickle(folder / f"{kind}.last-day")  # noqa: S301 - written by `fill`
        if len(rows):
            store_rows(engine, kind, rows)


def notebook(
    checks: pd.DataFrame, splices: pd.DataFrame, readings: pd.DataFrame
) -> tuple[int, int, int]:
    """Regressions, flags of single splices and flags of day means, the textbook's way."""
    from statsmodels.regression.linear_model import OLS
    from statsmodels.tools import add_constant

    loggers = readings[readings["site"].notna()].sort_values("read_at")
    air = ["temperature_c", "pressure_hpa", "humidity_pct"]
    joined = pd.merge_asof(
        checks.sort_values("checked_at").drop(columns=air, errors="ignore"),
        loggers[["read_at", "site", *air]],
        left_on="checked_at", right_on="read_at", by="site", direction="nearest",
    )  # fmt: skip
    passed = joined[joined["outcome"] == "pass"].dropna(subset=[*air, "arc_setting"])
    models = [
        OLS(mine["arc_setting"].astype(float), add_constant(mine[air].astype(float))).fit()
        for _, mine in passed.groupby("splicer")
    ]
    work = splices[splices["loss_db"].notna()].sort_values("spliced_at")
    single = sum(int(beyond(mine.to_numpy())) for _, mine in work.groupby(STREAM)["loss_db"])
    day = work["spliced_at"].dt.floor("D").rename("day")
    means = work.groupby([*STREAM, day])["loss_db"].mean()
    days = 0
    for _, mine in means.groupby(STREAM):
        path = mine.ewm(alpha=LAMBDA, adjust=False).mean()
        half = 3.0 * mine.std() * np.sqrt(LAMBDA / (2.0 - LAMBDA))
        days += int(((path - mine.mean()).abs() > half).sum())
    return len(models), single, days


def beyond(losses: np.ndarray) -> int:
    """Values beyond the limits of an individuals chart."""
    if len(losses) < 2:
        return 0
    half = 3.0 * np.abs(np.diff(losses)).mean() / PRINTED_D2
    return int((np.abs(losses - losses.mean()) > half).sum())


def analyzed(engine: Engine, crew: Crew, workers: LastingWorkers) -> Review:
    """Review as ``arcdrift import --watch --analyze`` does, whose workers stay."""
    return review(engine, crew, executor=workers.pool())


def timed(work: Callable[[], Result]) -> tuple[Result, Spent]:
    """Do some work; tell what it took, in processes it started too."""
    clock, processor = time.perf_counter(), processors()
    result = work()
    return result, Spent(time.perf_counter() - clock, processors() - processor)


def processors() -> float:
    """Seconds of the processors so far: of this process and of those that it started."""
    used = [resource.getrusage(who) for who in WHOSE]
    living = [child.cpu_times() for child in Process().children(recursive=True)]
    return sum(usage.ru_utime + usage.ru_stime for usage in used) + sum(
        times.user + times.system for times in living
    )


def say(words: str, took: Spent, splices: int) -> None:
    """Print one line of figures."""
    pace = f"{splices / took.clock:12,.0f} splices/s"
    sys.stdout.write(f"{words:22}{took.clock:8.2f} s ({took.processor:.2f} s){pace}\n")
    sys.stdout.flush()


def alarms(engine: Engine) -> Counter[str]:
    """Alarms on record, as the Design page counts them: of loss, of the arc, of cleave angles."""
    recorded = recorded_alarms(History.read(partial(read_result, engine)))
    charts = {"arc": "arc", "doubtful": "arc", "cleave": "cleave angles"}
    return Counter(charts.get(str(measure), "loss") for measure in recorded["measure"])


def main() -> None:
    """Simulate, store, review, compare."""
    parser = argparse.ArgumentParser(description="Time a review beside a textbook notebook.")
    parser.add_argument("--splicers", type=int, default=30)
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--splices-per-day", type=float, default=83.0)
    parser.add_argument("--step", choices=["fill", "compare"], help=argparse.SUPPRESS)
    parser.add_argument("--folder", type=Path, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.step == "fill":
        fill(given.folder, given.splicers, given.days, given.splices_per_day)
        return
    if given.step == "compare":
        compare(given.folder)
        return
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as commands do
    with tempfile.TemporaryDirectory() as name:
        # in processes of their own, so that the peak of memory is the review's
        itself = [sys.executable, "-m", "tests.benchmarks.bench_review", *sys.argv[1:]]
        for step in ("fill", "compare"):
            subprocess.run([*itself, "--folder", name, "--step", step], check=True)


def compare(folder: Path) -> None:
    """Review a store and run the notebook over its records."""
    crew, engine = load_crew(folder), open_store(folder)
    with LastingWorkers(engine) as workers:
        done, took = timed(lambda: analyzed(engine, crew, workers))
        say("review of everything", took, done.splices)

        def next_day() -> Review:
            store_last_day(engine, folder)
            return analyzed(engine, crew, workers)

        done, later = timed(next_day)
        say("the next day", later, done.splices)
    peak = sum(resource.getrusage(who).ru_maxrss for who in WHOSE) / 1024
    checks, splices, readings = (
        read_records(engine, kind) for kind in ("arc-checks", "splices", "readings")
    )
    # imported before the clock runs, but not by the worker of a review, which imports this module
    import_module("statsmodels.regression.linear_model")
    (models, single, by_day), plain = timed(lambda: notebook(checks, splices, readings))
    say("notebook", plain, done.splices)
    counts = alarms(engine)
    days = len(workdays_of(read_result(engine, "result_stream_days")["day"]))
    months, budget = days / WORKDAYS_PER_MONTH, crew.false_alarms_per_month
    streams = splices[STREAM].drop_duplicates()
    sys.stdout.write(
        f"{done.splices:,} splices of {done.splicers} splicers, {len(streams)} streams, "
        f"{months:.1f} months; peak memory {peak:,.0f} MiB, helpers included\n"
        f"review / notebook: {took.clock / plain.clock:.1f} x the time "
        f"({took.processor / plain.processor:.1f} x the processors')\n"
        f"the next day / notebook: {later.clock / plain.clock:.1f} x the time "
        f"({later.processor / plain.processor:.1f} x the processors')\n"
        f"notebook: {models} regressions; {single:,} splices and {by_day:,} days flagged\n"
        f"review: {counts.total()} alarms, of a budget of {budget * months:.0f}: "
        + ", ".join(f"{count} of {chart}" for chart, count in counts.items())
        + "\n"
    )


if __name__ == "__main__":
    main()
