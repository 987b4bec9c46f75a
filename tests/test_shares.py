"""Shares of the false-alarm budget: they add to one, and every chart with alarms has one."""

from pathlib import Path

import pytest

from arcdrift.errors import BadInput
from arcdrift.settings import load_crew
from arcdrift.settings_file import save_budget
from arcdrift.shares import Shares
from arcdrift.store import schema
from dashboard.pages.budget.budget_query import CHARTS
from dashboard.subjects import MEASURES

FORMER = {
    "loss_raised": 0.4, "loss_lowered": 0.1, "rolled_up": 0.1, "scattered": 0.05, "dirty": 0.06,
    "redo": 0.04, "arc": 0.25,
}  # fmt: skip


def crew_folder(folder: Path, shares: dict[str, float]) -> Path:
    lines = ['name = "A"', "[shares]", *(f"{name} = {share}" for name, share in shares.items())]
    (folder / "crew.toml").write_text("\n".join(lines), encoding="utf-8")
    return folder


def test_the_shares_add_to_one_and_each_has_a_title():
    shares = Shares().model_dump()
    assert sum(shares.values()) == pytest.approx(1.0, abs=1e-12)
    assert list(CHARTS) == list(shares)
    # nothing is more urgent than a rise of loss
    assert max(shares, key=lambda name: shares[name]) == "loss_raised"


def test_every_result_with_alarms_is_one_that_the_budget_knows():
    # `replay_alarms` and `recorded_alarms` read these; a new table of alarms needs a share
    alarmed = {
        name for name, table in schema.result_metadata.tables.items() if "alarm" in table.columns
    }
    assert alarmed == {
        "result_stream_days", "result_subject_days", "result_arc_points", "result_angle_days"
    }  # fmt: skip
    assert set(MEASURES) == {
        "level",
        "spread",
        "dirty",
        "first_time",
        "errors",
        "arc",
        "doubtful",
        "cleave",
    }


@pytest.mark.parametrize("written", [tuple(FORMER), ("loss_raised", "arc"), ("arc",)])
def test_shares_of_the_first_version_are_scaled_and_the_crew_is_told(tmp_path: Path, written):
    crew = load_crew(crew_folder(tmp_path, {name: FORMER[name] for name in written}))
    shares = crew.shares.model_dump()
    assert sum(shares.values()) == pytest.approx(1.0)
    assert [shares.pop(name) for name in ("doubtful", "cleave", "errors")] == [0.03, 0.05, 0.02]
    shares["redo"] = shares.pop("first_time")
    assert shares == pytest.approx({name: 0.90 * share for name, share in FORMER.items()})
    (sentence,) = crew.notices
    assert "nothing of doubtful arc checks, cleave angles and splicers' errors, which" in sentence
    # what the sentence says of the new shares and of the others is what was done
    assert "get 3 %, 5 % and 2 % of the budget now, and every other share is 10 % sm" in sentence
    # saving writes the shares into the file, and nothing is left to tell
    saved = save_budget(tmp_path, 2.0, crew.shares)
    assert (saved.shares, saved.notices) == (crew.shares, ())
    assert "cleave = 0.05" in (tmp_path / "crew.toml").read_text(encoding="utf-8")


SECOND = FORMER | {"loss_lowered": 0.05, "arc": 0.22, "doubtful": 0.03, "cleave": 0.05}


@pytest.mark.parametrize("written", [tuple(SECOND), ("scattered", "redo", "loss_lowered")])
def test_shares_of_the_second_version_make_room_for_errors(tmp_path: Path, written):
    crew = load_crew(crew_folder(tmp_path, {name: SECOND[name] for name in written}))
    shares = crew.shares.model_dump()
    assert shares.pop("errors") == 0.02
    shares["redo"] = shares.pop("first_time")
    assert shares == pytest.approx({name: 0.98 * share for name, share in SECOND.items()})
    assert "say nothing of splicers' errors, which give alarms too" in crew.notices[0]
    save_budget(tmp_path, 2.0, crew.shares)
    text = (tmp_path / "crew.toml").read_text(encoding="utf-8")
    assert "redo" not in text
    assert load_crew(tmp_path).shares == crew.shares


def test_the_share_of_redone_splices_is_that_of_places_now(tmp_path: Path):
    crew = load_crew(crew_folder(tmp_path, {"redo": 0.06, "loss_raised": 0.38}))
    assert crew.notices == ()
    assert crew.shares == Shares(first_time=0.06, loss_raised=0.38)


@pytest.mark.parametrize("given", [{}, {"loss_raised": 0.35, "arc": 0.27}])
def test_shares_that_add_to_one_with_the_others_stay_as_they_are(tmp_path: Path, given):
    crew = load_crew(crew_folder(tmp_path, given))
    assert crew.notices == ()
    assert crew.shares == Shares(**given)
    assert crew.shares.cleave == 0.05


def test_shares_that_add_to_something_else_are_refused(tmp_path: Path):
    with pytest.raises(BadInput, match=r"the shares must add to 1, not to 1\.15"):
        load_crew(crew_folder(tmp_path, FORMER | {"cleave": 0.1}))
    with pytest.raises(BadInput, match=r"the shares must add to 1, not to 1\.2"):
        load_crew(crew_folder(tmp_path, FORMER | {"arc": 0.35}))
