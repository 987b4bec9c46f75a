"""Analyses by processes of their own, some of which are killed in the middle: same results."""

import os
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import Executor
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from distributed import LocalCluster
from pandas.api.types import is_numeric_dtype
from sqlalchemy import Engine

from arcdrift.analysis.review import parallel, settled_days
from arcdrift.analysis.review.review import review
from arcdrift.cli.executors import dask_cluster
from arcdrift.cli.executors.executor_choice import chosen_executor, lost_worker_notices
from arcdrift.settings import Crew
from arcdrift.simulate import SimulatedCrew, invented_crew, simulate_frames
from arcdrift.store import schema
from arcdrift.store.database.connect import open_store
from arcdrift.store.results.result_rows import read_result
from tests.empty_store import empty_store
from tests.stored_rows import store_rows

pytestmark = pytest.mark.long

RESULTS = [name for name in schema.RESULTS if name != "analysis_run"]
Results = dict[str, pd.DataFrame]
NUMBER = re.compile(r"-?\d+\.\d+(?:e[-+]?\d+)?")


def stored(folder: Path, made: SimulatedCrew, *, last_day: bool) -> None:
    """Store the records of a crew's last day, or those of all days before."""
    engine = open_store(folder)
    since = made["splices"]["spliced_at"].max() - pd.Timedelta(days=1)
    for kind in schema.RECORDS:
        rows = made[kind]
        store_rows(engine, kind, rows[(rows[schema.TIME_COLUMN[kind]] >= since) == last_day])
    engine.dispose()


def analyzed(
    folder: Path,
    crew: Crew,
    choice: str | None,
    progress: Callable[[Executor | None], None] = lambda _executor: None,
) -> tuple[Results, list[str]]:
    """Results of an analysis as the command does it, and what it says of its workers."""
    engine: Engine = open_store(folder)
    with chosen_executor(engine, choice) as executor:
        review(engine, crew, executor=executor, progress=lambda *_: progress(executor))
        notices = lost_worker_notices(executor)
    found = {name: read_result(engine, name) for name in RESULTS}
    engine.dispose()
    return found, notices


def assert_same(found: Results, expected: Results) -> None:
    """Same rows and, also within texts, same numbers but for rounding."""
    for name, rows in expected.items():
        texts = list(rows.columns[[not is_numeric_dtype(kind) for kind in rows.dtypes]])
        pd.testing.assert_frame_equal(
            found[name].drop(columns=texts),
            rows.drop(columns=texts),
            rtol=1e-9,
            atol=1e-9,
            obj=name,
        )
        one, two = (frame[texts].to_csv(index=False) for frame in (found[name], rows))
        assert NUMBER.sub("#", one) == NUMBER.sub("#", two), name
        np.testing.assert_allclose(
            np.array(NUMBER.findall(one), float), np.array(NUMBER.findall(two), float),
            rtol=1e-9, atol=1e-9, err_msg=name,
        )  # fmt: skip


def workers_of(address: str, count: int) -> list["subprocess.Popen[bytes]"]:
    """Workers that nobody starts again when they die."""
    words = [address, "--nthreads", "1", "--no-nanny", "--no-dashboard"]
    environment = os.environ | {"PYTHONPATH": str(Path.cwd()), "OPENBLAS_NUM_THREADS": "1"}
    command = [sys.executable, "-m", "dask", "worker", *words]
    return [subprocess.Popen(command, env=environment) for _ in range(count)]


@pytest.fixture
def scheduler() -> Iterator[LocalCluster]:
    # no workers of its own; not in this process only, so that others can connect
    with LocalCluster(
        n_workers=0, processes=True, host="127.0.0.1", dashboard_address=":0"
    ) as made:
        yield made


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, SimulatedCrew, Results]:
    """A crew of 24 splicers, and the results of a single process."""
    made = simulate_frames(invented_crew(splicers=24, days=30, splices_per_day=30.0, seed=6))
    folder = tmp_path_factory.mktemp("small")
    empty_store(folder).dispose()
    stored(folder, made, last_day=False)
    expected, _ = analyzed(copied(folder, "alone"), made.crew, None)
    return folder, made, expected


def copied(folder: Path, name: str) -> Path:
    """A copy of a store, so that each analysis starts from nothing."""
    target = folder.parent / f"{folder.name}-{name}"
    shutil.copytree(folder, target)
    return target


def test_500_splicers_and_a_day_more(
    tmp_path: Path, scheduler: LocalCluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = simulate_frames(invented_crew(splicers=500, days=16, splices_per_day=4.0, seed=2))
    monkeypatch.setattr(parallel, "PART_SPLICES", (2_000, 4_000))
    monkeypatch.setattr(settled_days, "FEWEST_SPLICES", 1)
    first = tmp_path / "alone"
    first.mkdir()
    empty_store(first).dispose()
    stored(first, made, last_day=False)
    folders = {"alone": first} | {name: tmp_path / name for name in ("pool", "dask")}
    for folder in (folders["pool"], folders["dask"]):
        shutil.copytree(first, folder)
    workers = workers_of(scheduler.scheduler_address, 2)
    choices = {"alone": None, "pool": "process:2", "dask": f"dask:{scheduler.scheduler_address}"}
    try:
        for last_day in (False, True):
            if last_day:
                for folder in folders.values():
                    stored(folder, made, last_day=True)
            expected, _ = analyzed(first, made.crew, choices["alone"])
            for name in ("pool", "dask"):
                found, notices = analyzed(folders[name], made.crew, choices[name])
                assert notices == []
                assert_same(found, expected)
    finally:
        for worker in workers:
            worker.terminate()
            worker.wait()


@pytest.mark.parametrize("killed", [1, 2])
def test_killed_workers_of_a_cluster(
    killed: int,
    small: tuple[Path, SimulatedCrew, Results],
    scheduler: LocalCluster,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    folder, made, expected = small
    monkeypatch.setattr(parallel, "PART_SPLICES", (1_000, 1_500))
    monkeypatch.setattr(dask_cluster, "PATIENCE_SECONDS", 3.0)
    workers = workers_of(scheduler.scheduler_address, 2)

    def kill(_executor: Any) -> None:
        """Kill some workers when the first part has come back."""
        for worker in workers[:killed]:
            if worker.poll() is None:
                worker.kill()
                worker.wait()

    try:
        found, notices = analyzed(
            copied(folder, f"killed-{killed}"),
            made.crew,
            f"dask:{scheduler.scheduler_address}",
            kill,
        )
    finally:
        for worker in workers:
            worker.terminate()
            worker.wait()
    assert_same(found, expected)
    assert len(notices) == 1
    if killed == 1:
        assert notices[0].startswith("1 worker of the Dask cluster at ")
        assert notices[0].endswith("what they had was done again by the others.")
    else:
        assert notices[0].endswith("what was left of its work was done on this machine.")


def test_a_killed_worker_process(
    small: tuple[Path, SimulatedCrew, Results], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, made, expected = small
    monkeypatch.setattr(parallel, "PART_SPLICES", (1_000, 1_500))

    def kill(executor: Any) -> None:
        for number in list(executor._processes or ())[:1]:
            with suppress(ProcessLookupError):  # it was killed before
                os.kill(number, signal.SIGKILL)

    found, notices = analyzed(copied(folder, "pool"), made.crew, "process:2", kill)
    assert_same(found, expected)
    assert len(notices) == 1
    assert notices[0].startswith("A worker process ended in the middle of its work")
