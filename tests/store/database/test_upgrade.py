"""Tables of a store: made at once, carried over by migrations, or dropped and made anew."""

import sqlite3
import threading

import pandas as pd
import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import MetaData, create_engine, inspect, text
from sqlalchemy.exc import DBAPIError

from arcdrift.cli.main import run
from arcdrift.errors import ArcdriftError, StoreTrouble
from arcdrift.store import schema
from arcdrift.store.database.connect import open_store, writing
from arcdrift.store.database.upgrade import HEAD, MIGRATIONS
from arcdrift.store.imports.import_list import read_imports
from arcdrift.store.records.record_rows import read_records
from arcdrift.store.results.result_replacement import replace_results
from arcdrift.store.results.result_rows import read_findings, read_result
from arcdrift.store.results.store_versions import RecordsVersion

RUN = {
    "id": [1],
    "assessed_on": [pd.Timestamp("2026-03-02 12:00", tz="UTC")],
    "now": [pd.Timestamp("2026-03-02 12:00", tz="UTC")],
    "version": ["1"],
    "records_version": [str(RecordsVersion())],
    "seconds": [1.5],
    "splices": [2],
    "checks": [1],
    "summary": ["{}"],
}


def migrations() -> Config:
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    return config


def migrated(path, revision="head"):
    """Engine of a database whose tables were all made by migrations."""
    engine = create_engine(f"sqlite:///{path}")
    config = migrations()
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, revision)
    return engine


@pytest.fixture
def old_folder(tmp_path):
    """A crew folder whose store was made when migrations made the result tables too."""
    engine = migrated(tmp_path / "arcdrift.db", "0001")
    with engine.begin() as connection:
        for statement in (
            "CREATE TABLE analysis_run (id INTEGER PRIMARY KEY, assessed_on BIGINT NOT NULL)",
            "CREATE TABLE result_check_days (splicer TEXT, day TEXT, checks INTEGER)",
            "CREATE TABLE findings (id TEXT PRIMARY KEY, kind TEXT)",
            "CREATE INDEX ix_findings_kind ON findings (kind)",
            "INSERT INTO analysis_run VALUES (1, 0)",
            "INSERT INTO findings VALUES ('a', 'arc-step')",
            "INSERT INTO imports (id, file_name, sha256, size_bytes, kind, started_at, seconds,"
            " lines, other_lines, rows, accepted, already_stored, conflicting, quarantined)"
            " VALUES (1, 'a.csv', '', 1, 'service', 0, 1, 2, 1, 1, 1, 0, 0, 0)",
            "INSERT INTO service (import_id, line, asset, serviced_at, action)"
            " VALUES (1, 2, 'Heron', 0, 'cleaned')",
            "INSERT INTO coaching (technician, held_on, topic, note, said_by, recorded_at)"
            " VALUES ('Hemlock', '2026-03-02', 'cleaves', '', 'lead', 0)",
        ):
            connection.execute(text(statement))
    return tmp_path


def columns(engine):
    found = inspect(engine)
    return {
        name: {column["name"]: str(column["type"]) for column in found.get_columns(name)}
        for name in found.get_table_names()
    }


def differences(engine, metadata):
    """What has to be done to an engine's tables to make them as declared."""
    declared = metadata.tables.keys()
    options = {
        "compare_type": True,
        "include_name": lambda name, kind, _parents: kind != "table" or name in declared,
    }
    with engine.connect() as connection:
        return compare_metadata(MigrationContext.configure(connection, opts=options), metadata)


def test_migrations_make_exactly_the_declared_tables(tmp_path):
    engine = migrated(tmp_path / "a.db")
    assert differences(engine, schema.metadata) == []
    assert set(columns(engine)) == {*schema.metadata.tables, "alembic_version"}


def test_a_new_store_has_exactly_the_declared_tables(tmp_path):
    engine = open_store(tmp_path)
    assert differences(engine, schema.metadata) == []
    assert differences(engine, schema.result_metadata) == []
    made_at_once = columns(engine)
    by_migrations = columns(migrated(tmp_path / "a.db"))
    assert {name: made_at_once[name] for name in by_migrations} == by_migrations
    with engine.connect() as connection:
        assert MigrationContext.configure(connection).get_current_heads() == (HEAD,)


@pytest.mark.parametrize("make", [open_store, lambda folder: migrated(folder / "a.db")])
def test_ids_of_records_never_come_back(tmp_path, make):
    with make(tmp_path).connect() as connection:
        tables = connection.execute(text("SELECT name, sql FROM sqlite_master"))
        made = {row.name: row.sql for row in tables}
    for table in schema.RECORDS.values():
        assert table.dialect_options["sqlite"]["autoincrement"]
        assert "AUTOINCREMENT" in made[table.name]


def test_head_is_the_last_migration():
    assert ScriptDirectory.from_config(migrations()).get_current_head() == HEAD


def test_an_old_store_keeps_its_records_and_loses_its_results(old_folder):
    engine = open_store(old_folder)
    assert differences(engine, schema.metadata) == []
    assert differences(engine, schema.result_metadata) == []
    assert read_records(engine, "service")["asset"].tolist() == ["Heron"]
    assert read_imports(engine)["file_name"].tolist() == ["a.csv"]
    with engine.connect() as connection:
        note = connection.execute(schema.coaching.select()).one()
    assert note.technician == "Hemlock"
    assert read_result(engine, "analysis_run").empty
    assert read_findings(engine) == []


