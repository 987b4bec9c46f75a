"""Workers that stay from one review to the next while a folder is watched."""

import os
import signal
from concurrent.futures import BrokenExecutor
from pathlib import Path

import pytest

from arcdrift.cli.executors import worker_processes
from arcdrift.cli.executors.worker_processes import LastingWorkers
from arcdrift.store.database.connect import open_store
from tests.empty_store import empty_store


def test_workers_stay_leave_ctrl_c_alone_and_are_replaced_when_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(worker_processes, "MIN_SPLICES", 0)
    monkeypatch.setattr(worker_processes, "_processor_count", lambda: 2)
    monkeypatch.setattr(worker_processes, "_import_review", os.getpid)  # less to wait for
    empty_store(tmp_path)
    engine = open_store(tmp_path)
    with LastingWorkers(engine) as workers:
        first = workers.pool()
        assert first is not None
        worker = first.submit(os.getpid).result()
        assert worker != os.getpid()
        os.kill(worker, signal.SIGINT)
        again = workers.pool()
        assert again is first
        assert again.submit(os.getpid).result() == worker
        os.kill(worker, signal.SIGKILL)
        with pytest.raises(BrokenExecutor):
            first.submit(os.getpid).result()
        anew = workers.pool()
        assert anew is not None
        assert anew.submit(os.getpid).result() not in (worker, os.getpid())
    engine.dispose()


def test_a_small_store_gets_no_workers(tmp_path: Path) -> None:
    empty_store(tmp_path)
    engine = open_store(tmp_path)
    with LastingWorkers(engine) as workers:
        assert workers.pool() is None
    engine.dispose()
