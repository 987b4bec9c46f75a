"""A verdict has the same words and the same mark on every page, in the command and in its JSON."""

import json
import shutil
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

import arcdrift.analysis.advice.advice_from_store
import dashboard.reading.data
from arcdrift.analysis.advice.advice import Advice
from arcdrift.analysis.advice.advice_from_store import advice_from_store
from arcdrift.cli.commands import advise as command
from arcdrift.verdicts import VERDICTS, VerdictCode
from dashboard.pages.shift.shift import SplicerStatus, advice_words
from dashboard.reading.data import CrewData
from dashboard.server_rendered_advice import advice_html
from tests.dashboard.rendering import parts, shown, text

REASON = "The reason for it."


@pytest.fixture
def verdict_of_all(
    request: pytest.FixtureRequest,
    crew_folder: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> tuple[VerdictCode, Path]:
    """A crew in which every splicer has one verdict."""
    code: VerdictCode = request.param

    def with_verdict(*arguments: object, **options: object) -> Advice:
        advice = advice_from_store(*arguments, **options)  # type: ignore[arg-type]
        return replace(advice, verdict=code, reasons=(REASON,))

    monkeypatch.setattr(dashboard.reading.data, "advice_from_store", with_verdict)
    monkeypatch.setattr(
        arcdrift.analysis.advice.advice_from_store, "advice_from_store", with_verdict
    )
    folder = tmp_path / "crew"
    shutil.copytree(crew_folder, folder)
    return code, folder


@pytest.mark.parametrize("verdict_of_all", VERDICTS, indirect=True)
def test_words_and_mark_are_the_same_everywhere(
    verdict_of_all: tuple[VerdictCode, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    code, folder = verdict_of_all
    verdict, others = VERDICTS[code], [v for v in VERDICTS.values() if v.code != code]
    written = f"{verdict.mark} {verdict.words}"
    data = CrewData(folder)

    tile = advice_words(data, "Heron")
    assert text(tile).split() == f"{written} {REASON}".split()
    page = shown(data, "/splicer", "?splicer=Heron")
    assert f"{written} {REASON}" in page
    first_sent = advice_html(data, "/splicer", "splicer=Heron", "light")
    marks = [part for part in parts(tile) if "verdict-glyph" in str(getattr(part, "className", ""))]
    assert [text(mark) for mark in marks] == [verdict.mark]
    assert f"shape-{verdict.shape}" in marks[0].className
    assert f">{verdict.mark}</span>" in first_sent
    assert f'class="verdict">{verdict.words}</span>' in first_sent

    command.advise("Heron", folder=folder)
    out = capsys.readouterr().out
    assert out.startswith(f"Heron: {written}\n{verdict.sentence}\n")
    command.advise("Heron", folder=folder, as_json=True)
    document = json.loads(capsys.readouterr().out)
    assert document["verdict"] == code
    assert (document["verdict_words"], document["verdict_mark"]) == (verdict.words, verdict.mark)
    for other in others:
        assert f"{other.mark} {other.words}" not in page.partition("Before the first splice")[0]


def test_who_splices_on_an_unchecked_arc_comes_first_on_the_start_page() -> None:
    def status(splicer: str, check: str, acts: int) -> SplicerStatus:
        return SplicerStatus(splicer, pd.Series({"status": check}), [{"severity": "act"}] * acts)

    rows = [
        status("Idle", "no-work", 3),
        status("Checked", "checked", 0),
        status("Drifting", "checked", 1),
        status("Failed", "failed-only", 0),
        status("Due", "due", 0),
    ]
    order = [row.splicer for row in sorted(rows, key=SplicerStatus.urgency)]
    assert order == ["Failed", "Due", "Drifting", "Checked", "Idle"]
