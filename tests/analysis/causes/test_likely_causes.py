"""Causes: each planted pattern in a made-up crew is told as itself, and no other."""

from collections.abc import Callable
from functools import cache

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.causes.crew_cells import CrewCells
from arcdrift.analysis.causes.likely_causes import likely_causes
from arcdrift.analysis.causes.records_near_onset import RecordsNearOnset
from arcdrift.analysis.causes.shift_cells import ShiftCells
from arcdrift.analysis.loss.loss_charts import chart_all
from arcdrift.analysis.loss.service_shift import EVENT_COLUMNS
from arcdrift.analysis.maintenance.service_findings import usage_by_hour
from arcdrift.finding import NO_CAUSE, Cause
from arcdrift.settings import Crew, Splicer
from arcdrift.shares import Shares
from tests.analysis.people.made_up_hands import cells_of

DAYS, BEGAN = 75, 60
FIRST = pd.Timestamp("2026-01-01")
ONSET = pd.Timestamp("2026-03-02T06:00Z")  # local midnight of day 60, six hours west
UNTIL = pd.Timestamp("2026-03-14T06:00Z")
SITES = {0: "Harbor", 1: "Harbor", 2: "Harbor", 3: "Valley", 4: "Valley", 5: "Valley"}
NO_SERVICE = pd.DataFrame(
    {"asset": [], "serviced_at": pd.to_datetime([], utc=True).as_unit("us"), "action": []}
)
Change = Callable[[pd.DataFrame], pd.Series]


def crew(seed: int = 1, *, takes_over: bool = False) -> pd.DataFrame:
    """Days of six splicers with two programs each; seven people swap every three days.

    When t6 takes over, nobody else works on s0 from the onset on.
    """
    rng = np.random.default_rng(seed)
    rows = []
    for day in range(DAYS):
        if day % 3 == 0:
            order = rng.permutation(7)
        who = list(order[:6])
        if takes_over and day >= BEGAN:
            who = [6, *(p for p in order if p != 6)][:6]
        elif takes_over:
            who = [p if p != 6 or day % 7 == 0 else 0 for p in who]
        rows += [
            (f"s{m}", f"t{p}", day, program)
            for m, p in enumerate(who)
            for program in ("fixed", "mixed")
        ]
    frame = pd.DataFrame(rows, columns=["splicer", "technician", "number", "recipe"])
    frame["day"] = FIRST + pd.to_timedelta(frame["number"], unit="D")
    frame["n"] = rng.integers(20, 45, len(frame)).astype(float)
    frame["level"] = 0.08 * rng.standard_normal(len(frame))
    frame["angle"] = np.log(0.7) + 0.05 * rng.standard_normal(len(frame))
    frame["uneven"] = 0.0
    frame["odds"] = 0.0
    return frame


def cells(frame: pd.DataFrame, seed: int = 2) -> pd.DataFrame:
    made = cells_of(frame, np.random.default_rng(seed))
    n = made["n"]
    return made.assign(
        program=frame["recipe"],
        site=frame["splicer"].str[1:].astype(int).map(SITES),
        good=n,
        dirty=0.0,
        dirty_good=0.0,
    )


def shift_cells(technician_days: pd.DataFrame) -> ShiftCells:
    """Cells with the charts of the same days."""
    rows = technician_days.assign(capped_squares=technician_days["squares"])
    rows = rows.assign(total=rows["capped"])
    sums = ["n", "capped", "capped_squares", "total"]
    days = rows.groupby(["splicer", "program", "day", "site"], as_index=False)[sums].sum()
    days = days.assign(segment=0, cap=0.105, **dict.fromkeys(EVENT_COLUMNS, 0))
    charts = chart_all(days, technician_days, 2.0, Shares())
    return ShiftCells(CrewCells.from_technician_days(technician_days), charts)


NO_SPLICES = pd.DataFrame(
    {"splicer": [], "cleaver": [], "blade_position": [], "spliced_at": pd.to_datetime([], utc=True)}
)


def records(**overrides: object) -> RecordsNearOnset:
    empty = {
        "service": NO_SERVICE,
        "points": pd.DataFrame(),
        "cells": pd.DataFrame({"splicer": [], "program": [], "technician": []}),
        "checks": pd.DataFrame(
            {"splicer": [], "status": [], "first_splice_at": pd.to_datetime([], utc=True)}
        ),
        "use": usage_by_hour(NO_SPLICES),
        "models": (),
        "crew": Crew(name="made up"),
    }
    return RecordsNearOnset(**(empty | overrides))