def test_splices_of_a_store_before_reasons_of_errors_stay(tmp_path):
    engine = migrated(tmp_path / "arcdrift.db", "0013")
    with engine.begin() as connection:
        for statement in (
            "INSERT INTO imports (id, file_name, sha256, size_bytes, kind, started_at, seconds,"
            " lines, other_lines, rows, accepted, already_stored, conflicting, quarantined)"
            " VALUES (1, 'a.csv', '', 1, 'splices', 0, 1, 2, 1, 1, 1, 0, 0, 0)",
            "INSERT INTO splices (import_id, line, splicer, spliced_at, outcome, purpose)"
            " VALUES (1, 2, 'Heron', 0, 'error', 'production')",
        ):
            connection.execute(text(statement))
    kept = read_records(open_store(tmp_path), "splices")
    assert kept["splicer"].tolist() == ["Heron"]
    assert kept[["error_reason", "holding"]].isna().all(axis=None)


def test_what_people_said_in_a_store_before_cases_stays(tmp_path):
    engine = migrated(tmp_path / "arcdrift.db", "0008")
    with engine.begin() as connection:
        for statement in (
            "INSERT INTO coaching (technician, held_on, topic, note, said_by, recorded_at)"
            " VALUES ('Hemlock', '2026-03-02', 'cleaves', 'two hours', 'lead', 0)",
            "INSERT INTO baseline_marks (action, splicer, first_day, last_day, note, said_by,"
            " recorded_at) VALUES ('exclude', 'Heron', '2026-03-02', '2026-03-03', 'x', 'lead', 0)",
            "INSERT INTO clock_shifts (splicer, starts_at, ends_at, shift_s, said_by, why,"
            " recorded_at) VALUES ('Heron', 0, 1, 3600, 'lead', 'summer', 0)",
        ):
            connection.execute(text(statement))
    engine.dispose()
    engine = open_store(tmp_path)
    assert differences(engine, schema.metadata) == []
    with engine.connect() as connection:
        assert connection.execute(schema.coaching.select()).one().note == "two hours"
        assert connection.execute(schema.baseline_marks.select()).one().splicer == "Heron"
        assert connection.execute(schema.clock_shifts.select()).one().shift_s == 3600
        for table in (schema.cases, schema.case_statements, schema.revisited_splices):
            assert connection.execute(table.select()).all() == []


def test_an_old_store_is_as_one_never_analyzed(old_folder, capsys):
    (old_folder / "crew.toml").write_text('name = "Invented crew"\ntime_zone = "UTC"\n')
    with pytest.raises(SystemExit) as done:
        run(["findings", "--crew", str(old_folder)])
    assert done.value.code == 2
    assert capsys.readouterr().err.startswith(
        "Nothing has been analyzed yet; run `arcdrift analyze --crew "
    )


def test_results_are_kept_while_their_tables_are_as_declared(tmp_path):
    replace_results(open_store(tmp_path), {"analysis_run": pd.DataFrame(RUN)})
    assert len(read_result(open_store(tmp_path), "analysis_run")) == 1


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE result_definitions SET sha256 = 'x' WHERE table_name = 'result_blades'",
        "DELETE FROM result_definitions WHERE table_name = 'result_blades'",
        "INSERT INTO result_definitions VALUES ('result_of_old', 'x')",
    ],
)
def test_results_go_when_the_definition_of_one_has_changed(tmp_path, change):
    engine = open_store(tmp_path)
    replace_results(engine, {"analysis_run": pd.DataFrame(RUN)})
    with writing(engine) as connection:
        connection.execute(text("CREATE TABLE result_of_old (id INTEGER)"))
        connection.execute(text("CREATE TABLE result_of_somebody_else (id INTEGER)"))
        connection.execute(text(change))
    again = open_store(tmp_path)
    assert read_result(again, "analysis_run").empty
    assert differences(again, schema.result_metadata) == []
    tables = columns(again)
    assert "result_of_somebody_else" in tables
    assert ("result_of_old" in tables) == ("result_of_old" not in change)


def test_several_programs_open_a_new_store_at_once(tmp_path):
    start = threading.Barrier(6)
    problems = []

    def open_it():
        start.wait()
        try:
            open_store(tmp_path).dispose()
        except (ArcdriftError, DBAPIError) as problem:
            problems.append(problem)

    threads = [threading.Thread(target=open_it) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert problems == []
    assert differences(open_store(tmp_path), schema.metadata) == []


def test_tables_are_made_whole_or_not_at_all(tmp_path, monkeypatch):
    def fails(*_args, **_options):
        raise sqlite3.OperationalError("disk I/O error")

    monkeypatch.setattr(MetaData, "create_all", fails)
    with pytest.raises(StoreTrouble, match="disk"):
        open_store(tmp_path)
    monkeypatch.undo()
    engine = open_store(tmp_path)
    assert differences(engine, schema.metadata) == []
