"""Time parts of the work beside well-known libraries, on the same rows in the same run.

Run by hand::

    python -m tests.benchmarks.bench_peers [--splicers 30] [--days 365] [--splices-per-day 83]

Grouped day sums against pandas, DuckDB and Polars; regressions of the arc against statsmodels'
GLSAR; crossed effects of people and splicers against gpboost and statsmodels' MixedLM; an import
against pandas' read_csv and to_sql. Prints seconds on the clock and, in brackets, of the processor,
the best of `ROUNDS`, and how far the figures differ. DuckDB and Polars are installed for this only
(``pip install duckdb polars``); what is missing is left out. Every library may use one thread.
"""

import argparse
import os
import sqlite3
import sys
import tempfile
import time
import warnings
from collections.abc import Callable, Mapping
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from arcdrift.analysis.arc.arc_points import REGRESSORS
from arcdrift.analysis.arc.arc_regressors import center_air, usable
from arcdrift.analysis.arc.pooled_regression import PHI_ASSUMED, SLOPES, fit_known_phi
from arcdrift.analysis.common.days import workdays
from arcdrift.analysis.common.grouping import group_index, group_sums, text_to_category
from arcdrift.analysis.people.crossed_effects.crossed_random_effects import fit_crossed_effects
from arcdrift.analysis.people.prep_effects import measure_rows, work_of_people
from arcdrift.analysis.review.summary import summarize
from arcdrift.intake.storing.import_file import import_file
from arcdrift.simulate import SimulatedCrew, invented_crew, simulate_frames
from arcdrift.store.database.connect import open_store
from tests.benchmarks.bench_import import CREW, log

ROUNDS = 3
KEYS = ["splicer", "program", "day"]
Work = Callable[[], Any]


def best(work: Work, rounds: int) -> tuple[float, float, Any]:
    """Shortest time on the clock and of the processor, and the result."""
    clock, processor, result = [], [], None
    for _ in range(rounds):
        began = time.perf_counter(), time.process_time()
        result = work()
        clock.append(time.perf_counter() - began[0])
        processor.append(time.process_time() - began[1])
    return min(clock), min(processor), result


def compare(title: str, ways: Mapping[str, Work | str], rounds: int = ROUNDS) -> None:
    """Print the time of each way; a sentence instead of one says why it is left out.

    The first way is ours, and the figures of the others are compared with its figures.
    """
    sys.stdout.write(f"{title}\n")
    ours: tuple[float, np.ndarray] | None = None
    for name, work in ways.items():
        if isinstance(work, str):
            sys.stdout.write(f"  {name:24}{work}\n")
            continue
        clock, processor, result = best(work, rounds)
        figures = np.asarray(result, dtype=np.float64)
        if ours is None:
            ours = processor, figures
        difference = float(np.nanmax(np.abs(figures - ours[1])) / np.nanmax(np.abs(ours[1])))
        sys.stdout.write(
            f"  {name:24}{clock:8.3f} s ({processor:.3f} s){processor / ours[0]:8.2f} x"
            f"   largest difference {difference:.1e} of the largest figure\n"
        )
        sys.stdout.flush()


def needs(package: str, work: Work) -> Work | str:
    """The work, or a sentence if its package is not installed."""
    return work if find_spec(package) else f"left out: {package} is not installed"


def day_sums(made: SimulatedCrew) -> None:
    """Number, sum and sum of squares of the losses of each stream and day."""
    splices = made["splices"]
    work = text_to_category(splices[["splicer", "program", "spliced_at", "site", "loss_db"]])
    work = work.assign(day=workdays(work, made.crew, "spliced_at"))
    work = work[work["loss_db"].notna()].reset_index(drop=True)[[*KEYS, "loss_db"]]

    def ours() -> pd.DataFrame:
        group, _ = group_index(*(work[name] for name in KEYS))
        loss = work["loss_db"].to_numpy()
        return group_sums(group, {"n": 1, "total": loss, "squares": loss**2}, counts=("n",))

    def by_pandas() -> pd.DataFrame:
        squares = work.assign(squares=work["loss_db"] ** 2)
        groups = squares.groupby(KEYS, observed=True)
        return groups.agg(
            n=("loss_db", "size"), total=("loss_db", "sum"), squares=("squares", "sum")
        )

    def by_duckdb() -> pd.DataFrame:
        connection = import_module("duckdb").connect(config={"threads": 1})
        connection.register("work", work)
        return connection.sql(
            "SELECT count(*) n, sum(loss_db) total, sum(loss_db * loss_db) squares FROM work "
            "GROUP BY splicer, program, day ORDER BY splicer::text, program::text, day"
        ).df()

    def by_polars() -> pd.DataFrame:
        polars = import_module("polars")
        loss = polars.col("loss_db")
        sums = {"n": loss.len(), "total": loss.sum(), "squares": (loss**2).sum()}
        table = polars.from_pandas(work).group_by(KEYS).agg(**sums)
        texts = [polars.col(name).cast(polars.String) for name in KEYS[:2]]
        return table.sort([*texts, "day"]).select(list(sums)).to_pandas()

    compare(
        f"Day sums of {len(work):,} splices",
        {
            "arcdrift": ours,
            "pandas": by_pandas,
            "DuckDB": needs("duckdb", by_duckdb),
            "Polars": needs("polars", by_polars),
        },
    )


