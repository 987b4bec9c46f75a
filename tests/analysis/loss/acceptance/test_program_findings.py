"""Programs that crew.toml does not allow for a pair of fibers or a sleeve."""

import pandas as pd
import pytest

from arcdrift.analysis.loss.acceptance.program_findings import program_findings, unexpected_days
from arcdrift.finding import Finding
from arcdrift.settings import Crew

NOW = pd.Timestamp("2026-05-30T18:00Z")
RULES = {
    "name": "Invented",
    "time_zone": "Europe/Oslo",
    "allowed_programs": [
        {"fibers": ["G.652.D", "G.655"], "programs": ["mixed"]},
        {"fibers": ["G.652.D", "G.652.D"], "programs": ["plain", "quick"]},
    ],
    "heater_programs": [{"sleeve_mm": 60, "programs": ["60 mm"]}],
}
CREW = Crew.model_validate(RULES)


def splices(*rows: tuple[str, str | None, str | None, str | None, float | None, str | None]):
    """(when, fiber_a, fiber_b, program, sleeve_mm, heater_program)"""
    names = ["spliced_at", "fiber_a", "fiber_b", "program", "sleeve_mm", "heater_program"]
    frame = pd.DataFrame(list(rows), columns=names)
    text = ["fiber_a", "fiber_b", "program", "heater_program"]
    return frame.astype(dict.fromkeys(text, "string")).assign(
        splicer="Heron",
        site=pd.Series([pd.NA] * len(frame), dtype="string"),
        purpose="production",
        sleeve_mm=frame["sleeve_mm"].astype(float),
        spliced_at=pd.to_datetime(frame["spliced_at"], utc=True).dt.as_unit("us"),
    )


def findings(frame: pd.DataFrame, crew: Crew = CREW) -> list[Finding]:
    return program_findings(unexpected_days(frame, crew), crew, NOW)


def run(day: str, count: int, program: str = "plain", month: str = "05"):
    return [
        (f"2026-{month}-{day}T08:{minute:02d}Z", "G.655", "G.652.D", program, None, None)
        for minute in range(count)
    ]


def test_a_run_is_one_finding_whichever_way_the_fibers_lie() -> None:
    other_way = ("2026-05-27T09:00Z", "G.652.D", "G.655", "plain", None, None)
    (found,) = findings(splices(*run("25", 4), *run("26", 2, "mixed"), other_way))
    assert found.kind == "program-unexpected"
    assert (found.since, found.until) == (
        pd.Timestamp("2026-05-25T08:00Z"),
        pd.Timestamp("2026-05-27T09:00Z"),
    )
    assert found.evidence == {
        "program": "plain",
        "allowed_programs": ["mixed"],
        "fibers": "G.652.D to G.655",
        "splices": 5,
        "days": 2,
    }
    assert found.severity == "act"
    assert found.summary == (
        "Heron: 5 splices of G.652.D to G.655 were made with program plain; allowed is mixed."
    )


def test_each_program_and_each_run_stands_alone_and_a_slip_is_a_note() -> None:
    found = findings(splices(*run("01", 3, month="04"), *run("25", 1), *run("25", 3, "quick")))
    counts = [
        (finding.evidence["program"], finding.evidence["splices"], finding.severity)
        for finding in found
    ]
    assert counts == [("plain", 3, "note"), ("plain", 1, "note"), ("quick", 3, "act")]
    assert "1 splice of G.652.D to G.655 was made" in found[1].summary


def test_heater_programs_go_by_the_sleeve() -> None:
    rows = [
        (f"2026-05-29T08:{minute:02d}Z", "G.652.D", "G.652.D", "plain", sleeve, heater)
        for minute, (sleeve, heater) in enumerate(
            [(60.0, "40 mm")] * 3 + [(60.0, "60 mm"), (40.0, "40 mm"), (None, "40 mm"), (60, None)]
        )
    ]
    (found,) = findings(splices(*rows))
    assert found.evidence["splices"] == 3
    assert found.summary == (
        "Heron: 3 sleeves of 60 mm were made with heater program 40 mm; allowed is 60 mm."
    )
    assert "hot" in found.next_step


@pytest.mark.parametrize(
    "row",
    [
        ("G.652.D", "G.652.D", "quick"),  # allowed
        ("G.657", "G.652.D", "mixed"),  # a pair crew.toml does not name
        ("G.652.D", None, "mixed"),  # a fiber that was not logged
        ("G.652.D", "G.655", None),  # a program that was not logged
    ],
)
def test_what_is_allowed_or_unknown_is_not_judged(row: tuple[str, str | None, str | None]) -> None:
    rows = [(f"2026-05-29T08:{minute:02d}Z", *row, None, None) for minute in range(5)]
    assert findings(splices(*rows)) == []


def test_blocks_for_one_pair_add_up() -> None:
    more = {"fibers": ["G.655", "G.652.D"], "programs": ["plain"]}
    crew = Crew.model_validate(RULES | {"allowed_programs": [*RULES["allowed_programs"], more]})
    assert findings(splices(*run("25", 4)), crew) == []


def test_nothing_set_nothing_found_and_practice_is_free() -> None:
    wrong = splices(*run("25", 5))
    nothing = Crew(name="Invented", time_zone="Europe/Oslo")
    assert findings(wrong.drop(columns=["fiber_a", "sleeve_mm"]), nothing) == []
    assert findings(wrong.assign(purpose="practice")) == []
