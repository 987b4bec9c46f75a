"""A crew moved from a file to a server and back is the same; a failed move moves nothing."""

import signal
import subprocess
import sys
from datetime import date

import pandas as pd
import pytest
from sqlalchemy import delete, func, select, text

from arcdrift.errors import StoreTrouble, UsageError
from arcdrift.store import schema
from arcdrift.store.annotations.baseline_marks import add_mark
from arcdrift.store.database.connect import connect_to, open_store, reading, writing
from arcdrift.store.database.insert_rows import add_rows
from arcdrift.store.imports.import_list import add_import
from arcdrift.store.imports.import_undo import undo_import
from arcdrift.store.moving import store_move
from arcdrift.store.moving.store_move import moved_store, store_tables
from arcdrift.store.results.result_replacement import replace_results
from tests.empty_store import empty_store
from tests.postgresql_server import postgresql_server
from tests.store.stored_examples import RUN, splices
from tests.stored_rows import import_values

pytestmark = pytest.mark.postgresql


@pytest.fixture
def source(tmp_path):
    """A store with two imports, one of them undone, a mark, a quarantined row and results."""
    (tmp_path / "crew").mkdir()
    engine = empty_store(tmp_path / "crew")
    for count in (30, 20):
        with writing(engine) as connection:
            import_id = add_import(connection, import_values())
            rows = splices(count).assign(import_id=import_id, remark='"0,1"\n\\. é\t')
            add_rows(connection, schema.splices, rows)
            apart = pd.DataFrame(
                {"line": [7], "last_line": [7], "raw": ["x;"], "code": ["c"], "message": ["m"]}
            )
            add_rows(connection, schema.quarantine, apart.assign(import_id=import_id))
    undo_import(engine, 2)
    add_mark(engine, "exclude", date(2026, 1, 5), date(2026, 1, 6), note="why", said_by="Alder")
    replace_results(engine, {"analysis_run": pd.DataFrame(RUN)})
    yield engine
    engine.dispose()


@pytest.fixture
def server():
    return postgresql_server()


@pytest.fixture
def target(server):
    """Address of a database without a store."""
    name = server.new_database()
    server.execute("DROP SCHEMA arcdrift CASCADE", database=name)
    return server.address(name)


def move(source, target, inside=lambda: None):
    engine = connect_to(target)
    try:
        with moved_store(source, engine) as moved:
            inside()
    finally:
        engine.dispose()
    return moved


def held(engine):
    with reading(engine) as connection:
        return {
            table.name: sorted(map(repr, connection.execute(select(table))))
            for table in store_tables()
        }


def tables_at(server, target):
    name = target.split("/")[3].split("?")[0]
    query = "SELECT count(*) FROM pg_tables WHERE schemaname = 'arcdrift'"
    return server.execute(query, database=name)[0][0]


def test_there_and_back_all_is_the_same(source, target, tmp_path):
    before = held(source)
    moved = move(source, target)
    assert moved.contents["splices"].rows == 30
    assert moved.contents["splices"].last_id == 50
    assert moved.contents["imports"].last_id == 2
    with pytest.raises(StoreTrouble, match="were moved elsewhere with `arcdrift move`"):
        open_store(source.url.render_as_string())
    with pytest.raises(StoreTrouble, match="were moved elsewhere"), writing(source):
        pass
    there = open_store(target)
    assert held(there) == before
    back = move(there, source.url.render_as_string())
    assert back.contents == moved.contents
    there.dispose()
    assert held(open_store(source.url.render_as_string())) == before
    with pytest.raises(StoreTrouble, match="were moved elsewhere"):
        open_store(target)
    # and there again, over what the first move left behind
    assert move(open_store(source.url.render_as_string()), target).contents == moved.contents


def test_new_rows_follow_the_moved_ones(source, target):
    move(source, target)
    there = open_store(target)
    with writing(there) as connection:
        import_id = add_import(connection, import_values())
        assert import_id == 3
        add_rows(connection, schema.splices, splices(2).assign(import_id=import_id))
        ids = select(schema.splices.c.id).where(schema.splices.c.import_id == import_id)
        assert sorted(connection.execute(ids).scalars()) == [51, 52]
    there.dispose()


class Stopped(Exception):
    """A move that is stopped on purpose."""


def test_a_move_that_fails_leaves_all_as_it_was(source, target, server, monkeypatch):
    before = held(source)
    real = store_move.table_contents

    def failing(connection, table, progress):
        if table.name == "splices":
            raise Stopped
        return real(connection, table, progress)

    monkeypatch.setattr(store_move, "table_contents", failing)
    with pytest.raises(Stopped):
        move(source, target)
    assert tables_at(server, target) == 0
    assert held(source) == before
    monkeypatch.undo()
    move(source, target)


def test_a_copy_that_differs_is_refused(source, target, server, monkeypatch):
    real = store_move.copy_table

    def lossy(here, there, table, progress):
        contents = real(here, there, table, progress)
        if table is schema.splices:
            there.execute(delete(table).where(table.c.id == 7))
        return contents

    monkeypatch.setattr(store_move, "copy_table", lossy)
    with pytest.raises(StoreTrouble, match="is not the same in the store"):
        move(source, target)
    assert tables_at(server, target) == 0
    with writing(source):
        pass


def stop():
    raise Stopped


def test_a_move_that_stops_before_the_settings_are_changed_can_be_done_again(source, target):
    before = held(source)
    with pytest.raises(Stopped):
        move(source, target, inside=stop)
    assert held(source) == before
    moved = move(source, target)  # the copy is there, and is taken
    assert moved.contents["splices"].rows == 30


def test_a_store_with_other_contents_is_never_overwritten(source, server):
    engine = server.empty_store()
    address = server.address(engine.url.database)
    with writing(engine) as connection:
        add_import(connection, import_values())
    with pytest.raises(UsageError, match="already, with other contents"):
        move(source, address)
    with reading(engine) as connection:
        assert connection.execute(select(func.count()).select_from(schema.imports)).scalar() == 1


def test_a_store_is_not_moved_to_itself(source):
    with pytest.raises(UsageError, match="already; nothing was moved"):
        move(source, source.url.render_as_string())


def test_nobody_writes_while_a_store_is_moved(source, target):
    def write():
        with writing(source, max_wait_s=0.0):
            pass

    with pytest.raises(StoreTrouble, match="busy with other work"):
        move(source, target, inside=write)


def test_what_cannot_be_kept_there_is_said(source, target, server):
    with writing(source) as connection:
        connection.execute(text("UPDATE splices SET outcome = 'longer than eight' WHERE id = 3"))
    with pytest.raises(StoreTrouble, match="too long"):
        move(source, target)
    assert tables_at(server, target) == 0


KILLED_WHILE_COPYING = """
import os, signal, sys
from arcdrift.store.database.connect import connect_to, open_store
from arcdrift.store.moving import store_move
real = store_move.copy_table
def copy(source, target, table, progress):
    contents = real(source, target, table, progress)
    if table.name == "splices":
        os.kill(os.getpid(), signal.SIGKILL)
    return contents
store_move.copy_table = copy
with store_move.moved_store(open_store(sys.argv[1]), connect_to(sys.argv[2])):
    pass
"""


def test_a_killed_move_leaves_all_as_it_was(source, target, server):
    before, file = held(source), source.url.render_as_string()
    source.dispose()
    script = [sys.executable, "-c", KILLED_WHILE_COPYING, file, target]
    assert subprocess.run(script, check=False).returncode == -signal.SIGKILL
    assert tables_at(server, target) == 0
    assert held(open_store(file)) == before
    assert move(open_store(file), target).contents["splices"].rows == 30
