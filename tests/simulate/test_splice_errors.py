"""Reasons of errors, what held the fibers, and errors of planted faults."""

from dataclasses import replace
from datetime import datetime

import numpy as np
import pandas as pd
import pytest

from arcdrift.error_reasons import ErrorReasons
from arcdrift.simulate import Fault, add_faults, invented_crew, load_plan, simulate_frames
from arcdrift.simulate.crew.scenario import Scenario
from arcdrift.simulate.work.splice_errors import REASONS, SIDES, WORDS

CREW = invented_crew(splicers=4, days=60, seed=5)
NEW = ["error_reason", "holding"]
SINCE = pd.Timestamp("2026-08-29", tz=CREW.time_zone)
"""Day 40 of the crew, when most shipped plans begin."""


def splices_of(scenario: Scenario) -> pd.DataFrame:
    found = simulate_frames(scenario).records["splices"]
    reasons = ErrorReasons({})
    known = found["error_reason"].map(reasons.known_class, na_action="ignore")
    return found.assign(reason=known, failed=found["outcome"] == "error")


def planted(
    name: str, scenario: Scenario = CREW, subject: str = "random"
) -> tuple[dict, pd.DataFrame]:
    plan = load_plan(name)
    (fault,) = plan.faults
    fault = fault.model_copy(update={"subject": subject})
    scenario = add_faults(scenario, plan.model_copy(update={"faults": (fault,)}))
    made = simulate_frames(scenario)
    (fault,) = made.truth.faults
    return fault, splices_of(scenario)


@pytest.fixture(scope="module")
def healthy() -> pd.DataFrame:
    return splices_of(CREW)


def test_what_splicers_log_is_known():
    reasons = ErrorReasons({})
    for words, sides in zip(WORDS, SIDES, strict=True):
        for name, text in words.items():
            assert {reasons.known_class(text.format(side=side)) for side in sides} == {name}
            assert "," not in text  # a field of a log without quotes


def test_every_error_but_a_few_has_a_reason_and_nothing_else_has(healthy):
    assert healthy.loc[~healthy["failed"], "error_reason"].isna().all()
    errors = healthy[healthy["failed"]]
    assert errors["reason"].notna().mean() > 0.85
    assert set(errors["reason"].dropna()) <= set(REASONS)
    assert len(errors) / len(healthy) == pytest.approx(0.003, abs=0.0015)


def test_people_use_clamps_holders_or_both(healthy):
    shares = healthy.groupby("technician")["holding"].agg(lambda held: (held == "holder").mean())
    truth = simulate_frames(CREW).truth.technicians
    for name, share in shares.items():
        if truth[name]["holder_share"] in (0, 1):
            assert share == truth[name]["holder_share"]
        else:
            assert 0 < share < 1
    by_day = healthy.groupby(["splicer", "technician", healthy["spliced_at"].dt.date])["holding"]
    assert (by_day.agg("first") == by_day.agg("last")).all()


def test_a_fault_of_reasons_alone_changes_nothing_else(healthy):
    fault = Fault("fiber-position", "Kestrel", datetime(2026, 7, 25), None, 0.0, "")
    changed = splices_of(replace(CREW, faults=(fault,)))
    rest = healthy.columns.difference([*NEW, "reason"])
    pd.testing.assert_frame_equal(changed[rest], healthy[rest])
    elsewhere = changed["splicer"] != "Kestrel"
    pd.testing.assert_series_equal(changed["reason"][elsewhere], healthy["reason"][elsewhere])
    here = changed[~elsewhere & changed["failed"]]
    assert (here["reason"] == "fiber_position").mean() > 0.5


CASES = {
    "fiber-position": ("splicer", "Dunlin", {"fiber_position"}),
    "careless-loading": ("technician", "Alder", {"fiber_position"}),
    "dusty-site": ("site", "Valley", {"fiber_not_seen"}),
}


