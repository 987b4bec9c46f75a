"""What goes wrong with a server is said in a sentence with the next step, and loses nothing."""

import signal
import threading

import psycopg
import pytest
from adbc_driver_manager import Error as ArrowError

from arcdrift.errors import StoreTrouble
from arcdrift.store import schema
from arcdrift.store.database.connect import open_store, reading, writing
from arcdrift.store.database.insert_rows import add_rows
from arcdrift.store.database.postgresql import server_engine
from arcdrift.store.database.postgresql.error_sentences import error_sentence
from arcdrift.store.database.postgresql.server_address import ServerAddress
from arcdrift.store.imports.import_list import add_import
from arcdrift.store.records.record_rows import read_records
from tests.store.stored_examples import splices
from tests.stored_rows import import_values

pytestmark = pytest.mark.postgresql
LOST = "was lost, perhaps because its server was restarted; what was not finished is not kept"


@pytest.mark.parametrize(
    ("database", "user", "sentence"),
    [
        ("nowhere", None, "There is no such database for the store"),
        ("postgres", "nobody", "The server knows no such user for the store"),
    ],
)
def test_a_wrong_name_is_said(server, database, user, sentence):
    address = server.address(database, user)
    with pytest.raises(StoreTrouble) as caught:
        open_store(address)
    assert str(caught.value).startswith(f"{sentence} {ServerAddress.parse(address).shown}")


def test_a_server_that_is_not_there(tmp_path):
    with pytest.raises(StoreTrouble, match="does not answer; see that PostgreSQL runs there"):
        open_store(f"postgresql://lead@/north?host={tmp_path}")
    with pytest.raises(StoreTrouble, match="does not answer; see that PostgreSQL runs there"):
        open_store("postgresql://lead@127.0.0.1:9/north")


def test_a_wrong_or_missing_password(server):
    server.execute("DROP ROLE IF EXISTS guarded", "CREATE ROLE guarded LOGIN PASSWORD 'correct'")
    rules = server.folder / "data" / "pg_hba.conf"
    before = rules.read_text()
    rules.write_text(f"local all guarded scram-sha-256\n{before}")
    server.execute("SELECT pg_reload_conf()")
    try:
        address = server.address("postgres", "guarded")
        for secret in ("", ":wrong"):
            with pytest.raises(StoreTrouble) as caught:
                open_store(address.replace("guarded@", f"guarded{secret}@"))
            assert "The server refuses the password" in str(caught.value)
            assert "~/.pgpass or the environment variable PGPASSWORD" in str(caught.value)
            assert "wrong" not in str(caught.value)
    finally:
        rules.write_text(before)
        server.execute("SELECT pg_reload_conf()")


def test_an_old_server(server, monkeypatch):
    monkeypatch.setattr(server_engine, "OLDEST_VERSION", 99)
    with pytest.raises(StoreTrouble, match="; arcdrift needs 99 or newer"):
        open_store(server.address("postgres"))


def test_a_user_who_may_not_make_tables(server):
    server.execute("DROP ROLE IF EXISTS guest", "CREATE ROLE guest LOGIN")
    server.execute("DROP DATABASE IF EXISTS owned", "CREATE DATABASE owned")
    with pytest.raises(StoreTrouble) as caught:
        open_store(server.address("owned", "guest"))
    assert "This user lacks a right in the store" in str(caught.value)
    assert "to make a store, CREATE on the database" in str(caught.value)
    server.execute("GRANT CREATE ON DATABASE owned TO guest")
    open_store(server.address("owned", "guest")).dispose()


def test_tables_of_another_program_are_left_alone(server):
    server.execute("DROP DATABASE IF EXISTS busy", "CREATE DATABASE busy")
    server.execute("CREATE TABLE public.imports (id integer)", database="busy")
    with pytest.raises(StoreTrouble, match="among the tables of another program"):
        open_store(server.address("busy") + "&schema=public")
    open_store(server.address("busy") + "&schema=north").dispose()
    open_store(server.address("busy")).dispose()
    names = server.execute(
        "SELECT schemaname FROM pg_tables WHERE tablename = 'imports' ORDER BY 1", database="busy"
    )
    assert names == [("arcdrift",), ("north",), ("public",)]


def test_a_database_that_cannot_hold_every_letter(server):
    server.execute(
        "DROP DATABASE IF EXISTS latin",
        "CREATE DATABASE latin ENCODING 'LATIN1' LOCALE 'C' TEMPLATE template0",
    )
    with pytest.raises(StoreTrouble, match="has the encoding LATIN1"):
        open_store(server.address("latin"))


def test_a_user_who_may_only_read(server):
    engine = server.empty_store()
    database = engine.url.database
    server.execute("DROP ROLE IF EXISTS viewer", "CREATE ROLE viewer LOGIN")
    server.execute(
        "GRANT USAGE ON SCHEMA arcdrift TO viewer",
        "GRANT SELECT ON ALL TABLES IN SCHEMA arcdrift TO viewer",
        database=database,
    )
    viewer = open_store(server.address(database, "viewer"))
    assert read_records(viewer, "splices").empty
    with pytest.raises(StoreTrouble, match="can be read but not changed"), writing(viewer):
        pass
    viewer.dispose()


