"""Tables on a server: made at once or by migrations the same, their ids, triggers and locks."""

import subprocess
import sys
import time
from datetime import UTC, datetime

import pytest
from alembic import command
from sqlalchemy import delete, inspect, select, text, update

from arcdrift.store import schema
from arcdrift.store.database.connect import open_store, reading, writing
from arcdrift.store.database.dialect import WRITES
from arcdrift.store.database.upgrade import HEAD
from arcdrift.store.imports.import_lock import interrupted_imports, running_import
from tests.store.database.test_upgrade import columns, differences, migrations

pytestmark = pytest.mark.postgresql


def test_a_new_store_has_exactly_the_declared_tables(server):
    engine = server.empty_store()
    assert differences(engine, schema.metadata) == []
    assert differences(engine, schema.result_metadata) == []


def test_migrations_make_the_same_tables_and_triggers(server):
    engine = server.empty_store()
    triggers = text(
        "SELECT event_object_table, event_manipulation FROM information_schema.triggers "
        "WHERE trigger_schema = 'arcdrift' ORDER BY 1, 2"
    )
    with engine.execution_options(**{WRITES: True}).begin() as connection:
        at_once, made_triggers = columns(engine), connection.execute(triggers).all()
        connection.execute(text("DROP SCHEMA arcdrift CASCADE"))
        connection.execute(text("CREATE SCHEMA arcdrift"))
    config = migrations()
    with engine.execution_options(**{WRITES: True}).begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
    by_migrations = columns(engine)
    assert set(by_migrations) == {*schema.metadata.tables, "alembic_version"}
    assert {name: at_once[name] for name in by_migrations} == by_migrations
    assert differences(engine, schema.metadata) == []
    with reading(engine) as connection:
        assert connection.execute(triggers).all() == made_triggers
        assert len(made_triggers) == 2 * len(schema.RECORDS)


def test_a_store_of_an_older_arcdrift_is_brought_up_to_date(server):
    engine = server.empty_store()
    with engine.execution_options(**{WRITES: True}).begin() as connection:
        connection.execute(text("DROP SCHEMA arcdrift CASCADE"))
        connection.execute(text("CREATE SCHEMA arcdrift"))
    config = migrations()
    with engine.execution_options(**{WRITES: True}).begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "0005")
    again = open_store(server.address(engine.url.database))
    with reading(again) as connection:
        assert connection.execute(text("SELECT version_num FROM alembic_version")).scalar() == HEAD
    assert set(inspect(again).get_table_names()) >= set(schema.DERIVED)
    again.dispose()


def test_the_days_of_changed_records_are_noted(on_server):
    table, changed = schema.splices, schema.changed_days
    day = table.columns.spliced_at / 86_400_000_000
    with writing(on_server) as connection:
        days = connection.execute(select(table.columns.id, day).order_by(table.columns.id)).all()
        first = table.columns.id == days[0].id
        earlier = table.columns.spliced_at - 86_400_000_000
        connection.execute(update(table).where(first).values(spliced_at=earlier))
        connection.execute(update(table).where(first).values(remark="seen"))
        connection.execute(delete(table).where(~first))
        noted = connection.execute(select(changed).order_by(changed.columns.day)).all()
    moved_to = int(days[0][1]) - 1
    by_day = {}
    for _, other in days[1:]:
        by_day[int(other)] = by_day.get(int(other), 0) + 1
    by_day[moved_to] = by_day.get(moved_to, 0) + 2
    assert [tuple(row) for row in noted] == [
        ("splices", day, count) for day, count in sorted(by_day.items())
    ]


SERVER_NOTICES_S = 30.0

STARTED_AND_KILLED = """
import os, signal, sys
from datetime import UTC, datetime
from arcdrift.store.database.connect import open_store
from arcdrift.store.imports.import_lock import running_import
with running_import(open_store(sys.argv[1]), "night.csv", datetime.now(UTC)):
    os.kill(os.getpid(), signal.SIGKILL)
"""


def test_a_killed_import_is_named_and_a_running_one_is_not(server, on_server):
    other = open_store(server.address(on_server.url.database))
    with running_import(on_server, "day.csv", datetime.now(UTC)):
        subprocess.run(
            [sys.executable, "-c", STARTED_AND_KILLED, server.address(on_server.url.database)],
            check=False,
        )
        # the server needs a moment to notice that a client died, and holds its lock until then
        last = time.monotonic() + SERVER_NOTICES_S
        while not (named := interrupted_imports(other)) and time.monotonic() < last:
            time.sleep(0.05)
        assert [started.file for started in named] == ["night.csv"]
    other.dispose()
