"""``arcdrift log``: checks, service and remarks written down from the command line."""

from pathlib import Path
from typing import Any

CHECK = ("log", "check", "Heron", "--setting", "12", "--by", "Robin")


def test_a_check_is_stored_named_and_undone(crew: Path, arcdrift: Any) -> None:
    done = arcdrift(*CHECK, "--arc-count", "1040", "--at", "2026-05-04T07:30")
    assert done.code == 0
    lines = done.out.splitlines()
    assert lines[0] == "Check logged for Heron, 4 May 2026 07:30 (entry 1)."
    assert lines[-1] == "Undo with `arcdrift imports undo 1`."
    (entry,) = arcdrift("imports", "--json").data
    assert (entry["file"], entry["kind"], entry["accepted"]) == (
        "written by Robin",
        "arc-checks",
        1,
    )
    (listed,) = arcdrift("log", "--json").data
    assert listed["written_by"] == "Robin"
    assert "Heron: check passed, setting 12 steps, arc count 1,040" in arcdrift("log").out
    assert arcdrift("imports", "undo", 1).code == 0
    assert arcdrift("log").out == "Nothing was written down by hand yet.\n"


def test_the_log_of_the_same_check_is_told(crew: Path, arcdrift: Any) -> None:
    arcdrift("import", "arc-checks.csv")
    done = arcdrift("log", "check", "Heron", "--setting", "100", "--at", "2026-05-04T07:40",
                    "--by", "Robin", "--json")  # fmt: skip
    assert done.data["outcome"] == "already_stored"
    assert done.data["log"] == "arc-checks.csv"
    assert done.data["logged_at"] == "2026-05-04T05:30:00Z"
    assert done.data["sentence"].startswith("Already stored: arc-checks.csv has it already")


def test_the_verdict_counts_the_check_at_once(analyzed: Path, arcdrift: Any) -> None:
    before = arcdrift("advise", "Heron", "--json").data["verdict"]
    done = arcdrift(*CHECK[:4], "101", *CHECK[5:], "--json")
    assert done.data["verdict"] == arcdrift("advise", "Heron", "--json").data["verdict"]
    assert before == "run-check"  # none has passed today
    assert done.data["verdict"] != "run-check"


def test_values_that_cannot_be_stored_are_bad_input(crew: Path, arcdrift: Any) -> None:
    done = arcdrift(*CHECK[:4], "1000000", *CHECK[5:])
    assert done.code == 3
    assert done.sentence == (
        "Arc setting 1000000 is above -100000..100000; check the unit and the sensor."
    )
    assert arcdrift("imports", "--json").data == []


def test_a_time_that_came_twice_is_refused_with_both_readings(crew: Path, arcdrift: Any) -> None:
    done = arcdrift(*CHECK, "--at", "2025-10-26 02:30")
    assert done.code == 3
    assert "2025-10-26T02:30+02:00 for the first (CEST)" in done.sentence
    assert "2025-10-26T02:30+01:00 for the second (CET)" in done.sentence


def test_unknown_names_are_refused_with_the_nearest(crew: Path, arcdrift: Any) -> None:
    done = arcdrift("log", "check", "Herron", "--setting", "12", "--by", "Robin")
    assert done.code == 2
    assert done.sentence == "There is no splicer 'Herron'; did you mean Heron?"
    done = arcdrift("log", "service", "Heron", "electrodes", "--by", "Robin")
    assert done.sentence == "There is no action 'electrodes'; did you mean electrodes replaced?"
    done = arcdrift("log", "service", "Heron", "blade rotated", "--by", "Robin")
    assert "a blade belongs to a cleaver" in done.sentence
    assert arcdrift("log", "check", "Heron", "--setting", "12").code == 2  # nobody says who


def test_service_comes_with_its_cautions(crew: Path, arcdrift: Any) -> None:
    done = arcdrift("log", "service", "Heron", "electrodes-replaced", "--by", "Robin")
    assert done.code == 0
    assert "high voltage" in done.out
    done = arcdrift("log", "service", "C1", "blade rotated", "--by", "Robin")
    assert done.code == 2
    done = arcdrift("log", "service", "C1", "blade rotated", "--by", "Robin", "--new")
    assert "glass shards" in done.out


def test_a_remark_is_listed(crew: Path, arcdrift: Any) -> None:
    done = arcdrift("log", "remark", "Heron", "fell off the truck", "--by", "Robin", "--json")
    assert done.data["kind"] == "remarks"
    assert done.data["verdict"] is None
    assert "“fell off the truck”" in arcdrift("log").out
