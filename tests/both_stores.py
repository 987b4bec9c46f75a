"""Runs the tests of a module on each database that a store can be in.

A module says ``pytestmark = both_stores``; its tests then run on SQLite, and on PostgreSQL those
marked `daily_on_postgresql`. All of them do so with ``ARCDRIFT_BOTH_STORES=1``, as `.ci/run` runs
them, and in the long form of the suite; those marked `sqlite_only` never do.
"""

import os
from collections.abc import Iterator

import pytest

from tests import empty_store
from tests.postgresql_server import postgresql_server

both_stores = pytest.mark.usefixtures("store_database")
daily_on_postgresql = pytest.mark.daily_on_postgresql
sqlite_only = pytest.mark.sqlite_only


@pytest.fixture(scope="module")
def store_database(request: pytest.FixtureRequest) -> Iterator[str]:
    """Name of the database that empty stores are made in."""
    database: str = getattr(request, "param", "sqlite")
    if database == "postgresql":
        empty_store.on_server(postgresql_server())
    yield database
    empty_store.on_server(None)


def parametrize(metafunc: pytest.Metafunc) -> None:
    """Let a test of both stores run on each."""
    test = metafunc.definition
    if "store_database" not in metafunc.fixturenames or test.get_closest_marker("sqlite_only"):
        return
    marks = [pytest.mark.postgresql]
    everyday = os.environ.get("ARCDRIFT_BOTH_STORES") == "1"
    if not (everyday or test.get_closest_marker("daily_on_postgresql")):
        marks.append(pytest.mark.long)
    databases = ["sqlite", pytest.param("postgresql", marks=marks)]
    metafunc.parametrize("store_database", databases, indirect=True, scope="module")