@cache
def moved_cells(pattern: str) -> ShiftCells:
    """Cells of the crew in which a pattern moved."""
    return shift_cells(cells(moved(PATTERNS[pattern][0])))


def ranked_causes(
    made: pd.DataFrame | str, subject: tuple[str, str] = ("stream", "s0 / fixed"),
    side: str = "up", *, people: tuple[str, ...] = ("t2",), **overrides: object,
) -> tuple[Cause, ...]:  # fmt: skip
    """Causes in a crew, or in the one in which a pattern moved."""
    return likely_causes(
        moved_cells(made) if isinstance(made, str) else shift_cells(cells(made)),
        records(**overrides),
        *subject,
        ONSET,
        UNTIL,
        side,
        people=people,
    )


def moved(rows: Change, size: float = 0.4, **kwargs: object) -> pd.DataFrame:
    """The crew with the losses of some rows moved (log) from the onset on."""
    frame = crew(**kwargs)
    since = frame["number"] >= BEGAN
    return frame.assign(level=frame["level"] + size * (since & rows(frame)))


def stream_of(frame: pd.DataFrame, who: str) -> tuple[str, str]:
    """The stream that somebody worked on most since the onset."""
    person_rows = frame[(frame["technician"] == who) & (frame["number"] >= BEGAN)]
    splicer = person_rows.groupby("splicer")["n"].sum().idxmax()
    return "stream", f"{splicer} / fixed"


PATTERNS: dict[str, tuple[Change, str]] = {
    "splicer": (lambda f: f["splicer"] == "s0", "the splicer itself"),
    "program here": (
        lambda f: (f["splicer"] == "s0") & (f["recipe"] == "fixed"),
        "this program",
    ),
    "program": (lambda f: f["recipe"] == "fixed", "a program on all splicers"),
    "person": (lambda f: f["technician"] == "t2", "one technician's splices: t2"),
    "site": (lambda f: f["splicer"].isin(["s0", "s1", "s2"]), "the place: weather, dust or work"),
    "crew": (lambda f: f["splicer"] != "", "the whole crew"),
}


@pytest.mark.parametrize(
    "pattern",
    [
        pytest.param(name, marks=pytest.mark.long) if name in ("program here", "site") else name
        for name in PATTERNS
    ],
)
def test_what_moved_together_is_told_as_one(pattern: str) -> None:
    rows, cause = PATTERNS[pattern]
    subject = stream_of(moved(rows), "t2") if pattern == "person" else ("stream", "s0 / fixed")
    causes = ranked_causes(pattern, subject)
    assert causes[0].cause.startswith(cause)
    assert causes[0].weight > 0.5
    assert sum(cause.weight for cause in causes) <= 1.02


def test_nothing_moved_means_cannot_tell() -> None:
    causes = ranked_causes(crew())
    assert causes[0].cause == NO_CAUSE
    assert causes[0].weight > 0.7


@pytest.mark.parametrize(
    ("subject", "pattern"),
    [
        (("splicer", "s0"), "splicer"),
        (("technician", "t2"), "person"),
        pytest.param(("site", "Harbor"), "site", marks=pytest.mark.long),
        (("crew", "crew"), "crew"),
        (("crew", "crew"), "program"),
        (("site", "Harbor"), "splicer"),
    ],
)
def test_every_kind_of_subject_has_causes(subject: tuple[str, str], pattern: str) -> None:
    assert ranked_causes(pattern, subject)[0].cause.startswith(PATTERNS[pattern][1])


def test_nobody_is_blamed_for_what_all_hands_had() -> None:
    causes = ranked_causes("splicer")
    assert not any("technician" in cause.cause or "hands:" in cause.cause for cause in causes)


def test_a_person_whom_the_comparison_of_subjects_does_not_name_is_no_cause_by_name() -> None:
    frame = moved(PATTERNS["person"][0])
    causes = ranked_causes(frame, stream_of(frame, "t2"), people=())
    assert causes[0].cause == "one technician's splices, or the splicer they were made on"
    assert not any("t2" in cause.cause for cause in causes)


