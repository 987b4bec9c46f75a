"""Importers, analyzers, readers and people who say things, all at once on one store.

No error, no row lost or doubled, no page of two analyses, nobody overwritten; the end is that of
the same files imported one after the other. ``python -m tests.robust.together`` shows how long
readers wait.
"""

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.postgresql_server import postgresql_server
from tests.robust.together.__main__ import report
from tests.robust.together.crew_files import MIDDLE, SMALL
from tests.robust.together.storm import Crowd, storm

Make = Callable[[], str | None]
FEW = Crowd(2, 1, 3, 1, seconds=1.0, alone_s=0.0, pause_s=0.2, processes=False)
MANY = Crowd(4, 2, 20, 2, seconds=120.0, alone_s=20.0, pause_s=5.0, processes=True)


def empty_on_server() -> str:
    server = postgresql_server()
    return server.address(server.new_database())


STORES = [
    pytest.param(lambda: None, id="sqlite"),
    pytest.param(empty_on_server, id="postgresql", marks=pytest.mark.postgresql),
]


@pytest.mark.parametrize("make_store", [STORES[0]])
def test_a_few_at_once(tmp_path: Path, make_store: Make) -> None:
    outcome = storm(tmp_path, SMALL, FEW, make_store)
    assert not outcome.wrong, report(outcome)
    assert outcome.files
    assert outcome.commands["analyze"]
    assert outcome.crowded


@pytest.mark.long
@pytest.mark.parametrize("make_store", STORES)
def test_many_at_once_for_two_minutes(tmp_path: Path, make_store: Make) -> None:
    outcome = storm(tmp_path, MIDDLE, MANY, make_store)
    print(report(outcome))  # noqa: T201
    assert not outcome.wrong
    assert outcome.files > 20
    assert outcome.compared > 5
    said = outcome.said
    assert all(said[f"{way}, told"] for way in ("two pages", "tick", "page after command"))
