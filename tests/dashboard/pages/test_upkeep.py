"""The splicer page's list for the start of a day, its electrodes, its allowed programs."""

import re

from arcdrift.settings import Crew
from dashboard.pages.splicer import upkeep
from dashboard.reading.data import CrewData
from tests.dashboard.rendering import shown, text


def test_the_list_stands_under_the_verdict_and_says_what_is_not_known(data: CrewData):
    words = shown(data, "/splicer", "?splicer=Kestrel")
    verdict, _, rest = words.partition("Before the first splice")
    assert "► Run the daily check 20 splices made since 10:00 without a check." in verdict
    assert "! due: Arc check Due: the last one passed 30 h ago." in rest
    assert "? not known: Blade No cleaver was logged with the latest splices." in rest
    assert "? not known: Factory service None on record." in rest
    assert "V-grooves 19 of 60 days, 400 of 3,000 splices since the last." in rest
    assert rest.index("Arc check") < rest.index("Going elsewhere?")


def test_electrodes_say_what_is_missing(data: CrewData):
    words = shown(data, "/splicer", "?splicer=Heron").partition(" Electrodes Arcs on them")[2]
    assert words.startswith(" 2,300")
    assert "electrode_life_arcs under [splicers.Heron]" in words
    # 40 arcs a day also on days off, so 7 x 40 on 5 workdays; one span ends with the old pair
    pace = re.search(r"Pace (\d+) arcs a workday over 39 workdays", words)
    assert pace is not None
    assert 52 <= int(pace.group(1)) <= 58
    assert "Arc setting against wear" in words
    plain = shown(data, "/splicer", "?splicer=Plover")
    assert "No arc check carries an arc count" in plain
    assert "No replacement of its electrodes is on record." in plain


def test_programs_allowed_or_how_to_say_so(data: CrewData):
    assert "[[allowed_programs]]" in shown(data, "/splicer", "?splicer=Heron")
    rules = {
        "name": "Invented",
        "allowed_programs": [{"fibers": ["G.652.D", "G.655"], "programs": ["mixed"]}],
        "heater_programs": [{"sleeve_mm": 60, "programs": ["60 mm"]}],
    }

    words = text(upkeep.programs_card(Crew.model_validate(rules)))
    assert "G.652.D to G.655 : mixed" in words
    assert "60 mm sleeve : 60 mm" in words
