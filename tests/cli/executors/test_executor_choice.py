"""``arcdrift analyze --executor``: what it takes, and what is said when that cannot be had."""

import os
import sys
import time
from concurrent.futures import BrokenExecutor
from multiprocessing import get_context
from pathlib import Path

import pandas as pd
import pytest
from distributed import LocalCluster

from arcdrift.cli.executors import dask_cluster, executor_choice
from arcdrift.cli.executors.worker_processes import WorkerProcesses
from arcdrift.store import schema
from arcdrift.store.database.connect import open_store
from arcdrift.store.results.result_rows import read_result
from tests.cli.conftest import Arcdrift


@pytest.fixture(scope="module")
def cluster() -> LocalCluster:
    """A scheduler and a worker in this process."""
    made = LocalCluster(
        n_workers=1, threads_per_worker=1, processes=False, dashboard_address=":0", memory_limit=0
    )
    with made:
        yield made


def results(folder: Path) -> dict[str, pd.DataFrame]:
    engine = open_store(folder)
    names = [name for name in schema.RESULTS if name != "analysis_run"]
    found = {name: read_result(engine, name) for name in names}
    engine.dispose()
    return found


@pytest.mark.parametrize(
    ("choice", "said"),
    [
        ("threads:2", "--executor threads:2 is not known. Use process:N (N worker processes on"),
        ("process:two", "--executor process:two is not known."),
        ("process:0", "--executor process:0: from 1 to 256 worker processes can be started."),
        ("dask:", "--executor dask: is not known."),
    ],
)
def test_another_executor_is_refused(
    choice: str, said: str, analyzed: Path, arcdrift: Arcdrift
) -> None:
    done = arcdrift("analyze", "--executor", choice)
    assert done.code == 2
    assert done.sentence.startswith(said)


def test_without_dask_it_is_said_what_to_install(
    analyzed: Path, arcdrift: Arcdrift, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delitem(sys.modules, "arcdrift.cli.executors.dask_cluster")
    monkeypatch.delattr("arcdrift.cli.executors.dask_cluster")
    monkeypatch.setitem(sys.modules, "distributed", None)
    done = arcdrift("analyze", "--executor", "dask:tcp://127.0.0.1:8786")
    assert done.code == 2
    assert 'pip install "arcdrift[fleet]"' in done.sentence


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:1", "nowhere://here"])
def test_no_scheduler_at_the_address(
    address: str, analyzed: Path, arcdrift: Arcdrift, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(dask_cluster, "CONNECT_SECONDS", 0.3)
    done = arcdrift("analyze", "--executor", f"dask:{address}")
    assert done.code == 3
    assert done.sentence.startswith(f"There is no Dask scheduler at {address}. Look at the")


def test_scheduler_without_workers(
    analyzed: Path, arcdrift: Arcdrift, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(dask_cluster, "CONNECT_SECONDS", 0.3)
    with LocalCluster(n_workers=0, processes=False, dashboard_address=":0") as empty:
        done = arcdrift("analyze", "--executor", f"dask:{empty.scheduler_address}")
    assert done.code == 3
    assert "has no workers. Start one on each machine that should take part, with:" in done.sentence


def test_workers_with_another_version_are_refused(
    cluster: LocalCluster, analyzed: Path, arcdrift: Arcdrift, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(dask_cluster, "arcdrift_version", max)  # fails when it is called
    done = arcdrift("analyze", "--executor", f"dask:{cluster.scheduler_address}")
    assert "cannot run arcdrift" in done.sentence
    monkeypatch.setattr(dask_cluster, "arcdrift_version", str)
    done = arcdrift("analyze", "--executor", f"dask:{cluster.scheduler_address}")
    assert done.code == 3
    assert "Results could differ; install the same version there" in done.sentence


def test_results_of_a_dask_cluster_are_those_of_this_process(
    cluster: LocalCluster, analyzed: Path, arcdrift: Arcdrift, monkeypatch: pytest.MonkeyPatch
) -> None:
    expected = results(analyzed)
    done = arcdrift("analyze", "--executor", f"dask:{cluster.scheduler_address}", "--from-scratch")
    assert done.code == 0, done.err
    for name, rows in results(analyzed).items():
        pd.testing.assert_frame_equal(rows, expected[name], check_exact=True, obj=name)


def sleep_and_end(seconds: float) -> None:
    time.sleep(seconds)
    os._exit(1)


def test_a_worker_process_that_is_killed_is_told(tmp_path: Path) -> None:
    with WorkerProcesses(1, mp_context=get_context("fork")) as pool:
        assert executor_choice.lost_worker_notices(pool) == []
        running, waiting = pool.submit(sleep_and_end, 0.1), [pool.submit(max, 1, 2) for _ in "abcd"]
        assert waiting[2].cancel()  # a call that this process took over
        for call in (running, waiting[3]):
            with pytest.raises(BrokenExecutor):
                call.result(timeout=30)
        with pytest.raises(BrokenExecutor):
            pool.submit(max, 1, 2)
        assert len(executor_choice.lost_worker_notices(pool)) == 1
        assert "A worker process ended in the middle" in pool.notices[0]
