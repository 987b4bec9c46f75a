"""Fault plans in TOML: what they accept, and the sentence for what they do not."""

from dataclasses import replace
from datetime import date, datetime
from pathlib import Path

import pytest

from arcdrift.errors import BadInput, UsageError
from arcdrift.simulate import (
    Habits,
    add_faults,
    add_random_faults,
    invented_crew,
    load_plan,
    plan_names,
)
from arcdrift.simulate.crew.fault_plans import NoSubjectFits

SHIPPED = Path(__file__).parents[2] / "data" / "scenarios"
NAMES = {
    "arc-step", "slow-drift", "electrodes-never-replaced", "dull-blade", "holder-bent",
    "careless-technician", "newcomer", "dirty-v-grooves", "wrong-program",
    "splicer-clock-reset", "optimistic-estimator", "altitude-move", "cold-front",
    "checks-skipped", "nights-and-rooms", "fiber-position", "careless-loading", "chipped-blade",
    "dusty-site", "worn-holders", "haste", "slow-beginner", "easy-program", "holder-habit",
}  # fmt: skip
CREW = invented_crew(splicers=8, days=100)


def plan(tmp_path: Path, text: str):
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return load_plan(str(path))


def test_the_shipped_plans_are_all_there():
    assert set(plan_names()) == NAMES == {path.stem for path in SHIPPED.glob("*.toml")}
    for name in NAMES:
        found = load_plan(name)
        assert found.name == name
        assert found.description
        assert "Invented" in (SHIPPED / f"{name}.toml").read_text(encoding="utf-8")


def test_a_plan_is_planted_by_day_number_date_or_time(tmp_path):
    found = plan(
        tmp_path,
        """
        [[faults]]
        kind = "arc-step"
        subject = "Kestrel"
        start = 10
        end = 20.5
        size = 8
        [[faults]]
        kind = "arc-drift"
        subject = "Heron"
        start = 2026-08-01
        end = 2026-08-11T15:30:00
        size = 0.2
        [[faults]]
        kind = "readings-gap"
        subject = "Pass"
        start = 90
        end = 400
        """,
    )
    step, drift, gap = add_faults(CREW, found).faults
    assert (step.subject, step.size, step.name) == ("Kestrel", 8.0, "mine")
    assert step.since == datetime(2026, 7, 30)
    assert step.until == datetime(2026, 8, 9, 12)
    assert (drift.since, drift.until) == (datetime(2026, 8, 1), datetime(2026, 8, 11, 15, 30))
    assert gap.until is None  # beyond the last day


def test_random_subjects_follow_the_seed_and_spread(tmp_path):
    text = '[[faults]]\nkind = "arc-step"\nstart = 5\nsize = 9\n' * 4
    found = plan(tmp_path, text)
    once, again = add_faults(CREW, found), add_faults(CREW, found)
    assert once.faults == again.faults
    assert len({fault.subject for fault in once.faults}) == 4
    others = {add_faults(replace(CREW, seed=seed), found).faults[0].subject for seed in range(12)}
    assert len(others) > 3


def test_a_plan_sets_habits(tmp_path):
    found = plan(
        tmp_path, "[crew]\nnight = 0.5\nmissed = 0.2\ncrew_day_sd = 0.07\ntime_zone = 'Europe/Oslo'"
    )
    scenario = add_faults(CREW, found)
    assert scenario.habits == replace(CREW.habits, night=0.5, missed=0.2)
    assert scenario.losses == replace(CREW.losses, crew_day_sd=0.07)
    assert scenario.time_zone == "Europe/Oslo"
    assert CREW.habits.night == 0


def test_a_newcomer_joins_and_practices():
    scenario = add_faults(CREW, load_plan("newcomer"))
    (fault,) = scenario.faults
    (person,) = [t for t in scenario.technicians if t.joins is not None]
    assert person.name == fault.subject
    assert person.joins == date(2026, 8, 19)
    assert person.novice_loss == pytest.approx(0.6)
    assert person.practice_days == 3


