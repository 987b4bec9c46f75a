"""The dashboard uses crew.toml as it is now, and nothing that rests on how it was."""

from pathlib import Path

import pytest
from dash import Dash

from arcdrift.people import Viewer
from arcdrift.settings_file import save_budget
from dashboard.access.current_user import current_viewer
from dashboard.app import create_app
from dashboard.callbacks import screen
from dashboard.reading.data import CrewData
from dashboard.reading.viewers import Viewers, data_for_request, look_at_settings_again
from tests.dashboard.invented import write_crew
from tests.dashboard.rendering import text


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return write_crew(tmp_path)


def edit(folder: Path, old: str, new: str) -> None:
    path = folder / "crew.toml"
    found = path.read_text(encoding="utf-8")
    assert old in found
    path.write_text(found.replace(old, new), encoding="utf-8")


def test_every_viewer_has_the_settings_of_now(folder: Path) -> None:
    viewers = Viewers(CrewData(folder))
    birch, lead = Viewer("technician", "Birch"), Viewer()
    before = {who: viewers.data(who) for who in (birch, lead)}
    assert all(viewers.data(who) is data for who, data in before.items())
    version, name = before[lead].version(), before[lead].crew.name
    edit(folder, name, "Renamed crew")
    for who, old in before.items():
        assert viewers.data(who).crew.name == "Renamed crew"
        assert old.crew.name == name  # a page that is being made keeps its settings
        assert viewers.data(who).engine is old.engine
    assert viewers.everything().version() != version  # pages that are open are made anew
    assert viewers.everything() is viewers.everything()


def test_advice_is_worked_out_anew_under_new_settings(folder: Path) -> None:
    viewers = Viewers(CrewData(folder))
    data = viewers.everything()
    before = data.advice("Kestrel", None, None, None)
    assert {each["program_class"] for each in before.program_classes} == {"fixed"}
    assert data.without_advice(["Kestrel"]) == []
    edit(folder, 'class = "fixed"', 'class = "custom"')
    newer = viewers.everything()
    assert newer.without_advice(["Kestrel"]) == ["Kestrel"]
    after = newer.advice("Kestrel", None, None, None)
    assert {each["program_class"] for each in after.program_classes} == {"custom"}


def test_a_broken_file_leaves_the_settings_in_force_and_records_says_so(folder: Path) -> None:
    viewers = Viewers(CrewData(folder))
    name = viewers.everything().crew.name
    good = (folder / "crew.toml").read_text(encoding="utf-8")
    (folder / "crew.toml").write_text(good + "\n[sites\n", encoding="utf-8")
    data = viewers.everything()
    assert data.crew.name == name
    words = text(screen(data, "/records", "", "light"))
    assert "is not valid TOML" in words
    assert "the settings from before are in force" in words
    (folder / "crew.toml").unlink()
    assert "is not a crew folder" in text(screen(viewers.everything(), "/records", "", "light"))
    (folder / "crew.toml").write_text(good, encoding="utf-8")
    assert "in force" not in text(screen(viewers.everything(), "/records", "", "light"))


def test_another_store_is_not_opened_amid_work(folder: Path) -> None:
    viewers = Viewers(CrewData(folder))
    engine, name = viewers.everything().engine, viewers.everything().crew.name
    edit(folder, name, 'Renamed"\nstore = "postgresql://u@host/db')
    data = viewers.everything()
    assert (data.engine, data.crew.name) == (engine, name)
    assert "once the dashboard is started again" in text(screen(data, "/records", "", "light"))


def test_a_request_keeps_the_settings_it_began_with(folder: Path) -> None:
    app: Dash = create_app(folder)
    data = data_for_request(Viewers(CrewData(folder)), current_viewer)
    with app.server.test_request_context("/"):
        budget = data.crew.false_alarms_per_month
        save_budget(folder, budget + 1)
        assert data.crew.false_alarms_per_month == budget
        look_at_settings_again()
        assert data.crew.false_alarms_per_month == budget + 1
