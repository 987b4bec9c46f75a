"""The start-of-day list: what is due, in order or not known, from records by hand."""

from dataclasses import replace

import pandas as pd
import pytest

from arcdrift.analysis.advice.checklist import ChecklistItem, daily_checklist
from arcdrift.analysis.advice.splicer_state import AirNow, LastCheck, SplicerState
from arcdrift.analysis.maintenance.electrode_life import ElectrodeState, Forecast
from arcdrift.analysis.maintenance.service_findings import BladeState, IntervalState
from arcdrift.settings import Crew

NOW = pd.Timestamp("2026-05-05T08:00Z")
CREW = Crew(name="Invented", time_zone="Europe/Oslo")
AIR = AirNow(14.0, 1004.0, 62.0, 1.21, 9.9, "site logger", 5.0)
LAST = LastCheck(NOW - pd.Timedelta(hours=2), "Harbor", 100.0, 4000.0, 10.0, 1000.0, 70.0, 1.2, 9.0)
SITUATION = SplicerState(
    splicer="Heron", now=NOW, day_started=NOW - pd.Timedelta(hours=10), site="Harbor",
    unit="steps", tolerance=None, last_check=LAST, failed_since=0, service_since=(), air=AIR,
    arcs_now=4100.0, program_classes=(),
)  # fmt: skip
WEAR = ElectrodeState(
    splicer="Heron", arcs=3000.0, life=4500, limits=None, pace=None,
    arcs_left=Forecast(1500.0, 1500.0, 1500.0), workdays_left=Forecast(24.0, 21.4, 26.6),
    ends_by="life", curve=None, notes=(),
)  # fmt: skip
BLADE = BladeState("C1", ("Heron",), "4", 620, NOW, None, NOW, 3)
CLEANED = IntervalState("cleaned", NOW - pd.Timedelta(days=3), 3.0, 150, 3 / 14, None)


def items_by_name(
    state: SplicerState = SITUATION,
    wear: ElectrodeState = WEAR,
    blades: tuple[BladeState, ...] = (BLADE,),
    intervals: tuple[IntervalState, ...] = (CLEANED,),
    *,
    worn: bool = False,
) -> dict[str, ChecklistItem]:
    items = daily_checklist(state, wear, blades, intervals, CREW, worn=worn)
    return {item.what: item for item in items}


def test_all_in_order() -> None:
    items = items_by_name()
    assert list(items) == ["Arc check", "Electrodes", "Blade", "Cleaning", "Air"]
    assert {item.state for item in items.values()} == {"ok"}
    assert items["Arc check"].words == "Done 2 h ago."
    assert items["Electrodes"].words == "1,500 arcs left, about 21 to 27 workdays at this pace."
    assert items["Blade"].words == "C1, position 4 of 16: about 380 cleaves left."
    assert items["Cleaning"].words == "3 of 14 days since the last."
    assert items["Air"].words == "+4 °C, +4 hPa, \u22128 points of humidity since the last check."
    assert items["Air"].numbers["humidity_change_pct"] == -8.0


@pytest.mark.parametrize(
    ("state", "words"),
    [
        (replace(SITUATION, day_started=NOW - pd.Timedelta(hours=1)), "Due: the last one passed 2"),
        (replace(SITUATION, failed_since=1), "Due: the latest one failed."),
        (replace(SITUATION, last_check=None), "Due: none has ever passed on record."),
    ],
)
def test_a_check_is_due(state: SplicerState, words: str) -> None:
    item = items_by_name(state)["Arc check"]
    assert item.state == "due"
    assert item.words.startswith(words)


def test_worn_electrodes_ask_for_power_off() -> None:
    worn = replace(WEAR, arcs=4200.0, arcs_left=Forecast(300.0, 300.0, 300.0))
    item = items_by_name(wear=worn, worn=True)["Electrodes"]
    assert item.state == "due"
    assert item.words.endswith("Power off before touching them.")
    spent = replace(WEAR, arcs=4600.0, arcs_left=Forecast(0.0, 0.0, 0.0))
    assert items_by_name(wear=spent, worn=True)["Electrodes"].words.startswith(
        "No arcs left: 4,600 on them, set to last 4,500."
    )


def test_blade_and_cleaning_due() -> None:
    blade = replace(BLADE, cleaves=1040)
    late = IntervalState("v-grooves cleaned", NOW, 61.0, 900, 61 / 60, NOW)
    items = items_by_name(blades=(blade,), intervals=(late,))
    assert items["Blade"].state == "due"
    assert items["Blade"].words == (
        "C1, position 4 of 16: no cleaves left, about 40 over its 1,000."
    )
    assert items["Blade"].numbers["cleaves_left"] == 0
    last = items_by_name(blades=(replace(BLADE, position="16"),))["Blade"]
    assert last.words == (
        "C1, position 16 of 16: about 380 cleaves left; last position: have a new blade ready."
    )
    assert last.numbers["last_position"] is True
    assert items["V-grooves"].state == "due"
    assert items["V-grooves"].words == "61 of 60 days, 900 of 3,000 splices since the last."


def test_air_past_a_rule_is_due() -> None:
    item = items_by_name(replace(SITUATION, air=replace(AIR, temperature_c=-1.0)))["Air"]
    assert item.state == "due"
    assert "\u221211 °C" in item.words


def test_what_nobody_logged_is_unknown_never_in_order() -> None:
    nothing = replace(SITUATION, air=None, last_check=None)
    bare = replace(
        WEAR, arcs=None, arcs_left=None, workdays_left=None,
        notes=("No arc check carries an arc count, so wear is not known.",),
    )  # fmt: skip
    items = items_by_name(
        nothing, bare, (), (IntervalState("factory service", None, None, None, None, None),)
    )
    assert {item.state for name, item in items.items() if name != "Arc check"} == {"unknown"}
    assert "No arc check carries an arc count" in items["Electrodes"].words
    unturned = replace(BLADE, cleaves=None, since=None)
    assert items_by_name(blades=(unturned,))["Blade"].state == "unknown"
    assert "no turn of its blade is on record" in items_by_name(blades=(unturned,))["Blade"].words
    part = items_by_name(replace(SITUATION, air=replace(AIR, humidity_pct=None)))["Air"]
    assert (part.state, part.words) == ("unknown", "+4 °C, +4 hPa since the last check.")
