"""The Shift page: who must stop first, one's own splicer, nothing about people."""

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

import dashboard.reading.data
from arcdrift.analysis.advice.advice import Advice
from arcdrift.analysis.advice.advice_from_store import advice_of_splicers
from dashboard.callbacks import screen
from dashboard.components import View
from dashboard.my_splicer import COOKIE, cookie_value, my_splicer
from dashboard.pages.shift import splicer_states
from dashboard.pages.shift.board import DENSE_FROM, headline, my_panel, tiles
from dashboard.pages.shift.shift import shift_board
from dashboard.pages.shift.splicer_states import SplicerNow, splicers_now
from dashboard.reading.data import CrewData
from tests.dashboard.invented import write_crew
from tests.dashboard.invented_prep import PEOPLE
from tests.dashboard.rendering import parts, shown, text

HOSTILE = (
    "<img src=x onerror=alert(1)>",
    "=HYPERLINK(1)",
    "n" * 200,
    "\u202eגלבוע\u202c",
    "A&B%20/'\"?#;",
)


def view(data: CrewData) -> View:
    run = data.run()
    assert run is not None
    return View(data, run, {}, "light")


def words(component: Any) -> str:
    return " ".join(text(component).split())


def links(component: Any) -> list[str]:
    return [str(part.href) for part in parts(component) if hasattr(part, "href")]


def test_the_page_says_who_must_stop_and_how_many_splices_are_unchecked(data: CrewData):
    page = shown(data, "/")
    assert "Kestrel must stop and check 20 splices made unchecked. Friday 13 Jun 2025." in page
    assert "Logs reach 13:10 today." in page
    assert "Kestrel Harbor Check first 20 splices unchecked since 10:00" in page
    order = page.partition("It then stands here first. Heron Kestrel Plover")[2]
    assert order.index("Kestrel") < order.index("Heron") < order.index("Plover")


def test_no_person_stands_on_the_start_page(data: CrewData):
    found = [name for name in PEOPLE if name in shown(data, "/")]
    assert found == []


def test_ones_own_splicer_comes_first_with_one_thing_to_do(data: CrewData):
    page = screen(data, "/", "?mine=Kestrel", "light")
    panel = next(p for p in parts(page) if getattr(p, "aria-label", "") == "My splicer")
    assert "Kestrel Not yours?" in words(panel)
    assert "Run the daily check" in words(panel)
    assert "Log the check" in words(panel)
    assert "/splicer?splicer=Kestrel#log-check" in links(panel)
    assert "Which splicer is yours?" in shown(data, "/")
    assert "Which splicer is yours?" in shown(data, "/", "?mine=nobody")


