"""The list of imports, and imports undone."""

import pytest

from arcdrift.errors import UsageError
from arcdrift.store import schema
from arcdrift.store.database import insert_rows
from arcdrift.store.database.connect import writing
from arcdrift.store.imports.import_list import add_import, read_imports
from arcdrift.store.imports.import_undo import undo_import
from arcdrift.store.records.record_rows import read_records
from tests.both_stores import both_stores, daily_on_postgresql
from tests.store.stored_examples import splices
from tests.stored_rows import import_values

pytestmark = both_stores


def test_imports_are_listed_newest_first(engine):
    with writing(engine) as connection:
        for name in ("a.csv", "b.csv"):
            add_import(connection, import_values(file_name=name))
    listed = read_imports(engine)
    assert list(listed["file_name"]) == ["b.csv", "a.csv"]
    assert listed["undone_at"].isna().all()


def test_undoing_refuses_what_is_not_there(engine):
    with pytest.raises(UsageError) as caught:
        undo_import(engine, 7)
    assert str(caught.value) == "There is no import 7; nothing was imported yet."
    with writing(engine) as connection:
        add_import(connection, import_values())
    with pytest.raises(UsageError) as caught:
        undo_import(engine, 7)
    assert str(caught.value) == "There is no import 7; the last one is 1."
    undo_import(engine, 1)
    with pytest.raises(UsageError) as caught:
        undo_import(engine, 1)
    assert str(caught.value) == "Import 1 was undone before; nothing was changed."


@daily_on_postgresql
def test_an_id_that_was_undone_never_comes_back(filled):
    undo_import(filled, 1)
    with writing(filled) as connection:
        import_id = add_import(connection, import_values())
        insert_rows.add_rows(connection, schema.splices, splices(2).assign(import_id=import_id))
    assert list(read_records(filled, "splices")["id"]) == [3001, 3002]