def drop_connections(server, database):
    """End all connections to a database but that of the caller, as an administrator may."""
    server.execute(
        "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "  # noqa: S608 - our name
        f"WHERE datname = '{database}' AND pid <> pg_backend_pid()"
    )


def test_a_connection_that_is_dropped_while_writing(server, on_server):
    def write():
        with writing(on_server) as connection:
            import_id = add_import(connection, import_values())
            drop_connections(server, on_server.url.database)
            add_rows(connection, schema.splices, splices(10).assign(import_id=import_id))

    with pytest.raises(StoreTrouble, match=LOST):
        write()
    assert len(read_records(on_server, "splices")) == 50
    with writing(on_server) as connection:
        assert add_import(connection, import_values()) > 1


def test_a_connection_that_is_dropped_while_reading(server, on_server):
    def read():
        with reading(on_server) as connection:
            drop_connections(server, on_server.url.database)
            connection.exec_driver_sql("SELECT 1")

    with pytest.raises(StoreTrouble, match=LOST):
        read()
    assert len(read_records(on_server, "splices")) == 50


def test_idle_connections_may_be_dropped(server, on_server):
    assert len(read_records(on_server, "splices")) == 50
    drop_connections(server, on_server.url.database)
    assert len(read_records(on_server, "splices")) == 50
    drop_connections(server, on_server.url.database)
    with reading(on_server) as connection:
        assert connection.exec_driver_sql("SELECT count(*) FROM splices").scalar() == 50


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGQUIT], ids=["restart", "crash"])
def test_a_server_that_is_restarted_while_writing(server, on_server, how):
    def write():
        with writing(on_server) as connection:
            import_id = add_import(connection, import_values())
            server.stop(how)
            server.start()
            add_rows(connection, schema.splices, splices(10).assign(import_id=import_id))

    with pytest.raises(StoreTrouble, match=LOST):
        write()
    assert len(read_records(on_server, "splices")) == 50


def test_a_writer_waits_for_another_and_is_told(on_server, monkeypatch):
    monkeypatch.setattr(server_engine, "NOTICE_AFTER_S", 0.0)
    waited = threading.Event()
    order = []

    def second():
        with writing(on_server, waited.set):
            order.append("second")

    with writing(on_server) as connection:
        thread = threading.Thread(target=second)
        thread.start()
        assert waited.wait(10)
        add_import(connection, import_values())
        order.append("first")
    thread.join(10)
    assert order == ["first", "second"]


def test_a_writer_does_not_wait_for_ever(on_server):
    with writing(on_server):
        with pytest.raises(StoreTrouble, match=f"The store .*{on_server.url.database}.* is busy"):
            with writing(on_server, max_wait_s=0.0):
                pass


def test_a_reader_sees_one_state_and_never_waits(on_server):
    count = "SELECT count(*) FROM imports"
    with reading(on_server) as connection:
        before = connection.exec_driver_sql(count).scalar()
        with writing(on_server) as other:
            add_import(other, import_values())
            assert connection.exec_driver_sql(count).scalar() == before
        assert connection.exec_driver_sql(count).scalar() == before
    with reading(on_server) as connection:
        assert connection.exec_driver_sql(count).scalar() == before + 1


def test_a_reader_cannot_write(on_server):
    with pytest.raises(StoreTrouble, match="takes no changes"), reading(on_server) as connection:
        connection.exec_driver_sql("DELETE FROM splices")


def test_crews_of_one_database_do_not_wait_for_each_other(server, on_server):
    other = open_store(f"{server.address(on_server.url.database)}&schema=south")
    with writing(on_server), writing(other, max_wait_s=0.0) as connection:
        add_import(connection, import_values())
    assert read_records(other, "splices").empty
    other.dispose()


@pytest.mark.parametrize(
    ("problem", "sentence"),
    [
        (psycopg.errors.DiskFull("x"), "The disk of the server of the store s is full"),
        (psycopg.errors.TooManyConnections("x"), "has no connection left"),
        (psycopg.errors.CannotConnectNow("x"), "is just starting or stopping"),
        (psycopg.errors.DeadlockDetected("x"), "is busy with other work"),
        (psycopg.errors.AdminShutdown("x"), LOST),
        (psycopg.OperationalError("the connection is lost"), LOST),
        (psycopg.OperationalError("FATAL:  the database system is starting up"), "just starting"),
        (psycopg.OperationalError("FATAL:  no pg_hba.conf entry for host"), "pg_hba.conf"),
        (ArrowError("IO: [libpq] Failed to connect: Connection refused", status_code=10), "answer"),
        (psycopg.DataError("odd\n thing."), "The store s cannot be used: odd thing."),
    ],
)
def test_what_a_server_says_becomes_a_sentence(problem, sentence):
    assert sentence in error_sentence(problem, "s")
