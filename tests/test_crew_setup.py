"""What a new crew types about itself is read as meant, or refused with a sentence."""

import re
from collections.abc import Callable
from typing import Any

import pytest

from arcdrift.crew_setup import (
    CrewSetup,
    SplicerSetup,
    checked_elevation,
    checked_home,
    checked_name,
    checked_new_name,
    checked_unit,
    checked_zone,
    typed_setup,
    zone_names,
    zone_of_this_computer,
)
from arcdrift.errors import UsageError
from arcdrift.settings import is_zone


def test_a_whole_set_up_is_read_and_empty_rows_are_passed_over() -> None:
    setup = typed_setup(
        " North ",
        "europe/oslo",
        [("Depot", "120"), ("", ""), ("Pass", " 1 240,5 m".replace(" 1 ", "1")), ("Yard", "")],
        [("Heron", "Pass", "%"), ("", "", "steps"), ("Kestrel", "", "")],
    )
    assert setup == CrewSetup(
        "North",
        "Europe/Oslo",
        {"Depot": 120.0, "Pass": 1240.5, "Yard": None},
        {"Heron": SplicerSetup("Pass", "%"), "Kestrel": SplicerSetup(None, "steps")},
    )


@pytest.mark.parametrize(
    ("check", "text", "sentence"),
    [
        (checked_name, "  ", "The name is blank; write one."),
        (checked_name, "a\nb", "must be one short line"),
        (checked_zone, "Mars/Olympus", "is not known; use a name such as Europe/Oslo."),
        (checked_zone, "Oslo", "did you mean Europe/Oslo?"),
        (checked_zone, "new york", "did you mean America/New_York?"),
        (checked_zone, "Europe/Olso", "did you mean Europe/Oslo?"),
        (checked_elevation, "high", "'high' is no height above the sea"),
        (checked_elevation, "-430.1", "between -430 and 6,000 m"),
        (checked_elevation, "6000.1", "between -430 and 6,000 m"),
        (checked_elevation, "nan", "between -430 and 6,000 m"),
        (checked_elevation, "inf", "between -430 and 6,000 m"),
        (lambda text: checked_home(text, ["Depot", "Pass"]), "depot", "did you mean Depot?"),
        (lambda text: checked_home(text, []), "Depot", "add it to the sites first"),
        (lambda text: checked_new_name(text, "site", ["A"]), "A", "stands there twice"),
        (lambda text: checked_new_name(text, "site", ["A"]), "", "The name of a site is blank"),
        (checked_unit, "a very long unit", "is no unit"),
    ],
)
def test_what_cannot_be_used_is_refused(
    check: Callable[[str], Any], text: str, sentence: str
) -> None:
    with pytest.raises(UsageError, match=re.escape(sentence)):
        check(text)


@pytest.mark.parametrize(("text", "meters"), [("-430", -430), ("6000", 6000), ("0", 0), ("", None)])
def test_the_outermost_elevations_are_taken(text: str, meters: float | None) -> None:
    assert checked_elevation(text) == meters


def test_a_height_without_a_site_is_not_dropped() -> None:
    with pytest.raises(UsageError, match="The name of a site is blank"):
        typed_setup("North", "", [("", "12")], [])


def test_zones_to_choose_from_exist_and_this_computer_suggests_one_of_them(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert all(map(is_zone, zone_names()))
    assert {"UTC", "Europe/Oslo", "America/Denver", "Asia/Kolkata"} <= set(zone_names())
    monkeypatch.setenv("TZ", "Asia/Kolkata")
    assert zone_of_this_computer() == "Asia/Kolkata"
    monkeypatch.setenv("TZ", "no such zone")
    assert zone_of_this_computer() in {None, *zone_names()}
