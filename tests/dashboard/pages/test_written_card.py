"""The splicer page's forms to write something down, and what it then says."""

import re
from types import SimpleNamespace

import numpy as np
import pytest

from arcdrift.errors import UsageError
from arcdrift.figures.arc import arc_history
from arcdrift.intake.storing.written_records import RefusedRecord
from arcdrift.intake.storing.written_sentences import (
    BLADE_CAUTION,
    ELECTRODES_CAUTION,
    MANUAL_FIRST,
)
from arcdrift.people import Viewer
from dashboard import forms
from dashboard.components import View
from dashboard.pages.splicer import splicer as splicer_page
from dashboard.pages.splicer import written_callbacks
from dashboard.pages.splicer import written_card as written_card_module
from dashboard.pages.splicer.written_callbacks import _by_field, _undone, _written
from dashboard.pages.splicer.written_card import service_and_remarks, typed_entry, written_card
from dashboard.reading.data import CrewData
from dashboard.url_query import parse
from tests.dashboard.invented import write_crew
from tests.dashboard.rendering import shown, text

CHECK = {"outcome": "pass", "setting": "12,5", "count": "", "when": "", "by": "Robin"}
QUERY = "?splicer=Kestrel"


@pytest.fixture
def data(tmp_path):
    return CrewData(write_crew(tmp_path))


def test_a_typed_form_becomes_a_row():
    entry = typed_entry("check", "Kestrel", CHECK)
    assert entry["kind"] == "arc-checks"
    assert entry["cells"]["arc_setting"] == "12.5"  # keypads of many countries have no point
    assert entry["cells"]["technician"] == entry["by"] == "Robin"
    assert typed_entry("check", "Kestrel", {"setting": "1,040"})["cells"]["arc_setting"] == "1,040"
    service = typed_entry("service", "Kestrel", {"what": "blade rotated|C1", "by": "Robin"})
    assert service["cells"] == {"asset": "C1", "action": "blade rotated", "remark": ""}
    assert typed_entry("remark", "Kestrel", {"remark": "fell"})["cells"]["asset"] == "Kestrel"


def test_the_verdict_is_right_at_once_and_undo_brings_the_old_one_back(data):
    assert "Run the daily check" in shown(data, "/splicer", QUERY)
    answer = _written(data, "check", "Kestrel", CHECK)
    assert re.fullmatch(
        r"Check logged for Kestrel, 13 Jun 2025 \d\d:\d\d \(entry 2\)\. Verdict: keep working\.",
        answer["sentence"],
    )
    page = shown(data, "/splicer", QUERY)
    assert "Run the daily check" not in page
    assert "Kestrel: check passed, setting 12.5 steps" in page
    assert "by Robin; written by hand" in page
    assert "changed since the last analysis" in page  # the tables are out of date
    again = _written(data, "check", "Kestrel", CHECK)
    assert "nothing was stored" in again["sentence"]
    undone = _undone(data, "Kestrel", answer["number"])
    assert undone["sentence"].endswith("Verdict: run the daily check.")
    assert "Run the daily check" in shown(data, "/splicer", QUERY)
    assert "written by hand" not in shown(data, "/splicer", QUERY)


def test_problems_stand_beside_their_fields(data):
    filled = CHECK | {"setting": "1000000", "when": "25:99", "by": ""}
    with pytest.raises(RefusedRecord) as refused:
        _written(data, "check", "Kestrel", filled)
    problems = _by_field(refused.value)
    assert set(problems) == {"setting", "when", "by"}
    assert problems["setting"].startswith("Arc setting 1000000 is above")
    with pytest.raises(RefusedRecord) as refused:
        _written(data, "service", "Kestrel", {"what": None, "by": "Robin"})
    assert set(_by_field(refused.value)) == {"what"}


def test_cautions_stand_in_the_form_once(data):
    run = data.run()
    assert run is not None
    card = written_card(View(data, run, parse(QUERY), "light"), "Kestrel")
    words = text(card)
    for caution in (ELECTRODES_CAUTION, BLADE_CAUTION, MANUAL_FIRST):
        assert words.count(caution) == 1


def test_remarks_are_marks_on_the_charts_and_checks_by_hand_say_so(data):
    _written(data, "remark", "Kestrel", {"remark": "fell off the truck", "by": "Robin"})
    run = data.run()
    assert run is not None
    view = View(data, run, parse(QUERY), "light")
    assert "remark" in service_and_remarks(view, "Kestrel")["action"].tolist()
    assert "“fell off the truck”" in shown(data, "/splicer", QUERY)
    points = splicer_page.points(view)
    assert not points["by_hand"].any()
    marked = points.assign(by_hand=points.index == points.index[-1])
    figure = arc_history(marked, unit="steps").figure
    notes = [str(note) for trace in figure.data for note in np.atleast_1d(trace.customdata)]
    assert sum(note.endswith("<br>written by hand") for note in notes) == 1


def test_who_is_signed_in_writes_and_a_technician_undoes_own_entries_only(data, monkeypatch):
    user = SimpleNamespace(name="robin.v", viewer=Viewer("technician", "Robin"))
    monkeypatch.setattr(written_card_module, "current_user", lambda: user)
    monkeypatch.setattr(forms, "current_user", lambda: user)
    monkeypatch.setattr(written_callbacks, "current_user", lambda: user)
    entry = typed_entry("check", "Kestrel", CHECK | {"by": "somebody else"})
    assert (entry["by"], entry["cells"]["technician"]) == ("robin.v", "Robin")
    number = _written(data, "check", "Kestrel", CHECK)["number"]
    user.name = "kim"
    with pytest.raises(UsageError, match="Somebody else wrote entry 2"):
        _undone(data, "Kestrel", number)
    user.viewer = Viewer("trainer")
    assert _undone(data, "Kestrel", number)["sentence"].startswith("Undone: Kestrel")
    with pytest.raises(UsageError, match="undone before"):
        _undone(data, "Kestrel", number)