def test_a_fall_is_told_from_its_own_side() -> None:
    rows, _ = PATTERNS["splicer"]
    service = pd.DataFrame(
        {"asset": ["s0", "s1"], "action": "v-grooves cleaned",
         "serviced_at": [ONSET - pd.Timedelta(hours=9), ONSET - pd.Timedelta(days=50)]}
    )  # fmt: skip
    causes = ranked_causes(moved(rows, -0.4), side="down", service=service)
    assert causes[0].cause == "service: v-grooves cleaned"
    assert causes[1].cause == "the splicer itself: cleaned or mended"


def test_angles_up_in_all_hands_are_the_blade_and_on_one_side_the_holder() -> None:
    frame = moved(PATTERNS["splicer"][0])
    there = (frame["splicer"] == "s0") & (frame["number"] >= BEGAN)
    both = frame.assign(angle=frame["angle"] + 0.5 * there)
    assert ranked_causes(both)[0].cause == "cleaving: the blade, in all hands"
    left = both.assign(uneven=-0.7 * there)
    (first, *_) = ranked_causes(left)
    assert first.cause == "cleaving: the left side only, its holder or clamp"
    assert "left angle changed by +" in first.why


def test_angles_that_rise_with_a_person_are_the_persons() -> None:
    frame = moved(PATTERNS["person"][0])
    there = (frame["technician"] == "t2") & (frame["number"] >= BEGAN)
    causes = ranked_causes(frame.assign(angle=frame["angle"] + 0.5 * there), stream_of(frame, "t2"))
    assert causes[0].cause == "one technician's splices: t2"
    assert "cleave angles by +" in causes[0].why
    assert causes[0].why.endswith("rather than the person")


def test_other_hands_whose_losses_were_high_before_are_a_change_of_hands() -> None:
    frame = crew(takes_over=True)
    frame["level"] += 0.4 * (frame["technician"] == "t6")
    causes = ranked_causes(frame)
    assert causes[0].cause == "a change of hands: t6"
    assert "elsewhere t6's losses are +" in causes[0].why


def points(arcs: float, alarm: bool) -> pd.DataFrame:
    at = [ONSET - pd.Timedelta(days=20), ONSET + pd.Timedelta(hours=8)]
    return pd.DataFrame(
        {"splicer": "s0", "checked_at": at, "arcs": [arcs - 600, arcs], "alarm": [False, alarm],
         "excluded": None}
    )  # fmt: skip


def test_an_arc_alarm_near_the_onset_speaks_for_the_arc() -> None:
    causes = ranked_causes("splicer", points=points(900, alarm=True))
    assert causes[0].cause.startswith("arc:")
    assert "moved unexplained on 2026-03-02" in causes[0].why


def test_electrodes_past_their_life_are_told_with_their_arcs() -> None:
    settings = Crew(name="made up", splicers={"s0": Splicer(electrode_life_arcs=4000)})
    (worn, *_) = ranked_causes("splicer", points=points(4800, alarm=False), crew=settings)
    assert worn.cause == "worn electrodes"
    assert "4,800 arcs on the electrodes, of 4,000" in worn.why
    young = ranked_causes("splicer", points=points(900, alarm=False), crew=settings)
    assert not any(cause.cause == "worn electrodes" for cause in young)


def test_days_after_the_last_sign_are_not_looked_at() -> None:
    frame = moved(PATTERNS["splicer"][0])
    made = cells(frame)
    until_last_sign = made[made["first_at"] < UNTIL + pd.Timedelta(days=1)]
    assert len(until_last_sign) < len(made)
    assert likely_causes(
        shift_cells(until_last_sign),
        records(),
        "stream",
        "s0 / fixed",
        ONSET,
        UNTIL,
        "up",
    ) == ranked_causes("splicer")


def test_few_splices_and_no_past_are_refused() -> None:
    made = shift_cells(cells(crew()))
    start = pd.Timestamp(FIRST, tz="UTC")
    (past,) = likely_causes(made, records(), "stream", "s0 / fixed", start, UNTIL, "up")
    assert past.cause == NO_CAUSE
    assert past.why == "there are no splices before the onset to compare with"
    (unknown,) = likely_causes(made, records(), "stream", "s9 / fixed", ONSET, UNTIL, "up")
    assert unknown.why == "fewer than 20 splices since the onset can be compared"
