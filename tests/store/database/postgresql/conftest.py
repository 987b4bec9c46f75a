"""A server, and a store with a few splices on it."""

import pytest

from arcdrift.store import schema
from arcdrift.store.database.connect import writing
from arcdrift.store.database.insert_rows import add_rows
from arcdrift.store.imports.import_list import add_import
from tests.postgresql_server import postgresql_server
from tests.store.stored_examples import splices
from tests.stored_rows import import_values


@pytest.fixture(scope="session")
def server():
    return postgresql_server()


@pytest.fixture
def on_server(server):
    engine = server.empty_store()
    with writing(engine) as connection:
        import_id = add_import(connection, import_values())
        add_rows(connection, schema.splices, splices(50).assign(import_id=import_id))
    yield engine
    engine.dispose()
