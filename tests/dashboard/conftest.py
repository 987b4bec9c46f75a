"""The invented crew, made once a worker."""

from pathlib import Path

import pytest
from dash import Dash

from dashboard.app import create_app
from dashboard.data import CrewData
from tests.dashboard.invented import write_crew


@pytest.fixture(scope="session")
def crew_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_crew(tmp_path_factory.mktemp("crew"))


@pytest.fixture(scope="session")
def data(crew_folder: Path) -> CrewData:
    return CrewData(crew_folder)


@pytest.fixture(scope="session")
def app(crew_folder: Path) -> Dash:
    return create_app(crew_folder)
