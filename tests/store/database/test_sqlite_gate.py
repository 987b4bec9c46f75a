"""Two copies of the SQLite library must never have one store open in the same process."""

import gc
import sqlite3
import threading
import time

import pandas as pd
import pytest
from adbc_driver_sqlite import dbapi
from sqlalchemy import select

from arcdrift.store import schema
from arcdrift.store.database.connect import open_store
from arcdrift.store.database.fetch import fetch
from arcdrift.store.database.sqlite.sqlite_gate import GatedConnection, gate_of
from arcdrift.store.records.record_rows import read_records
from tests.stored_rows import store_rows


def test_arrow_reads_keep_out_while_an_ordinary_connection_is_open(tmp_path, monkeypatch):
    engine = open_store(tmp_path)
    query = select(schema.service)

    def forbidden(*_):
        raise AssertionError("Arrow opened the store beside an ordinary connection")

    with engine.connect():
        monkeypatch.setattr(dbapi, "connect", forbidden)
        assert fetch(engine, query, order=["id"]).empty
    with pytest.raises(AssertionError):
        fetch(engine, query, order=["id"])


def test_an_ordinary_connection_waits_for_arrow_reads(tmp_path):
    path = str(tmp_path / "x.db")
    opened: list[float] = []

    def open_one():
        connection = GatedConnection(path)
        opened.append(time.perf_counter())
        connection.close()

    with gate_of(path).arrow() as free:
        assert free
        thread = threading.Thread(target=open_one)
        thread.start()
        time.sleep(0.05)
        assert not opened
        with gate_of(path).arrow() as second:
            assert not second  # one waits already; a stream of reads must not starve it
        released = time.perf_counter()
    thread.join(5)
    assert opened
    assert opened[0] >= released


def test_a_connection_that_cannot_open_leaves_no_trace(tmp_path):
    path = str(tmp_path / "absent" / "x.db")
    with pytest.raises(sqlite3.OperationalError):
        GatedConnection(path)
    gc.collect()
    with gate_of(path).arrow() as free:
        assert free


def test_a_connection_closed_twice_counts_once(tmp_path):
    path = str(tmp_path / "x.db")
    one, two = GatedConnection(path), GatedConnection(path)
    one.close()
    one.close()
    with gate_of(path).arrow() as free:
        assert not free
    two.close()
    with gate_of(path).arrow() as free:
        assert free


def test_reads_beside_writes_leave_the_store_whole(tmp_path):
    engine = open_store(tmp_path)
    rounds, seen, failed = 15, [], []

    def write_many():
        for _ in range(rounds):
            frame = pd.DataFrame({"asset": ["Heron"] * 400, "action": "cleaned", "line": 2})
            frame["serviced_at"] = pd.Timestamp("2025-03-01", tz="UTC").as_unit("us")
            store_rows(engine, "service", frame)

    def read_many(stop):
        try:
            while not stop.is_set():
                seen.append(len(read_records(engine, "service")))
        except Exception as problem:
            failed.append(problem)

    stop = threading.Event()
    readers = [threading.Thread(target=read_many, args=(stop,)) for _ in range(2)]
    for thread in readers:
        thread.start()
    write_many()
    stop.set()
    for thread in readers:
        thread.join(20)
    assert not failed
    assert all(count % 400 == 0 for count in seen)
    assert len(read_records(engine, "service")) == 400 * rounds
    with engine.connect() as connection:
        assert connection.exec_driver_sql("PRAGMA integrity_check").scalar() == "ok"
