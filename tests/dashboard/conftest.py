"""The invented crew, made once a worker."""

from pathlib import Path

import pytest
from dash import Dash

from dashboard.app import create_app
from dashboard.pages.shift import splicer_states
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


@pytest.fixture(scope="session", autouse=True)
def all_advice_at_once() -> None:
    """Let pages wait for all advice, however slow this machine is."""
    splicer_states.SECONDS_AT_ONCE = 600.0
