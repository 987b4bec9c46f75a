"""An empty crew whose dashboard takes files in."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from dash import Dash
from sqlalchemy import Engine

from arcdrift.store.database.connect import open_store
from dashboard.app import create_app
from tests.dashboard.uploads.sending import uploads_of


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    folder = tmp_path / "crew"
    folder.mkdir()
    (folder / "crew.toml").write_text('name = "Try"\ntime_zone = "Europe/Oslo"\n', "utf-8")
    return folder


@pytest.fixture
def app(folder: Path) -> Iterator[Dash]:
    app = create_app(folder)
    yield app
    uploads_of(app).close()


@pytest.fixture
def engine(folder: Path, app: Dash) -> Engine:
    return open_store(folder)
