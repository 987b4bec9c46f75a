"""Splices to revisit: by place, ticked off with a name, put back, downloaded."""

from pathlib import Path
from typing import Any

import pytest

from arcdrift.errors import UsageError
from arcdrift.people import Viewer
from arcdrift.store.cases.revisit_rows import tick_off
from arcdrift.store.database.connect import open_store
from dashboard.callbacks import screen
from dashboard.components import View
from dashboard.downloads import as_csv
from dashboard.pages.cases import revisit
from dashboard.pages.cases.case_forms import FieldProblems
from dashboard.pages.cases.revisit import revisit_table, tick, untick
from dashboard.reading.data import CrewData
from tests.dashboard.pages.invented_cases import crew_with_cases
from tests.dashboard.rendering import parts, shown


@pytest.fixture
def own(tmp_path: Path) -> CrewData:
    return crew_with_cases(tmp_path)


def test_they_are_listed_by_place_with_loss_and_limit(own: CrewData) -> None:
    words = shown(own, "/cases/revisit")
    assert "2 splices over the accepted limit, newest first." in words
    assert (
        "Harbor: 2 splices K1/1/2 0.45 dB, 0.30 accepted; Kestrel, 12 Jun 2025, 14:00 Tick off"
        in words
    )
    assert "place not logged 0.38 dB" in words
    assert "The log cannot tell whether it was made again." in words
    assert "Never look into a fiber that may carry light" in words
    assert "Dealt with (1) =closure 12 0.61 dB" in words
    assert "made again 12 Jun 2025: 0.02 dB" in words
    assert "Splices to revisit K1/1/2" in shown(own, "/cases").replace("Closed", "")


def test_one_is_ticked_off_with_a_name_and_put_back(own: CrewData) -> None:
    with pytest.raises(FieldProblems, match="Say who you are"):
        tick(own, 11, {"by": ""})
    assert tick(own, 11, {"by": "Ash"}) == "K1/1/2 is ticked off by Ash."
    assert "ticked off by Ash on " in shown(own, "/cases/revisit")
    assert tick(own, 11, {"by": "Ash"}) == "K1/1/2 is ticked off by Ash."  # pressed twice
    assert untick(own, 11, {"by": "Ash"}) == "K1/1/2 is on the list again."
    assert "ticked off" not in shown(own, "/cases/revisit")
    with pytest.raises(UsageError, match="no longer on the list"):
        tick(own, 99, {"by": "Ash"})


def test_somebody_else_was_faster(own: CrewData, tmp_path: Path) -> None:
    own.splices_to_revisit()  # what this reader still sees
    engine = open_store(tmp_path)
    tick_off(engine, 11, "Robin")
    engine.dispose()
    with pytest.raises(UsageError, match="Robin ticked K1/1/2 off on"):
        tick(own, 11, {"by": "Ash"})


@pytest.mark.parametrize("role", ["technician", "trainer", "lead"])
def test_a_technician_puts_back_only_their_own_tick(own: CrewData, role: Any) -> None:
    viewed = own.seen_by(Viewer(role, "Alder" if role == "technician" else None))
    tick(own, 11, {"by": "Robin"})
    tick(viewed, 12, {"by": "alder@work"})
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(revisit, "typed_name", lambda _text: "alder@work")
        buttons = [
            getattr(part, "data-put-back")
            for part in parts(screen(viewed, "/cases/revisit", "", "light"))
            if hasattr(part, "data-put-back")
        ]
    assert sorted(buttons) == (["12"] if role == "technician" else ["11", "12"])
    assert untick(viewed, 12, {"by": "alder@work"}) == "=closure 12 is on the list again."
    if role == "technician":
        with pytest.raises(UsageError, match=r"^Robin ticked it off, and only they, a trainer"):
            untick(viewed, 11, {"by": "alder@work"})
        with pytest.raises(UsageError, match="only they"):
            untick(viewed, 11, {})
        assert "ticked off by Robin" in shown(own, "/cases/revisit")
    else:
        assert untick(viewed, 11, {"by": "alder@work"}) == "K1/1/2 is on the list again."


def test_the_download_has_all_and_no_formula(own: CrewData) -> None:
    run = own.run()
    assert run is not None
    lines = as_csv(revisit_table(View(own, run, {}, "light"))).splitlines()
    assert len(lines) == 4
    assert "'=closure 12" in lines[2]
    assert lines[2].split(",")[8:11] == ["made-again", "2025-06-12T08:00:00Z", "0.02"]
    only = revisit_table(View(own, run, {"site": "Nowhere"}, "light"))
    assert only.empty
