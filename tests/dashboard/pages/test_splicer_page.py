"""The Splicer page: the gauge, the checklist by what is due, other air, words of the trade."""

import re
from dataclasses import replace
from typing import Any

import pytest

from arcdrift.analysis.advice.checklist import ChecklistItem, next_service
from dashboard.callbacks import screen
from dashboard.pages.splicer.advice_words import one_reason
from dashboard.pages.splicer.checklist_card import checklist_card
from dashboard.pages.splicer.setting_gauge import setting_gauge
from dashboard.pages.splicer.written_card import typed_entry
from dashboard.reading.data import CrewData
from tests.dashboard.rendering import parts, shown, text


def words(component: Any) -> str:
    return " ".join(text(component).split())


def places(gauge: Any) -> dict[str, float]:
    """Where the parts of a gauge begin, in percent of its width."""
    return {
        part.className: float(part.style["left"].rstrip("%"))
        for part in parts(gauge)
        if getattr(part, "style", None) and getattr(part, "className", "")
    }


@pytest.mark.parametrize(
    ("setting", "fits"), [(107.0, True), (97.05, True), (84.0, False), (140.0, False)]
)
def test_the_gauge_keeps_the_order_of_its_numbers(data: CrewData, setting: float, fits: bool):
    need = {"value": 105.15, "low": 102.75, "high": 109.73, "unit": "steps"}
    advice = replace(
        data.advice("Heron", None, None, None), required=need, setting=setting, tolerance=8.12
    )
    gauge = setting_gauge(advice, "steps")
    at = places(gauge)
    assert all(0 <= place <= 100 for place in at.values())
    assert at["gauge-band"] < at["gauge-need"]
    assert (at["gauge-set"] < at["gauge-need"]) == (setting < 105.15)
    assert ("gauge-off" in gauge.className) != fits
    told = words(gauge)
    assert f"set to {setting:g} needs 105.2" in told
    # the unit once, and no percentage that could be taken for a value
    assert "Needed 105.2 (102.8 to 109.7) steps. From 97.0 to 113.3 it fits" in told


def test_without_a_model_the_gauge_is_a_line(data: CrewData):
    advice = replace(data.advice("Kestrel", None, None, None), required=None)
    assert "Set to 45 steps" in words(setting_gauge(advice, "steps"))
    none = replace(advice, setting=None)
    assert "No setting is stored" in words(setting_gauge(none, "steps"))


def test_the_setting_is_not_told_above_the_gauge_as_well(data: CrewData):
    advice = data.advice("Heron", None, None, None)
    assert advice.reasons[0].startswith("The arc should be at")
    assert one_reason(advice) == "The setting fits the air and the electrodes."
    assert "setting is off" in one_reason(replace(advice, probability=0.82))
    other = replace(advice, reasons=("The latest arc check failed.", *advice.reasons))
    assert one_reason(other) == "The latest arc check failed."


def item(what: str, state: Any, **numbers: Any) -> ChecklistItem:
    return ChecklistItem(what, state, f"{what} words.", numbers)


def test_what_is_due_comes_first_and_what_is_in_order_is_folded():
    items = [item("Arc check", "ok"), item("V-grooves", "unknown"), item("Blade", "due"),
             item("V-grooves", "ok")]  # fmt: skip
    card = checklist_card(items)
    told = words(card)
    assert told.index("Blade words.") < told.index("V-grooves words.")
    assert "In order: arc check, V-grooves" in told
    folded = next(part for part in parts(card) if type(part).__name__ == "Details")
    assert "Blade" not in words(folded)
    assert checklist_card([]) is None
    assert "Nothing is due." in words(checklist_card([item("Air", "ok")]))


@pytest.mark.parametrize(
    ("items", "told"),
    [
        ([item("Arc check", "due"), item("Air", "due")], ""),
        ([item("Blade", "due"), item("Cleaning", "due")], "Blade due, 1 more"),
        ([item("Cleaning", "ok", interval_days=14, days_since=3.4),
          item("V-grooves", "ok", interval_days=60, days_since=10.0)], "Cleaning in 10 days"),
        ([item("Electrodes", "ok", workdays_left_low=1.6, workdays_left_high=4.0),
          item("Cleaning", "ok", interval_days=14, days_since=3.0)], "Electrodes in 1 day"),
        ([item("Cleaning", "ok", interval_days=14, days_since=13.8)], "Cleaning due today"),
        ([item("Factory service", "unknown", interval_days=None, days_since=None)], ""),
    ],
)  # fmt: skip
def test_what_service_comes_next(items: list[ChecklistItem], told: str):
    assert next_service(items) == told


def test_a_cleaning_is_logged_as_the_service_it_is():
    entry = typed_entry("cleaning", "Heron", {"what": "v-grooves cleaned", "by": "Robin"})
    assert entry["kind"] == "service"
    assert entry["cells"] == {"asset": "Heron", "action": "v-grooves cleaned", "remark": ""}
    assert typed_entry("cleaning", "Heron", {})["cells"]["action"] == "cleaned"


def test_cautions_and_the_newest_air_stand_once(data: CrewData):
    page = shown(data, "/splicer", "?splicer=Kestrel")
    assert page.count("Electrodes carry high voltage: power the splicer off") == 1
    assert page.count("Air now:") == 1


STATISTICS = r"\b(stream|rolled up|charted|settled|funnel|baseline|ordinary swings|95 %:|told)\b"


@pytest.mark.parametrize("query", ["?splicer=Heron", "?splicer=Kestrel", "?splicer=Plover"])
def test_the_first_screen_speaks_the_words_of_the_trade(data: CrewData, query: str):
    page = words(screen(data, "/splicer", query, "light"))
    assert re.findall(STATISTICS, page) == []
    assert re.findall(STATISTICS, shown(data, "/")) == []


def test_only_one_splicer_is_ones_own(data: CrewData):
    page = screen(data, "/splicer", "?splicer=Heron", "light")
    button = next(p for p in parts(page) if "make-mine" in str(getattr(p, "className", "")))
    assert getattr(button, "aria-pressed") == "false"
    assert getattr(button, "data-splicer") == "Heron"
