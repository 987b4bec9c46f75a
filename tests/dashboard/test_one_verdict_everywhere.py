"""A verdict has the same words and the same mark on every page, in the command and in its JSON."""

import json
import math
import shutil
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

import arcdrift.analysis.advice.advice_from_store
import dashboard.reading.data
from arcdrift.analysis.advice.advice import Advice
from arcdrift.analysis.advice.advice_from_store import advice_of_splicers
from arcdrift.analysis.advice.splicer_state import UncheckedSplices
from arcdrift.cli.commands import advise as command
from arcdrift.verdicts import VERDICTS, VerdictCode
from dashboard.components import View
from dashboard.first_screen import first_screen_html
from dashboard.pages.shift.board import my_panel, tiles
from dashboard.pages.shift.splicer_states import SplicerNow, splicers_now
from dashboard.reading.data import CrewData
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

    def with_verdict(*arguments: object, **options: object) -> dict[str, Advice]:
        found = advice_of_splicers(*arguments, **options)  # type: ignore[arg-type]
        told = {"verdict": code, "reasons": (REASON,), "in_short": REASON}
        return {name: replace(advice, **told) for name, advice in found.items()}

    for module in (dashboard.reading.data, arcdrift.analysis.advice.advice_from_store):
        monkeypatch.setattr(module, "advice_of_splicers", with_verdict)
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

    run = data.run()
    assert run is not None
    view = View(data, run, {}, "light")
    state = next(one for one in splicers_now(data, None, math.inf) if one.splicer == "Heron")
    assert " ".join(text(my_panel(view, state)).split()).count(f"{written} {REASON}") == 1
    tile = tiles(view, [state], None)
    assert text(tile).split()[:1] == [verdict.mark]
    assert f"{verdict.short} {REASON}" in " ".join(text(tile).split())
    page = shown(data, "/splicer", "?splicer=Heron")
    assert f"{written} {REASON}" in page
    first_sent = first_screen_html(data, "/splicer", "splicer=Heron", "light")
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


def test_who_splices_on_an_unchecked_arc_comes_first_on_the_start_page(data: CrewData) -> None:
    some = data.advice("Heron", None, None, None)
    since = pd.Timestamp("2025-06-13 06:00", tz="UTC")

    def now(splicer: str, verdict: VerdictCode, splices: int = 0) -> SplicerNow:
        unchecked = UncheckedSplices(splices, since) if splices else None
        return SplicerNow(splicer, replace(some, verdict=verdict, unchecked=unchecked))

    rows = [
        now("Idle", "run-check"),
        now("Fine", "keep-working"),
        now("Drifting", "inspect"),
        now("Few", "run-check", 2),
        now("Off", "recalibrate"),
        now("Many", "run-check", 34),
        SplicerNow("Unknown", trouble="No splicer is on record."),
    ]
    order = [row.splicer for row in sorted(rows, key=SplicerNow.urgency)]
    assert order == ["Many", "Few", "Off", "Drifting", "Fine", "Unknown", "Idle"]
    assert [row.splicer for row in rows if row.must_stop] == ["Few", "Off", "Many"]
