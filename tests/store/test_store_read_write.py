"""Frames into the store and back, through every path the same."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
from adbc_driver_manager import AdbcStatusCode
from adbc_driver_manager import Error as ArrowError
from pandas.testing import assert_frame_equal
from sqlalchemy import create_engine, select

from arcdrift.errors import StoreTrouble, UsageError
from arcdrift.instants import microseconds
from arcdrift.store import read, schema, write
from arcdrift.store.annotations.baseline_marks import add_mark, withdraw_mark
from arcdrift.store.database import insert_rows
from arcdrift.store.database.connect import place, reading, writing
from arcdrift.store.database.fetch import fetch, fetch_within
from arcdrift.store.results.records_version import RecordsVersion
from tests.empty_store import empty_store

START = pd.Timestamp("2025-03-01 06:00", tz="UTC")


def import_values(**changes):
    values = {
        "file_name": "log.csv",
        "sha256": "0" * 64,
        "size_bytes": 1,
        "kind": "splices",
        "started_at": 0,
        "seconds": 0.1,
        "lines": 1,
        "other_lines": 1,
        "rows": 0,
        "accepted": 0,
        "already_stored": 0,
        "conflicting": 0,
        "quarantined": 0,
    }
    return values | changes


def splices(rows: int) -> pd.DataFrame:
    number = np.arange(rows)
    return pd.DataFrame(
        {
            "line": number + 2,
            "splicer": np.where(number % 2 == 0, "Heron", "Kestrel"),
            "spliced_at": (START + pd.to_timedelta(number, unit="min")).as_unit("us"),
            "loss_db": np.where(number % 7 == 0, np.nan, number % 10 / 100),
            "outcome": np.where(number % 7 == 0, "error", "done"),
            "splice_number": number.astype(float),
            "purpose": "production",
            # missing for longer than the stretch a driver looks at to tell a column's type
            "remark": pd.Series(pd.NA, index=number, dtype="str").where(
                number < rows - 3, "it's 5 % :of \"ø\" ? \\ 'quoted'"
            ),
        }
    )


@pytest.fixture
def engine(tmp_path):
    return empty_store(tmp_path)


@pytest.fixture
def filled(engine):
    with writing(engine) as connection:
        import_id = write.add_import(connection, import_values())
        insert_rows.add_rows(connection, schema.splices, splices(3000).assign(import_id=import_id))
    return engine


RUN = {
    "id": [1],
    "assessed_on": [pd.Timestamp("2025-03-02 12:00", tz="UTC")],
    "now": [pd.Timestamp("2025-03-02", tz="UTC")],
    "version": ["0.1.0"],
    "records_version": [str(RecordsVersion())],
    "seconds": [1.5],
    "splices": [3000],
    "checks": [0],
    "summary": ["{}"],
}


def test_records_come_back_as_they_were(filled):
    frame = read.records(filled, "splices")
    given = splices(3000)
    assert frame["spliced_at"].dtype == "datetime64[us, UTC]"
    assert frame["remark"].dtype == "str"
    assert frame["loss_db"].dtype == "float64"
    assert list(frame["id"]) == list(range(1, 3001))
    for name in given.columns:
        expected = given[name].astype(frame[name].dtype)
        assert frame[name].equals(expected), name
    assert frame["technician"].isna().all()


@pytest.mark.parametrize("kind", list(schema.RECORDS))
def test_arrow_and_the_ordinary_way_agree(filled, kind):
    through_arrow = read.records(filled, kind)
    with reading(filled):  # keeps Arrow out
        row_by_row = read.records(filled, kind)
    assert_frame_equal(through_arrow, row_by_row)


def test_a_shared_database_gives_the_same_frame(filled):
    # the ordinary way on an engine that knows nothing of crew folders
    other = create_engine(f"sqlite:///{place(filled)}")
    query = select(schema.splices)
    with reading(other) as connection:
        frame = fetch_within(connection, query, order=["id"])
    other.dispose()
    assert_frame_equal(frame, fetch(filled, query, order=["id"]))


def test_records_are_chosen_by_splicer_and_time(filled):
    since = (START + timedelta(minutes=10)).to_pydatetime()
    until = (START + timedelta(minutes=20)).to_pydatetime()
    frame = read.records(
        filled,
        "splices",
        splicers=["Heron"],
        since=since,
        until=until,
        columns=["loss_db", "spliced_at"],
    )
    assert list(frame.columns) == ["loss_db", "spliced_at"]
    minutes = (frame["spliced_at"] - START).dt.total_seconds() / 60
    assert list(minutes) == [10, 12, 14, 16, 18]
    assert read.records(filled, "splices", splicers=[]).empty


def test_readings_are_chosen_by_site_splicer_or_station(engine):
    at = [START + timedelta(minutes=m) for m in range(4)]
    frame = pd.DataFrame(
        {
            "line": [2, 3, 4, 5],
            "read_at": pd.Series(at).astype("datetime64[us, UTC]"),
            "site": ["Harbor", None, "Pass", None],
            "splicer": [None, "Heron", None, None],
            "station": [None, None, None, "ENXX"],
            "temperature_c": [1.0, 2.0, 3.0, 4.0],
        }
    )
    with writing(engine) as connection:
        import_id = write.add_import(connection, import_values(kind="readings"))
        insert_rows.add_rows(connection, schema.readings, frame.assign(import_id=import_id))
    chosen = read.records(engine, "readings", sites=["Harbor"], splicers=["Heron"])
    assert list(chosen["temperature_c"]) == [1.0, 2.0]
    assert list(read.records(engine, "readings", sites=["Pass"])["temperature_c"]) == [3.0]
    chosen = read.records(engine, "readings", sites=["Pass"], stations=["ENXX"])
    assert list(chosen["temperature_c"]) == [3.0, 4.0]
    until = START + timedelta(hours=1)
    assert read.newest_reading(engine, "Heron", "Harbor", None, until) == at[1]
    assert read.newest_reading(engine, "Heron", None, None, until) == at[1]
    assert read.newest_reading(engine, "Heron", "Harbor", "ENXX", until) == at[3]


def test_a_naive_instant_is_refused(filled):
    with pytest.raises(ValueError, match="without a time zone"):
        read.records(filled, "splices", since=datetime(2025, 3, 1))


def test_instants_are_kept_to_the_microsecond():
    assert microseconds(datetime(1970, 1, 1, 0, 0, 1, 7, UTC)) == 1_000_007
    assert microseconds(datetime(1969, 12, 31, 23, 59, 59, 999_999, UTC)) == -1


@pytest.mark.parametrize("bulk", [1, 1_000_000])
def test_staging_and_row_by_row_store_the_same(engine, monkeypatch, bulk):
    monkeypatch.setattr(insert_rows, "_BULK_ROWS", bulk)
    progress = []
    frame = splices(500)
    with writing(engine) as connection:
        import_id = write.add_import(connection, import_values())
        frame = frame.assign(import_id=import_id)
        insert_rows.add_rows(connection, schema.splices, frame, progress=progress.append)
    stored = read.records(engine, "splices", columns=frame.columns)
    assert_frame_equal(stored, frame.astype(stored.dtypes.to_dict()))
    assert progress == ([500] if bulk == 1 else [])


def test_more_staging_files_than_can_be_attached(engine, monkeypatch):
    monkeypatch.setattr(insert_rows, "_BULK_ROWS", 1)
    with writing(engine) as connection:
        import_id = write.add_import(connection, import_values())
        frame = splices(20).assign(import_id=import_id)
        for _ in range(12):
            insert_rows.add_rows(connection, schema.splices, frame)
    assert len(read.records(engine, "splices")) == 240


def test_staged_rows_go_with_their_transaction(engine, monkeypatch):
    monkeypatch.setattr(insert_rows, "_BULK_ROWS", 1)

    def write_and_fail():
        with writing(engine) as connection:
            import_id = write.add_import(connection, import_values())
            insert_rows.add_rows(
                connection, schema.splices, splices(50).assign(import_id=import_id)
            )
            raise RuntimeError

    with pytest.raises(RuntimeError):
        write_and_fail()
    assert read.records(engine, "splices").empty
    assert read.imports(engine).empty


def test_a_strange_column_is_refused(engine):
    with pytest.raises(ValueError, match="table splices has no column colour"):
        with writing(engine) as connection:
            insert_rows.add_rows(connection, schema.splices, pd.DataFrame({"colour": ["red"]}))


def test_results_are_replaced_whole(filled):
    days = pd.DataFrame(
        {
            "splicer": ["Kestrel", "Heron"],
            "day": ["2025-03-01", "2025-03-01"],
            "site": [None, "Harbor"],
            "status": ["missed", "checked"],
            "checked_at": pd.Series([pd.NaT, START]).astype("datetime64[us, UTC]"),
            "splices": [10, 20],
            "splices_before_check": [10, 0],
            "attempts": [0, 1],
            "failed_attempts": [0, 0],
            "splices_after_failure": [0, 0],
            "day_over": [True, False],
        }
    )
    write.replace_results(filled, {"result_check_days": days, "analysis_run": pd.DataFrame(RUN)})
    stored = read.result(filled, "result_check_days")
    assert list(stored["splicer"]) == ["Heron", "Kestrel"]
    assert stored["day_over"].dtype == bool
    assert list(stored["day_over"]) == [False, True]
    assert stored.loc[0, "checked_at"] == START
    assert stored["checked_at"].isna().tolist() == [False, True]
    one = read.result(filled, "result_check_days", splicer="Heron")
    assert list(one["splices"]) == [20]
    with reading(filled):
        assert_frame_equal(read.result(filled, "result_check_days"), stored)
    run = read.result(filled, "analysis_run")
    assert run.loc[0, "now"] == RUN["now"][0]

    write.replace_results(filled, {"result_check_days": days.iloc[:1]})
    assert list(read.result(filled, "result_check_days")["splicer"]) == ["Kestrel"]
    assert read.result(filled, "analysis_run").empty
    with pytest.raises(ValueError, match="not a result table: splices"):
        write.replace_results(filled, {"splices": days})


def test_findings_come_most_pressing_first(engine):
    frame = pd.DataFrame(
        {
            "id": ["a", "b", "c"],
            "kind": ["arc-drift", "check-missed", "arc-drift"],
            "subject_type": "splicer",
            "subject_id": ["Heron", "Heron", "Kestrel"],
            "since": START,
            "until": [START, START + timedelta(days=1), START + timedelta(days=2)],
            "severity": ["note", "note", "act"],
            "document": ['{"id": "a"}', '{"id": "b"}', '{"id": "c"}'],
        }
    )
    write.replace_results(engine, {"findings": frame})
    assert [one["id"] for one in read.findings(engine)] == ["c", "b", "a"]
    assert [one["id"] for one in read.findings(engine, subject="Heron")] == ["b", "a"]
    assert [one["id"] for one in read.findings(engine, kind="arc-drift")] == ["c", "a"]
    later = (START + timedelta(hours=1)).to_pydatetime()
    assert [one["id"] for one in read.findings(engine, since=later)] == ["c", "b"]


@pytest.mark.parametrize(
    ("problem", "reason"),
    [
        ("cannot rollback - no transaction is active query was: ROLLBACK", "(it is full)"),
        ("database or disk is full", "(it is full)"),
        ("attempt to write a readonly database", "(INTERNAL: attempt to write a readonly"),
    ],
)
def test_a_temporary_folder_that_takes_no_rows_is_named(tmp_path, problem, reason):
    path = tmp_path / "arcdrift-1" / "staging.db"
    with pytest.raises(StoreTrouble) as refusal, insert_rows.staging_errors(path):
        raise ArrowError(f"INTERNAL: {problem}", status_code=AdbcStatusCode.INTERNAL)
    assert f"The temporary folder {tmp_path} cannot take the rows" in str(refusal.value)
    assert reason in str(refusal.value)
    assert "ROLLBACK" not in str(refusal.value)


def test_the_version_changes_with_every_commit(engine):
    seen = [read.store_version(engine)]
    with writing(engine) as connection:
        write.add_import(connection, import_values())
    seen.append(read.store_version(engine))
    write.replace_results(engine, {"analysis_run": pd.DataFrame(RUN)})
    seen.append(read.store_version(engine))
    later = pd.DataFrame(RUN)
    later["assessed_on"] += timedelta(seconds=1)
    write.replace_results(engine, {"analysis_run": later})
    seen.append(read.store_version(engine))
    write.undo(engine, 1)
    seen.append(read.store_version(engine))
    assert len(set(seen)) == len(seen)


def test_a_baseline_mark_changes_the_version(engine):
    seen = [read.store_version(engine)]
    number = add_mark(
        engine, "freeze", date(2026, 1, 5), None, splicer="Heron", note="why", said_by="Alder"
    )
    seen.append(read.store_version(engine))
    withdraw_mark(engine, number)
    seen.append(read.store_version(engine))
    assert len(set(seen)) == len(seen)


def test_imports_are_listed_newest_first(engine):
    with writing(engine) as connection:
        for name in ("a.csv", "b.csv"):
            write.add_import(connection, import_values(file_name=name))
    listed = read.imports(engine)
    assert list(listed["file_name"]) == ["b.csv", "a.csv"]
    assert listed["undone_at"].isna().all()


def test_undoing_refuses_what_is_not_there(engine):
    with pytest.raises(UsageError) as caught:
        write.undo(engine, 7)
    assert str(caught.value) == "There is no import 7; nothing was imported yet."
    with writing(engine) as connection:
        write.add_import(connection, import_values())
    with pytest.raises(UsageError) as caught:
        write.undo(engine, 7)
    assert str(caught.value) == "There is no import 7; the last one is 1."
    write.undo(engine, 1)
    with pytest.raises(UsageError) as caught:
        write.undo(engine, 1)
    assert str(caught.value) == "Import 1 was undone before; nothing was changed."


def test_an_id_that_was_undone_never_comes_back(filled):
    write.undo(filled, 1)
    with writing(filled) as connection:
        import_id = write.add_import(connection, import_values())
        insert_rows.add_rows(connection, schema.splices, splices(2).assign(import_id=import_id))
    assert list(read.records(filled, "splices")["id"]) == [3001, 3002]


def test_a_store_damaged_while_open_is_said_so(filled, tmp_path):
    path = tmp_path / "arcdrift.db"
    content = bytearray(path.read_bytes())
    content[8192:] = b"\xff" * (len(content) - 8192)
    path.write_bytes(bytes(content))
    with pytest.raises(StoreTrouble, match=f"The store {path} "):
        read.records(filled, "splices")
    with pytest.raises(StoreTrouble, match=f"The store {path} "), reading(filled):
        read.records(filled, "splices")


def test_bulk_numbers_survive(filled):
    frame = read.records(filled, "splices", columns=["loss_db"])
    assert np.isnan(frame["loss_db"]).sum() == 429  # every seventh of 3,000
