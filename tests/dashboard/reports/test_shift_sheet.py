"""The sheet of all splicers on the invented crew: now is Friday 13 June 2025, 14:00."""

from pathlib import Path

from dashboard.reading.data import CrewData
from tests.dashboard.rendering import shown
from tests.dashboard.reports.reported import made, told
from tests.empty_store import copy_empty_store


def test_every_splicer_stands_on_it_as_on_the_page(data: CrewData):
    words, page = told(made(data, "shift")), shown(data, "/")
    assert "Friday, 13 Jun 2025, 14:00 Kestrel must stop and check." in words
    for splicer in data.splicers():
        assert splicer in words
    assert words.index("Kestrel") < words.index("Heron")
    for splicer in ("Heron", "Kestrel"):
        advice = data.advice(splicer, None, None, None)
        assert advice.in_short in words
        assert advice.in_short in page
        assert f"{advice.setting:g} steps" in words


def test_nobody_is_named_and_the_cautions_stand_once(data: CrewData):
    words = told(made(data, "shift"))
    assert [name for name in data.technicians() if name in words] == []
    assert words.count("Electrodes carry high voltage") == 1


def test_a_crew_without_records_has_no_sheet_and_says_so(tmp_path: Path):
    (tmp_path / "crew.toml").write_text('name = "New"\ntime_zone = "UTC"\n', encoding="utf-8")
    copy_empty_store(tmp_path)
    assert CrewData(tmp_path).run() is None
