"""Two copies of the SQLite library must never have one store open in the same process."""

import gc
import sqlite3
import threading
import time

import pytest
from sqlalchemy import select

from arcdrift.store import read, schema
from arcdrift.store.connect import open_store
from arcdrift.store.gate import GatedConnection, gate_of


def test_arrow_reads_keep_out_while_an_ordinary_connection_is_open(tmp_path, monkeypatch):
    engine = open_store(tmp_path)
    query = select(schema.service)

    def forbidden(*_):
        raise AssertionError("Arrow opened the store beside an ordinary connection")

    with engine.connect():
        monkeypatch.setattr(read, "_through_arrow", forbidden)
        assert read.fetch(engine, query, order=["id"]).empty
    with pytest.raises(AssertionError):
        read.fetch(engine, query, order=["id"])


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
        left = time.perf_counter()
    thread.join(5)
    assert opened
    assert opened[0] >= left


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