@pytest.mark.parametrize("name", HOSTILE)
def test_any_name_is_kept_on_the_device_and_shown_whole(
    app: Any, data: CrewData, name: str, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(type(data), "splicers", lambda _: [name])
    with app.server.test_request_context(headers={"Cookie": f"{COOKIE}={cookie_value(name)}"}):
        assert my_splicer(data) == name
    assert len(headline([SplicerNow(name, trouble="none")])) < 60
    state = SplicerNow(name, replace(data.advice("Kestrel", None, None, None), splicer=name))
    assert state.must_stop
    assert len(headline([state])) < 60
    assert name in words(tiles(view(data), [state], None))
    assert name in words(my_panel(view(data), state))
    assert all(link.startswith(("/splicer?splicer=", "/?mine=")) for link in
               links(my_panel(view(data), state)))  # fmt: skip


def with_no_advice_at_hand(data: CrewData, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Let a page wait for no advice; return the splicers that advice was asked for."""
    asked: list[str] = []
    compute = type(data).compute_advice

    def advice(self: CrewData, splicers: Sequence[str]) -> Any:
        asked.extend(splicers)
        return compute(self, splicers)

    monkeypatch.setattr(splicer_states, "SECONDS_AT_ONCE", -1.0)
    monkeypatch.setattr(type(data), "prefetch_advice", lambda _: None)
    monkeypatch.setattr(type(data), "compute_advice", advice)
    return asked


def test_a_page_does_not_wait_for_all_advice(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    data = CrewData(write_crew(tmp_path))
    asked = with_no_advice_at_hand(data, monkeypatch)
    page = screen(data, "/", "", "light")
    assert asked == []
    assert words(page).count("working it out") == 3
    assert "Nobody has to stop so far" in words(page)
    assert {str(p.id["type"]) for p in parts(page) if isinstance(getattr(p, "id", ""), dict)} >= {
        "shift-slot", "shift-timer"
    }  # fmt: skip
    board, is_pending = shift_board(view(data), math.inf)
    assert sorted(asked) == ["Heron", "Kestrel", "Plover"]
    assert not is_pending
    assert "Kestrel must stop and check" in words(board)


def test_a_splicer_without_records_is_told_as_such(data: CrewData, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(type(data), "splicers", lambda _: ["Heron", "Unheard"])
    states = {state.splicer: state for state in splicers_now(data, None, math.inf)}
    assert states["Unheard"].trouble == "Unheard has no check or splice yet."
    assert "Unheard Cannot tell nothing on record yet" in words(
        tiles(view(data), [states["Unheard"]], None)
    )


def test_a_large_crew_has_small_tiles(data: CrewData):
    some = data.advice("Heron", None, None, None)
    many = [SplicerNow(f"S{n}", some) for n in range(60)]
    lists = [p for p in parts(tiles(view(data), many, None)) if "board" in str(p.className)]
    assert any("dense" in one.className for one in lists if hasattr(one, "className"))
    few = tiles(view(data), many[: DENSE_FROM - 1], None)
    assert not any("dense" in str(getattr(one, "className", "")) for one in parts(few))


def test_the_only_splicer_stands_large_on_every_screen(
    data: CrewData, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(type(data), "splicers", lambda _: ["Heron"])
    board, _ = shift_board(view(data), math.inf)
    panel = next(p for p in parts(board) if getattr(p, "aria-label", "") == "My splicer")
    assert "phone-only" not in panel.className
    assert "Keep working" in words(panel)
    assert "Not yours?" not in words(board)
    assert words(board).count("Heron") == 1


def test_a_crew_of_nobody_says_what_to_do(tmp_path: Path):
    data = CrewData(write_crew(tmp_path))
    assert "No splicer is known yet" in words(tiles(view(data), [], None))
    assert headline([]) == "No splicer yet"


def test_without_air_the_reason_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    def without_air(*given: Any, **options: Any) -> dict[str, Advice]:
        told = {"verdict": "cannot-tell", "in_short": "no recent air reading", "air": None}
        found = advice_of_splicers(*given, **options)
        return {name: replace(advice, **told) for name, advice in found.items()}

    monkeypatch.setattr(dashboard.reading.data, "advice_of_splicers", without_air)
    assert "Cannot tell no recent air reading" in shown(CrewData(write_crew(tmp_path)), "/")


def test_bad_splices_of_today_stand_by_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    data = CrewData(write_crew(tmp_path))
    row = {"state": "open", "loss_db": 0.45, "limit_db": 0.3, "splicer": "Heron", "site": "Harbor"}
    at = data.present()
    row |= {"ticked_off_at": None, "made_again_at": None}
    rows = [
        row | {"day": "2025-06-13", "location": "C1/2", "spliced_at": at},
        row | {"day": "2025-06-13", "location": None, "spliced_at": at, "state": "made-again"},
        row | {"day": "2025-06-12", "location": "C9/9", "spliced_at": at},
    ]
    monkeypatch.setattr(type(data), "splices_to_revisit", lambda _: rows)
    page = shown(data, "/")
    told = page.partition("Bad splices today, still fixable")[2].partition("New since")[0]
    assert "C1/2 , Harbor 0.45 dB of 0.30 13:10 with Heron" in told
    assert "1 from earlier days" in told
    assert "C9/9" not in told
    assert "Place not logged" not in told
