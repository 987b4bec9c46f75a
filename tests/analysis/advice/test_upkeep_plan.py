"""Dates and counts of a crew's upkeep, worked out by hand."""

from datetime import date

import pandas as pd
import pytest

from arcdrift.analysis.advice.checklist import ChecklistItem
from arcdrift.analysis.advice.upkeep_plan import (
    Pace,
    UpkeepItem,
    parts_to_order,
    upkeep_plan,
    work_paces,
)
from arcdrift.analysis.maintenance.blade_left import positions_left
from arcdrift.settings import Blade, Crew

TODAY = date(2026, 11, 16)
CREW = Crew.model_validate(
    {"name": "Invented", "splicers": {"Heron": {"model": "Model A", "electrode_life_arcs": 3000}}}
)
FIVE_A_WEEK = Pace(workdays=5 / 7, splices=50.0)


def electrodes(**numbers: float) -> ChecklistItem:
    return ChecklistItem(
        "Electrodes", "ok", "What is left.", {"electrode_life_arcs": 3000} | numbers
    )


def blade(**numbers: object) -> dict[str, object]:
    row = {"cleaver": "C1", "splicers": "Heron", "position": "7", "positions_used": None,
           "cleaves": 900.0, "cleaves_a_day": 50.0}  # fmt: skip
    return row | numbers


def plan(*lines: ChecklistItem, blades: tuple[dict[str, object], ...] = (),
         pace: Pace | None = FIVE_A_WEEK) -> list[UpkeepItem]:  # fmt: skip
    paces = {} if pace is None else {"Heron": pace}
    return upkeep_plan({"Heron": lines}, blades, paces, CREW, TODAY)


def test_workdays_become_days_of_the_calendar():
    line = electrodes(arcs_on_electrodes=2500, arcs_left=500, workdays_left_low=10.0,
                      workdays_left_high=15.0)  # fmt: skip
    (item,) = plan(line)
    # ten workdays at five a week are two weeks, fifteen are three
    assert (item.due, item.due_latest) == (date(2026, 11, 30), date(2026, 12, 7))
    assert item.used == pytest.approx(2500 / 3000)
    assert (item.state, item.part) == ("later", "Pair of electrodes for Model A")
    # needed on the tenth workday; a pair lasts 60 of them, and eight weeks have 40
    assert item.count == 1


def test_electrodes_that_wear_fast_are_ordered_more_than_once():
    line = electrodes(arcs_on_electrodes=2800, arcs_left=200, workdays_left_low=1.0,
                      workdays_left_high=1.0)  # fmt: skip
    (item,) = plan(line)
    # a pair lasts 15 workdays: the first is needed after 1, then after 16 and 31 of the 40
    assert (item.state, item.count) == ("soon", 3)


def test_used_up_electrodes_are_due_today():
    (item,) = plan(electrodes(arcs_on_electrodes=3100, arcs_left=0))
    assert (item.state, item.due, item.used, item.count) == ("due", TODAY, 1.0, 1)


def test_a_service_is_due_by_days_or_by_splices_whichever_comes_first():
    def vgrooves(days: float, splices: int) -> UpkeepItem:
        return plan(ChecklistItem("V-grooves", "ok", "", {
            "days_since": days, "splices_since": splices, "interval_days": 60,
            "interval_splices": 3000}))[0]  # fmt: skip

    assert vgrooves(20, 100).due == date(2026, 12, 26)  # 40 days on
    assert vgrooves(20, 2500).due == date(2026, 11, 26)  # 500 splices at 50 a day
    assert vgrooves(80, 100).state == "due"
    assert vgrooves(20, 3100).used == pytest.approx(3100 / 3000)


@pytest.mark.parametrize(
    ("changes", "what", "needed"),
    [
        ({}, "Turn the blade", 0),
        # position 16 of 16, as logged
        ({"position": "16"}, "New blade", 1),
        # its sixteenth position by the service log, whatever the splices say
        ({"position": "P", "positions_used": 16.0}, "New blade", 1),
        # one more position of 1,000 cleaves after this one: 22 workdays, 31 days
        ({"position": "15"}, "Turn the blade", 1),
    ],
)
def test_a_blade_on_its_last_position_gets_no_next_turn(changes, what, needed):
    (item,) = plan(blades=(blade(**changes),))
    assert item.what == what
    assert item.due == date(2026, 11, 19)  # 100 cleaves at 50 a workday, five workdays a week
    assert item.count == needed
    assert (", the last: about 100 cleaves left." in item.words) == (what == "New blade")


def test_cleaves_counted_by_now_come_before_those_of_the_analysis():
    line = ChecklistItem("Blade", "due", "", {
        "cleaver": "C1", "blade_position": "8", "last_position": False,
        "cleaves_on_position": 1000, "cleaves_left": 0})  # fmt: skip
    (item,) = plan(line, blades=(blade(),))
    assert (item.state, item.due) == ("due", TODAY)
    assert item.words.startswith("Position 8 of 16")


def test_what_cannot_be_known_says_so_and_comes_last():
    lines = (
        ChecklistItem("Electrodes", "unknown", "No limit is set.", {"arcs_on_electrodes": None}),
        ChecklistItem("Factory service", "unknown", "None on record.", {"days_since": None}),
        ChecklistItem("Cleaning", "ok", "", {
            "days_since": 13, "splices_since": 1, "interval_days": 14, "interval_splices": None}),
    )  # fmt: skip
    items = plan(*lines, blades=(blade(cleaves=None),))
    assert [item.what for item in items] == [
        "Cleaning", "Turn the blade", "Electrodes", "Factory service",
    ]  # fmt: skip
    assert [item.state for item in items] == ["soon", *["unknown"] * 3]
    assert "None on record." in items[-1].words
    assert "no work in the last 28 days" in plan(blades=(blade(),), pace=None)[0].words


def test_parts_are_counted_with_the_assets_they_are_for():
    items = plan(
        electrodes(arcs_on_electrodes=3100, arcs_left=0), blades=(blade(position="16"), blade(
            cleaver="C2", position="16"), blade(cleaver="C3"))
    )  # fmt: skip
    assert parts_to_order(items) == {
        "Cleaver blade": (2, ("C1", "C2")), "Pair of electrodes for Model A": (1, ("Heron",)),
    }  # fmt: skip


def test_paces_are_those_of_the_last_four_weeks():
    days = pd.DataFrame(
        {
            "splicer": ["Heron"] * 4 + ["Tern"],
            "day": ["2026-11-16", "2026-11-13", "2026-11-12", "2026-10-01", "2026-10-01"],
            "splices": [99, 28, 0, 99, 50],
        }
    )
    # today is not over; the day without splices is no workday
    assert work_paces(days, TODAY) == {"Heron": Pace(1 / 28, 1.0)}


def test_positions_left():
    blade_settings = Blade(positions=16)
    assert positions_left("7", None, blade_settings) == 9
    assert positions_left("7", 12.0, blade_settings) == 4
    assert positions_left(None, None, blade_settings) is None
    assert positions_left("20", None, blade_settings) == 0
