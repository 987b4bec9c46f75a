"""The dashboard of a crew whose store is on a server: the pages are those of a store in a file."""

import shutil
from datetime import date
from pathlib import Path

import pytest

from arcdrift.settings_file import save_store
from arcdrift.store import schema
from arcdrift.store.database.connect import connect_to, open_store, writing
from arcdrift.store.moving.store_move import moved_store
from dashboard.reading.data import CrewData
from dashboard.reports.report_kinds import REPORT_KINDS
from tests.dashboard.rendering import shown
from tests.dashboard.reports.reported import made
from tests.dashboard.reports.test_reports import ABOUT
from tests.postgresql_server import postgresql_server

pytestmark = pytest.mark.postgresql
PAGES = [
    ("/", ""),
    ("/splicer", "?splicer=Kestrel&period=all"),
]
OTHER_PAGES = [
    ("/loss", "?splicer=Kestrel&program=single-mode+fixed&day=2025-06-12&period=30"),
    ("/checks", "?period=90&splicer=Kestrel"),
    ("/coaching", ""),
    ("/person", "?technician=Birch"),
    ("/budget", ""),
]


@pytest.fixture(scope="module")
def on_server(crew_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> CrewData:
    """The invented crew, moved to a server."""
    server = postgresql_server()
    database = server.new_database()
    server.execute("DROP SCHEMA arcdrift CASCADE", database=database)
    folder = tmp_path_factory.mktemp("moved") / "crew"
    shutil.copytree(crew_folder, folder)
    source, target = open_store(folder), connect_to(server.address(database))
    with moved_store(source, target):
        save_store(folder, server.address(database))
    source.dispose()
    target.dispose()
    return CrewData(folder)


@pytest.mark.parametrize(
    ("path", "query"),
    [*PAGES, *(pytest.param(*page, marks=pytest.mark.long) for page in OTHER_PAGES)],
)
def test_pages_show_the_same(data: CrewData, on_server: CrewData, path: str, query: str) -> None:
    assert shown(on_server, path, query) == shown(data, path, query)


@pytest.mark.parametrize(
    "kind",
    [
        pytest.param(kind, marks=() if kind in ("client", "card") else pytest.mark.long)
        for kind in REPORT_KINDS
    ],
)
def test_reports_are_the_same_bytes(data: CrewData, on_server: CrewData, kind: str) -> None:
    about = ABOUT.get(REPORT_KINDS[kind].about, {})
    assert made(on_server, kind, **about).html == made(data, kind, **about).html


def test_results_are_read_again_when_the_store_has_changed(on_server: CrewData) -> None:
    before, version = on_server.result("result_streams"), on_server.version()
    on_server.add_mark(
        action="exclude",
        first_day=date(2025, 6, 1),
        last_day=date(2025, 6, 1),
        note="why",
        said_by="Alder",
    )
    assert on_server.version() != version
    assert on_server.result("result_streams") is before  # only an analysis changes them
    with writing(on_server.engine) as connection:
        connection.execute(schema.RESULTS["analysis_run"].update().values(seconds=7.0))
    after = on_server.result("result_streams")
    assert after is not before
    assert after.equals(before)