def arc_regressions(points: pd.DataFrame) -> None:
    """Slopes on air and wear with autocorrelated errors, a splicer at a time."""
    of_splicer = [rows for _, rows in usable(points).groupby("splicer")]

    def ours() -> list[np.ndarray]:
        found = []
        for rows in of_splicer:
            epoch = rows["epoch"].to_numpy(np.int64)
            x, y = center_air(rows).to_numpy(), rows["arc_setting"].to_numpy(np.float64)
            fit = fit_known_phi(x, y, epoch, PHI_ASSUMED)
            for _ in range(2):
                fit = fit and fit_known_phi(x, y, epoch, fit.lag1)
            found.append(np.full(SLOPES, np.nan) if fit is None else fit.slopes)
        return found

    def by_statsmodels() -> list[np.ndarray]:
        glsar = import_module("statsmodels.regression.linear_model").GLSAR
        found = []
        for rows in of_splicer:
            levels = pd.get_dummies(rows["epoch"], dtype=float).to_numpy()
            x = np.hstack([center_air(rows).to_numpy(), levels])
            fit = glsar(rows["arc_setting"].to_numpy(np.float64), x, rho=1).iterative_fit(maxiter=5)
            found.append(fit.params[:SLOPES])
        return found

    compare(
        f"Regressions of {len(points):,} arc checks of {len(of_splicer)} splicers on "
        f"{', '.join(REGRESSORS)} (lag 1 is estimated in another way)",
        {"arcdrift": ours, "statsmodels GLSAR": by_statsmodels},
    )


def crossed_effects(cells: pd.DataFrame) -> None:
    """Standard deviations of people and splicers, by maximum likelihood."""
    rows = measure_rows(work_of_people(cells), "loss").dropna(subset=["technician"])
    y, weight = rows["y"].to_numpy(np.float64), rows["weight"].to_numpy(np.float64)
    groups = rows[["technician", "splicer"]].astype(str).reset_index(drop=True)
    fixed = np.ones((len(y), 1))

    def ours() -> list[float]:
        variances = fit_crossed_effects(y, weight, fixed, groups).variances
        return [variances[name] ** 0.5 for name in groups.columns]

    def by_gpboost() -> np.ndarray:
        model = import_module("gpboost").GPModel(
            group_data=groups.to_numpy(dtype=str), likelihood="gaussian",
            weights=weight / weight.mean(), num_parallel_threads=1,
            matrix_inversion_method="cholesky",
        )  # fmt: skip
        model.fit(y=y, X=fixed, params={"optimizer_cov": "lbfgs"})
        return np.ravel(model.get_cov_pars(std_err=False))[1:3] ** 0.5  # the first is the rest

    def by_statsmodels() -> list[float]:
        mixed = import_module("statsmodels.regression.mixed_linear_model").MixedLM
        table = groups.assign(y=y, one=1)
        parts = {name: f"0 + C({name})" for name in groups.columns}
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            fit = mixed.from_formula("y ~ 1", table, groups="one", vc_formula=parts).fit(reml=False)
        found = dict(zip(fit.model.exog_vc.names, fit.vcomp, strict=True))
        return [found[name] ** 0.5 for name in groups.columns]

    compare(
        f"Crossed effects of people and splicers in {len(y):,} cells (MixedLM knows no weights)",
        {
            "arcdrift": ours,
            "gpboost": needs("gpboost", by_gpboost),
            "statsmodels MixedLM": by_statsmodels,
        },
        rounds=1,
    )


def imports(rows: int) -> None:
    """A log of splices into an empty store."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = folder / "splices.csv"
        log("splices", rows).to_csv(path, index=False)
        store = folder / "store"
        store.mkdir()
        engine = open_store(store)

        def ours() -> int:
            import_file(engine, CREW, path)
            return rows

        def by_pandas() -> int:
            frame = pd.read_csv(path, parse_dates=["spliced_at"])
            with sqlite3.connect(folder / "plain.db") as connection:
                stored = frame.to_sql("splices", connection, index=False)
            connection.close()
            return stored or rows

        compare(
            f"Import of {rows:,} splices, checked and with a record of every row by us only",
            {"arcdrift": ours, "read_csv and to_sql": by_pandas},
            rounds=1,
        )


def main() -> None:
    """Simulate a crew and compare."""
    parser = argparse.ArgumentParser(description="Time parts of the work beside other libraries.")
    parser.add_argument("--splicers", type=int, default=30)
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--splices-per-day", type=float, default=83.0)
    parser.add_argument("--import-rows", type=int, default=200_000)
    given = parser.parse_args()
    os.environ.setdefault("POLARS_MAX_THREADS", "1")
    made = simulate_frames(
        invented_crew(
            splicers=given.splicers, days=given.days, splices_per_day=given.splices_per_day, seed=3
        )
    )
    day_sums(made)
    frames = (made[kind] for kind in ("splices", "arc-checks", "readings", "service"))
    summary = summarize(*frames, made.crew, made["splices"]["spliced_at"].max())
    arc_regressions(summary.arc_points)
    crossed_effects(summary.technician_days)
    imports(given.import_rows)


if __name__ == "__main__":
    main()
