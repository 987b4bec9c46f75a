"""Saving the budget changes what it must in crew.toml, and nothing else."""

from pathlib import Path

import pytest

from arcdrift.cli.commands.init import crew_text
from arcdrift.crew_setup import CrewSetup, SplicerSetup
from arcdrift.errors import BadInput
from arcdrift.settings import Crew, Site, Splicer, load_crew
from arcdrift.settings_file import save_budget, save_setup
from arcdrift.shares import Shares

TOML = """\
# Our crew: keep this line
name = "Harbor crew"   # and this
false_alarms_per_month = 2.5  # agreed in May

[sites."Harbor"] # the pier
elevation_m = 12

[shares]
# the arc matters most to us
loss_raised = 0.35
arc = 0.27
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "crew.toml").write_text(TOML, encoding="utf-8", newline="")
    return tmp_path


def written(folder: Path) -> str:
    return (folder / "crew.toml").read_bytes().decode("utf-8")


def test_only_the_budget_changes(folder: Path):
    crew = save_budget(folder, 4.0)
    assert crew.false_alarms_per_month == 4
    assert written(folder) == TOML.replace("= 2.5 ", "= 4 ")
    assert [path.name for path in folder.iterdir()] == ["crew.toml"]


def test_changed_shares_are_written_beside_their_comments(folder: Path):
    shares = Shares(loss_raised=0.30, arc=0.32)
    assert save_budget(folder, 2.5, shares).shares == shares
    text = written(folder)
    for line in ("# Our crew: keep this line", "# and this", "# the arc matters most to us",
                 '[sites."Harbor"] # the pier'):  # fmt: skip
        assert line in text
    assert load_crew(folder).shares == shares


def test_a_file_without_the_keys_gets_them(tmp_path: Path):
    # the key must land before the first table, or it would belong to that table
    (tmp_path / "crew.toml").write_text('name = "A"\n\n[sites."B"]\n', encoding="utf-8")
    shares = Shares(loss_raised=0.30, arc=0.32)
    save_budget(tmp_path, 3.5, shares)
    assert load_crew(tmp_path) == Crew.model_validate(
        {"name": "A", "false_alarms_per_month": 3.5, "shares": shares.model_dump(),
         "sites": {"B": {}}}
    )  # fmt: skip


def test_line_ends_of_another_system_stay(folder: Path):
    (folder / "crew.toml").write_bytes(TOML.replace("\n", "\r\n").encode())
    save_budget(folder, 4.0)
    assert written(folder) == TOML.replace("= 2.5 ", "= 4 ").replace("\n", "\r\n")


@pytest.mark.parametrize("budget", [0.0, -1.0, 1001.0, float("nan"), float("inf")])
def test_a_bad_budget_is_refused_and_the_file_stays(folder: Path, budget: float):
    with pytest.raises(BadInput) as caught:
        save_budget(folder, budget)
    assert str(caught.value).startswith("This was not saved: false_alarms_per_month: Input should")
    assert written(folder) == TOML


def test_a_file_nobody_may_replace_is_told(folder: Path, monkeypatch):
    def refuse(self: Path, target: Path) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "replace", refuse)
    with pytest.raises(BadInput) as caught:
        save_budget(folder, 4.0)
    assert str(caught.value).endswith("cannot be written: [Errno 13] Permission denied.")
    assert written(folder) == TOML
    assert [path.name for path in folder.iterdir()] == ["crew.toml"]


def test_a_linked_file_is_changed_where_it_lies(folder: Path, tmp_path_factory):
    elsewhere = tmp_path_factory.mktemp("link")
    (elsewhere / "crew.toml").symlink_to(folder / "crew.toml")
    save_budget(elsewhere, 4.0)
    assert (elsewhere / "crew.toml").is_symlink()
    assert load_crew(folder).false_alarms_per_month == 4


SETUP = CrewSetup(
    "North",
    "Europe/Oslo",
    {"Harbor": 14.0, "Pass": 1240.5},
    {"Heron": SplicerSetup("Pass", "%"), "Kestrel": SplicerSetup()},
)


def test_a_set_up_is_written_beside_what_is_there(folder: Path):
    (folder / "crew.toml").write_text(
        TOML.replace("elevation_m = 12", 'elevation_m = 12  # at the gate\nstation = "ENXX"'),
        encoding="utf-8", newline="",
    )  # fmt: skip
    crew = save_setup(folder, SETUP)
    assert (crew.name, crew.time_zone) == ("North", "Europe/Oslo")
    assert crew.sites == {
        "Harbor": Site(elevation_m=14, station="ENXX"), "Pass": Site(elevation_m=1240.5),
    }  # fmt: skip
    assert crew.splicers == {
        "Heron": Splicer(home_site="Pass", setting_unit="%"), "Kestrel": Splicer(),
    }  # fmt: skip
    assert crew.false_alarms_per_month == 2.5
    assert crew.shares.arc == 0.27
    text = written(folder)
    for line in ("# Our crew: keep this line", "# and this", "# agreed in May", "# at the gate",
                 '[sites."Harbor"] # the pier', "# the arc matters most to us"):  # fmt: skip
        assert line in text
    before = written(folder)
    assert save_setup(folder, SETUP) == crew
    assert written(folder) == before


def test_a_set_up_of_a_new_crew_says_the_same_as_the_terminal(folder: Path):
    (folder / "crew.toml").write_text(crew_text(CrewSetup("try")), encoding="utf-8")
    lines = written(folder).splitlines()
    saved = save_setup(folder, SETUP)
    assert [line for line in lines if line not in written(folder).splitlines()] == ['name = "try"']
    (folder / "crew.toml").write_text(crew_text(SETUP), encoding="utf-8")
    assert load_crew(folder) == saved


def test_what_a_set_up_no_longer_names_is_taken_out(folder: Path):
    save_setup(folder, SETUP)
    crew = save_setup(folder, CrewSetup("North", None, {"Pass": None}, {"Kestrel": SplicerSetup()}))
    assert crew.time_zone is None
    assert crew.sites == {"Pass": Site()}
    assert crew.splicers == {"Kestrel": Splicer()}


def test_inline_tables_stay_such(tmp_path: Path):
    text = 'name = "A"\nsites = { B = { elevation_m = 3 } }\n'
    (tmp_path / "crew.toml").write_text(text, encoding="utf-8")
    crew = save_setup(tmp_path, SETUP)
    assert crew.sites == {"Harbor": Site(elevation_m=14), "Pass": Site(elevation_m=1240.5)}


def test_a_set_up_that_cannot_be_is_not_saved(folder: Path):
    setup = CrewSetup("North", None, {}, {"Heron": SplicerSetup("Nowhere")})
    with pytest.raises(BadInput, match="not saved: the home_site 'Nowhere'"):
        save_setup(folder, setup)
    assert written(folder) == TOML
