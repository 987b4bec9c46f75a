"""One person's report: what their page tells, and no word about anybody else."""

import re
from datetime import date
from html import unescape
from pathlib import Path

import pytest

from arcdrift.errors import UsageError
from arcdrift.people import People, Viewer
from arcdrift.settings import load_crew
from dashboard.reading.data import CrewData
from tests.dashboard.invented import write_crew
from tests.dashboard.invented_prep import PEOPLE
from tests.dashboard.rendering import shown
from tests.dashboard.reports.reported import made, told


def test_it_tells_what_the_page_to_show_tells(data: CrewData):
    report = made(data, "person", technician="Birch")
    words, page = told(report), shown(data, "/person", "?technician=Birch&show=1")
    assert words.index("This is about practice, not pay") < words.index("What to practice")
    assert "Practice. " in words
    told_apart = re.findall(r"<(?:h2|h3|p)>(?:<strong>.*?</strong>)?([^<]+)<", report.html)
    sentences = [unescape(each).strip() for each in told_apart]
    assert len(sentences) >= 5
    ours = ("What to practice", "Sessions, and what changed after them", "As of")
    assert [each for each in sentences if each not in page and not each.startswith(ours)] == []
    assert [name for name in PEOPLE if name != "Birch" and name in words] == []


def test_a_technician_gets_their_own_and_nobody_elses(data: CrewData):
    birch = Viewer("technician", "Birch")
    assert "Birch: work and practice" in told(made(data, "person", birch, technician="Birch"))
    for name in PEOPLE:
        if name != "Birch":
            with pytest.raises(UsageError, match="Nobody named"):
                made(data, "person", birch, technician=name)


def with_prep(folder: Path, line: str) -> CrewData:
    write_crew(folder)
    text = (folder / "crew.toml").read_text(encoding="utf-8")
    (folder / "crew.toml").write_text(f"{text}\n[prep]\n{line}\n", encoding="utf-8")
    return CrewData(folder)


def test_pseudonyms_stand_in_place_of_names(tmp_path: Path):
    data = with_prep(tmp_path, "pseudonyms = true")
    pseudonym = People(load_crew(tmp_path)).shown("Birch")
    report = made(data, "person", technician=pseudonym)
    assert f"{pseudonym}: work and practice" in told(report)
    assert [name for name in PEOPLE if name in report.html] == []
    assert "birch" not in report.file_name
    with pytest.raises(UsageError, match="Nobody named Birch"):
        made(data, "person", technician="Birch")


def test_a_crew_that_hides_people_has_none(tmp_path: Path):
    data = with_prep(tmp_path, "person_pages = false")
    with pytest.raises(UsageError, match="person_pages"):
        made(data, "person", technician="Birch")


def test_sessions_and_their_results_are_told(tmp_path: Path):
    data = CrewData(write_crew(tmp_path))
    data.add_note("Birch", held_on=date(2025, 5, 12), topic="cleaving <b>", note="", said_by="Tove")
    words = told(made(data, "person", technician="Birch"))
    assert "cleaving <b>, 12 May 2025" in words
    assert "Tove" not in words
    page = shown(data, "/person", "?technician=Birch&show=1")
    result = words.partition("12 May 2025")[2].partition("Up to eight weeks")[0].strip()
    assert result
    first = result.split(".")[0].removeprefix("Loss: ").strip()
    assert first in page
