"""An empty store, and one with 3,000 splices."""

import pytest

from arcdrift.store import schema
from arcdrift.store.database import insert_rows
from arcdrift.store.database.connect import writing
from arcdrift.store.imports.import_list import add_import
from tests.empty_store import empty_store
from tests.store.stored_examples import splices
from tests.stored_rows import import_values


@pytest.fixture
def engine(tmp_path):
    engine = empty_store(tmp_path)
    yield engine
    engine.dispose()


@pytest.fixture
def filled(engine):
    with writing(engine) as connection:
        import_id = add_import(connection, import_values())
        insert_rows.add_rows(connection, schema.splices, splices(3000).assign(import_id=import_id))
    return engine