@pytest.mark.parametrize("name", CASES)
def test_errors_are_added_on_the_subject_only(name, healthy):
    column, subject, classes = CASES[name]
    fault, found = planted(name, subject=subject)
    before = healthy.set_index(["splicer", "spliced_at"])
    after = found.set_index(["splicer", "spliced_at"])
    assert before.index.equals(after.index)
    added = after[after["failed"] & ~before["failed"]].reset_index()
    assert len(added) >= 5
    # a few technicians were not logged in
    assert set(added[column].dropna()) == {fault["subject"]}
    assert added["spliced_at"].min() >= SINCE
    assert set(added["reason"].dropna()) == classes
    kept = ~after["failed"]
    pd.testing.assert_series_equal(after["loss_db"][kept], before["loss_db"][kept])


def test_a_chipped_blade_is_told_with_its_position(healthy):
    scenario = replace(CREW, days=80)
    fault, found = planted("chipped-blade", scenario)
    here = found[
        (found["cleaver"] == fault["subject"])
        & (found["blade_position"] == str(fault["blade_position"]))
        & (found["spliced_at"] >= pd.Timestamp(fault["since"]))
    ]
    elsewhere = found.drop(here.index)
    assert len(here) > 50
    assert here["failed"].mean() > 0.02 > 3 * elsewhere["failed"].mean()
    assert set(here.loc[here["failed"], "reason"].dropna()) >= {"cleave_shape"}


def test_worn_holders_are_worse_than_clamps_in_the_same_hands():
    _, found = planted("worn-holders")
    late = found[(found["spliced_at"] >= SINCE) & found["technician"].notna()]
    both = late.groupby("technician")["holding"].transform("nunique") == 2
    log_angle = np.log(late["cleave_left_deg"])
    values = late.assign(log_angle=log_angle)[both]
    spread = values.groupby("holding")["log_angle"].std()
    assert spread["holder"] > 1.25 * spread["clamp"]
    loss = values[values["loss_db"] < 0.15].groupby("holding")["loss_db"].mean()
    assert loss["holder"] > 1.1 * loss["clamp"]
    failed = late.groupby("holding")["failed"].mean()
    assert failed["holder"] > 2 * failed["clamp"]


def test_a_hurried_person_is_worse_in_the_fast_hours_only(healthy):
    fault, found = planted("haste")
    own = (found["technician"] == fault["subject"]) & (found["spliced_at"] >= SINCE)
    changed = (found["cleave_left_deg"] != healthy["cleave_left_deg"]) | (
        found["loss_db"] - healthy["loss_db"] > 0.0
    )
    assert not (changed & ~own & found["technician"].notna()).any()
    gap = found.groupby("splicer")["spliced_at"].diff().dt.total_seconds()
    usual = own & (gap < 1200)
    assert gap[usual & changed].median() < 0.8 * gap[usual & ~changed].median()
    assert 0.2 < changed[own].mean() < 0.6  # fast hours hold more splices


def test_a_slow_beginner_is_slow_and_no_worse():
    fault, found = planted("slow-beginner")
    gap = found.groupby("splicer")["spliced_at"].diff().dt.total_seconds()
    own = found["technician"] == fault["subject"]
    assert own.sum() > 50
    assert gap[own & (gap < 2400)].median() > 1.4 * gap[~own & (gap < 2400)].median()
    assert found["cleave_left_deg"][own].median() < 0.95
    assert fault["harmless"]


def test_an_easy_program_takes_less_time():
    fault, found = planted("easy-program")
    gap = found.groupby("splicer")["spliced_at"].diff().dt.total_seconds()
    easy = found["program"] == fault["target"]
    assert gap[easy & (gap < 2400)].median() < 0.75 * gap[~easy & (gap < 2400)].median()


def test_a_habit_is_no_more_than_that(healthy):
    fault, found = planted("holder-habit")
    own = found["technician"] == fault["subject"]
    assert (found.loc[own, "holding"] == "holder").all()
    rest = healthy.columns.difference(["holding"])
    pd.testing.assert_frame_equal(found[rest], healthy[rest])