def test_a_handful_of_faults_for_any_crew():
    scenario = add_random_faults(invented_crew(splicers=30, days=200))
    assert 7 <= len(scenario.faults) <= 10
    assert len({fault.name for fault in scenario.faults}) == len(scenario.faults)
    assert all(date(2026, 9, 8) <= f.since.date() <= date(2026, 12, 18) for f in scenario.faults)
    assert scenario == add_random_faults(invented_crew(splicers=30, days=200))
    assert len(add_random_faults(invented_crew(splicers=1, sites=1, days=20)).faults) >= 1


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("fault = 1", r"the key fault is not known\. Did you mean faults\?"),
        ("[crew]\nnigth = 1.0", r"the key crew\.nigth is not known\. Did you mean night\?"),
        (
            "[[faults]]\nkind = 'arc-step'\nstart = 3\nsze = 3",
            r"the key faults\.0\.sze is not known\. Did you mean size\?",
        ),
        (
            "[[faults]]\nkind = 'arc-stp'\nstart = 3",
            r"the kind arc-stp is not known\. Did you mean arc-step\?",
        ),
        ("[[faults]]\nkind = 'arc-step'", r"faults\.0\.start: Field required"),
        ("[crew]\nnight = 2", r"crew\.night: Input should be less than or equal to 1"),
        ("[crew", "is not valid TOML"),
    ],
)
def test_slips_are_refused_with_the_nearest_word(tmp_path, text, sentence):
    with pytest.raises(BadInput, match=sentence):
        plan(tmp_path, text)


def test_unknown_names_are_refused(tmp_path):
    with pytest.raises(BadInput, match=r"no faults named dull-blde\. Did you mean dull-blade\?"):
        load_plan("dull-blde")
    with pytest.raises(BadInput, match=r"no faults named xyz\. Known: altitude-move, "):
        load_plan("xyz")
    with pytest.raises(BadInput, match="cannot be read"):
        load_plan(str(tmp_path / "gone.toml"))


@pytest.mark.parametrize(
    ("fault", "sentence"),
    [
        (
            "kind = 'arc-step'\nsubject = 'Kestral'\nstart = 1",
            "named Kestral. Did you mean Kestrel",
        ),
        ("kind = 'careless'\nsubject = 'Kestrel'\nstart = 1", "no technician named Kestrel"),
        ("kind = 'arc-step'\nstart = 100", "outside the simulated days 2026-07-20 to 2026-10-27"),
        ("kind = 'arc-step'\nstart = 2025-01-01", "begins on 2025-01-01, outside"),
        ("kind = 'arc-step'\nstart = 9\nend = 9", "ends before it begins"),
        ("kind = 'site-move'\nstart = 9\ntarget = 'Moon'", "no site named Moon"),
        ("kind = 'wrong-program'\nstart = 9\ntarget = 'x'", "no program named x"),
        ("kind = 'readings-gap'\nsubject = 'Valley'\nstart = 9", "cannot happen to Valley"),
    ],
)
def test_faults_that_cannot_be_are_refused(tmp_path, fault, sentence):
    with pytest.raises(UsageError, match=sentence):
        add_faults(CREW, plan(tmp_path, f"[[faults]]\n{fault}\n"))


def test_faults_that_fit_nobody_are_refused():
    with pytest.raises(NoSubjectFits, match="no technician that the fault newcomer"):
        add_faults(invented_crew(splicers=3, technicians=3, days=60), load_plan("newcomer"))
    with pytest.raises(NoSubjectFits, match="no splicer that the fault site-move"):
        add_faults(invented_crew(splicers=3, sites=1, days=60), load_plan("altitude-move"))
    with pytest.raises(NoSubjectFits, match="no splicer that the fault wrong-program"):
        add_faults(invented_crew(splicers=2, days=100), load_plan("wrong-program"))


def test_night_shifts_do_not_stop_within_the_last_day():
    from arcdrift.simulate import sample_scenario

    with pytest.raises(UsageError, match="cannot stop within its last day"):
        replace(sample_scenario(), habits=Habits(night=0.5))
