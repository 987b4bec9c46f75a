"""The invented crew, made once a worker."""

from pathlib import Path

import pytest
from dash import Dash

from dashboard.app import create_app
from tests.dashboard.invented import write_crew
from tests.dashboard.rendering import UnchangingCrew


@pytest.fixture(scope="session")
def crew_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_crew(tmp_path_factory.mktemp("crew"))


@pytest.fixture(scope="session")
def data(crew_folder: Path) -> UnchangingCrew:
    return UnchangingCrew(crew_folder)


@pytest.fixture(scope="session")
def app(crew_folder: Path) -> Dash:
    return create_app(crew_folder)
