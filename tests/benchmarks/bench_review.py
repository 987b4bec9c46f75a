"""Time a review, beside what a textbook notebook does with the same logs.

Run by hand::

    python -m tests.benchmarks.bench_review [--splicers 30] [--days 365] [--splices-per-day 83]

Prints seconds on the clock and, in brackets, of the processor, which says more on a machine that
does other work too; rows a second and peak memory. The crew is healthy, so every flag is false.
The notebook joins each arc check with the nearest reading (`pandas.merge_asof`), fits one ordinary
regression a splicer, flags single splices beyond mean -+ 3 MRbar / 1.128 of their stream (Shewhart
individuals chart, ISO 7870-2), and days beyond the 3-sigma limits of an EWMA of plain day means.
"""

import argparse
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import numpy as np
import pandas as pd
import statsmodels.api as sm

from arcdrift.analysis.review import review
from arcdrift.charts.limits import PRINTED_D2
from arcdrift.intake.intake import import_file
from arcdrift.settings import load_crew
from arcdrift.simulate import invented_crew, simulate
from arcdrift.store import read
from arcdrift.store.connect import open_store

LAMBDA = 0.2
STREAM = ["splicer", "program"]
Result = TypeVar("Result")


def notebook(
    checks: pd.DataFrame, splices: pd.DataFrame, readings: pd.DataFrame
) -> tuple[int, int, int]:
    """Regressions, flags of single splices and flags of day means, the textbook's way."""
    loggers = readings[readings["site"].notna()].sort_values("read_at")
    air = ["temperature_c", "pressure_hpa", "humidity_pct"]
    joined = pd.merge_asof(
        checks.sort_values("checked_at").drop(columns=air, errors="ignore"),
        loggers[["read_at", "site", *air]],
        left_on="checked_at", right_on="read_at", by="site", direction="nearest",
    )  # fmt: skip
    passed = joined[joined["outcome"] == "pass"].dropna(subset=[*air, "arc_setting"])
    models = [
        sm.OLS(mine["arc_setting"].astype(float), sm.add_constant(mine[air].astype(float))).fit()
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


def timed(words: str, work: Callable[[], Result], rows: int) -> tuple[Result, float]:
    """Run some work and print what it took; return the processor's seconds too."""
    clock, processor = time.perf_counter(), time.process_time()
    result = work()
    clock, processor = time.perf_counter() - clock, time.process_time() - processor
    say(f"{words:12}{clock:8.2f} s ({processor:.2f} s) {rows / clock:12,.0f} splices/s")
    return result, processor


def say(line: str) -> None:
    """Print one line at once."""
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def main() -> None:
    """Simulate, import, review, compare."""
    parser = argparse.ArgumentParser(description="Time a review beside a textbook notebook.")
    parser.add_argument("--splicers", type=int, default=30)
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--splices-per-day", type=float, default=83.0)
    options = parser.parse_args()
    start = (pd.Timestamp.now() - pd.Timedelta(days=options.days + 7)).date()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        simulate(
            invented_crew(
                splicers=options.splicers, days=options.days, seed=3, start=start,
                splices_per_day=options.splices_per_day,
            ),
            folder, form="parquet", overwrite=True,
        )  # fmt: skip
        crew, engine = load_crew(folder), open_store(folder)
        for kind in ("readings", "service", "arc-checks", "splices"):
            import_file(engine, crew, folder / f"{kind}.parquet")
        done = review(engine, crew)  # the first one also loads libraries and finds limits
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        done, ours = timed("review", lambda: review(engine, crew), done.splices)
        checks, splices, readings = (
            read.records(engine, kind) for kind in ("arc-checks", "splices", "readings")
        )
        told, plain = timed("notebook", lambda: notebook(checks, splices, readings), done.splices)
        days, points = (
            read.result(engine, "result_stream_days"),
            read.result(engine, "result_arc_points"),
        )
    models, single, by_day = told
    raised = int((days["alarm"].fillna("") != "").sum()), int(points["alarm"].fillna(0).sum())
    months = options.days / 365.0 * 12.0
    say(f"{done.splices:,} splices of {done.splicers} splicers; peak memory {peak:,.0f} MiB")
    say(f"review / notebook: {ours / plain:.1f} x the processor's time")
    say(
        f"notebook: {models} regressions, {single:,} splices and {by_day:,} day means flagged; "
        f"review: {raised[0]} days on loss charts and {raised[1]} arc checks alarmed, where "
        f"{crew.false_alarms_per_month * months:.0f} are in the budget of {months:.0f} months"
    )


if __name__ == "__main__":
    main()
