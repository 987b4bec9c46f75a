"""Rows of a frame into a table, row by row and through Arrow the same."""

import pandas as pd
import pytest
from adbc_driver_manager import AdbcStatusCode
from adbc_driver_manager import Error as ArrowError
from pandas.testing import assert_frame_equal

from arcdrift.errors import StoreTrouble
from arcdrift.store import schema
from arcdrift.store.database import insert_rows
from arcdrift.store.database.connect import writing
from arcdrift.store.database.sqlite import staged_inserts
from arcdrift.store.imports.import_list import add_import, read_imports
from arcdrift.store.records.record_rows import read_records
from tests.both_stores import both_stores, sqlite_only
from tests.store.stored_examples import splices
from tests.stored_rows import import_values

pytestmark = both_stores


@sqlite_only
@pytest.mark.parametrize("bulk", [1, 1_000_000])
def test_staging_and_row_by_row_store_the_same(engine, monkeypatch, bulk):
    monkeypatch.setattr(staged_inserts, "_BULK_ROWS", bulk)
    progress = []
    frame = splices(500)
    with writing(engine) as connection:
        import_id = add_import(connection, import_values())
        frame = frame.assign(import_id=import_id)
        insert_rows.add_rows(connection, schema.splices, frame, progress=progress.append)
    stored = read_records(engine, "splices", columns=frame.columns)
    assert_frame_equal(stored, frame.astype(stored.dtypes.to_dict()))
    assert progress == ([500] if bulk == 1 else [])


@sqlite_only
def test_more_staging_files_than_can_be_attached(engine, monkeypatch):
    monkeypatch.setattr(staged_inserts, "_BULK_ROWS", 1)
    with writing(engine) as connection:
        import_id = add_import(connection, import_values())
        frame = splices(20).assign(import_id=import_id)
        for _ in range(12):
            insert_rows.add_rows(connection, schema.splices, frame)
    assert len(read_records(engine, "splices")) == 240


@sqlite_only
def test_staged_rows_go_with_their_transaction(engine, monkeypatch):
    monkeypatch.setattr(staged_inserts, "_BULK_ROWS", 1)

    def write_and_fail():
        with writing(engine) as connection:
            import_id = add_import(connection, import_values())
            insert_rows.add_rows(
                connection, schema.splices, splices(50).assign(import_id=import_id)
            )
            raise RuntimeError

    with pytest.raises(RuntimeError):
        write_and_fail()
    assert read_records(engine, "splices").empty
    assert read_imports(engine).empty


def test_a_strange_column_is_refused(engine):
    with pytest.raises(ValueError, match="table splices has no column colour"):
        with writing(engine) as connection:
            insert_rows.add_rows(connection, schema.splices, pd.DataFrame({"colour": ["red"]}))


@sqlite_only
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
    with pytest.raises(StoreTrouble) as refusal, staged_inserts.staging_errors(path):
        raise ArrowError(f"INTERNAL: {problem}", status_code=AdbcStatusCode.INTERNAL)
    assert f"The temporary folder {tmp_path} cannot take the rows" in str(refusal.value)
    assert reason in str(refusal.value)
    assert "ROLLBACK" not in str(refusal.value)
