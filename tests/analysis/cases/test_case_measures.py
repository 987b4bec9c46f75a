"""Whether an action helped: made-up days of known truth, and what a case then says."""

from datetime import date, timedelta
from typing import Any, cast

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.cases.case_measures import CaseMeasures
from arcdrift.analysis.cases.case_states import case_view
from arcdrift.analysis.cases.case_steps import STEPS, step_after
from arcdrift.analysis.cases.check_habits import CheckHabit
from arcdrift.analysis.cases.found_cases import found_cases
from arcdrift.analysis.cases.outcome import OF_USUAL, Outcome, outcome_text, relief_text
from arcdrift.case import CaseStatement
from tests.analysis.cases.made_up_findings import DUST, day, finding, records

ONSET, ACTION, TODAY = date(2026, 3, 9), date(2026, 3, 23), date(2026, 5, 29)
KEY = ("cleave", "cleaver", "C0")
RISEN = finding("cleave-raised", "C0", first=10, last=20, onset=7, about="cleaver")


def measures(
    angles: pd.DataFrame | None = None, checks: pd.DataFrame | None = None
) -> CaseMeasures:
    empty = pd.DataFrame()
    return CaseMeasures(
        cast("Any", None), empty if angles is None else angles, empty if checks is None else checks
    )


def angle_days(after: float, seed: int = 1) -> pd.DataFrame:
    """Angles of a cleaver that rose by a half on the onset, and changed with the action."""
    workdays = pd.bdate_range("2026-02-02", TODAY)
    rng = np.random.default_rng(seed)
    day = workdays.date
    level = np.where(day < ONSET, 1.0, np.where(day < ACTION, 1.5, after))
    return pd.DataFrame(
        {
            "subject_type": "cleaver", "subject": "C0", "day": workdays.strftime("%Y-%m-%d"),
            "ratio": level * np.exp(rng.normal(0.0, 0.12, len(level))),
        }
    )  # fmt: skip


@pytest.mark.parametrize(
    ("after", "verdict"), [(1.0, "cured"), (1.2, "better"), (1.5, "no-change"), (2.2, "worse")]
)
def test_angles_before_and_after(after: float, verdict: str) -> None:
    found = measures(angle_days(after)).outcome(KEY, RISEN, ONSET, ACTION, TODAY)
    assert found is not None
    assert found.verdict == verdict
    assert (found.measure, found.unit) == ("cleave angles", OF_USUAL)
    assert found.before == pytest.approx(50, abs=12)
    assert found.low is not None
    assert found.high is not None
    assert found.low < 100 * (after - 1) < found.high


def test_too_early_says_how_many_workdays_are_needed() -> None:
    made = measures(angle_days(1.0))
    soon = made.outcome(KEY, RISEN, ONSET, ACTION, ACTION + timedelta(days=2))
    assert soon is not None
    assert soon.verdict == "too-early"
    assert soon.workdays_needed > 0
    passed = np.busday_offset(np.datetime64(ACTION), 2 + soon.workdays_needed).astype(object)
    later = made.outcome(KEY, RISEN, ONSET, ACTION, passed)
    assert later is not None
    assert later.verdict == "cured"


def test_what_has_no_measure_is_not_told() -> None:
    made = measures(angle_days(1.0))
    assert made.outcome(KEY, finding("arc-drift"), ONSET, ACTION, TODAY) is None
    assert made.outcome(KEY, RISEN, ACTION, ACTION, TODAY) is None
    assert made.outcome(("cleave", "cleaver", "C9"), finding(
        "cleave-raised", "C9", about="cleaver"), ONSET, ACTION, TODAY) is None  # fmt: skip
    # two days before the action tell nothing
    assert made.outcome(KEY, RISEN, ACTION - timedelta(days=3), ACTION, TODAY) is None


@pytest.mark.parametrize(("missed", "verdict"), [(0.0, "cured"), (0.5, "no-change")])
def test_a_habit_before_and_after(missed: float, verdict: str) -> None:
    workdays = pd.bdate_range(ONSET, TODAY)
    number = np.arange(len(workdays))
    share = np.where(workdays.date < ACTION, 0.5, missed)
    bad = (number * share).astype(int) != ((number + 1) * share).astype(int)
    checks = pd.DataFrame(
        {
            "splicer": "Dunlin", "day": workdays, "day_over": True,
            "status": np.where(bad, "late", "checked"),
        }
    )  # fmt: skip
    at = pd.Timestamp(ONSET, tz="UTC")
    habit = CheckHabit("Dunlin", at, at, at, 5, 10, 0.2, 0.8, 0.05, ended=False)
    found = measures(checks=checks).habit_outcome(habit, ONSET, ACTION)
    assert found is not None
    assert found.verdict == verdict


class Told:
    """Measures that give one outcome for every action."""

    def __init__(self, outcome: Outcome) -> None:
        self._outcome = outcome

    def outcome(self, *_: object) -> Outcome:
        return self._outcome


RAISED = finding("loss-raised", first=10, last=20, onset=7, cause=DUST)
CLEANED = (("Dunlin", 21.0, "v-grooves cleaned"),)


def case_with(outcome: Outcome, *statements: CaseStatement, now: float = 40) -> dict[str, Any]:
    made = records(days=int(now), service=CLEANED)
    (document,) = found_cases([RAISED], [], made, day(now), cast("Any", Told(outcome))).documents
    return case_view(document, statements, day(now))


def test_a_measured_cure_closes_the_case_and_says_by_how_much() -> None:
    case = case_with(Outcome("cured", 45.0, 2.0, -43.0, -6.0, 10.0, OF_USUAL))
    assert case["state"] == "closed"
    assert case["closed"]["why"] == (
        "v-grooves cleaned on 23 Mar 2026: 2 % above usual since (-6 to 10 %), 45 % above it before"
    )


@pytest.mark.parametrize(
    ("verdict", "words"),
    [("better", "Better, but not back to usual, after"), ("no-change", "No clear change after"),
     ("worse", "Worse after")],
)  # fmt: skip
def test_what_did_not_cure_leaves_the_case_open_with_another_step(verdict: Any, words: str) -> None:
    case = case_with(Outcome(verdict, 45.0, 40.0, -5.0, 20.0, 60.0, OF_USUAL))
    assert case["state"] == "new"
    assert case["next_step"].startswith(f"{words} v-grooves cleaned on 23 Mar 2026. Every likely")


@pytest.mark.parametrize(
    ("verdict", "words"),
    [("better", "better after v-grooves cleaned on 23 Mar 2026"), ("no-change", ""), ("worse", "")],
)
def test_a_rise_that_an_action_helped_says_so_wherever_it_is_named(
    verdict: Any, words: str
) -> None:
    case = case_with(Outcome(verdict, 45.0, 20.0, -25.0, 10.0, 30.0, OF_USUAL))
    assert relief_text(case) == words
    assert relief_text({**case, "result": None}) == ""


def test_a_case_waits_until_it_can_be_told() -> None:
    case = case_with(Outcome("too-early", 45.0, unit=OF_USUAL, workdays_needed=4))
    assert (case["state"], case["next_step"]) == (
        "waiting",
        "Wait for the result: 4 more workdays.",
    )


def test_results_in_words() -> None:
    assert outcome_text(Outcome("too-early", workdays_needed=1)) == "too early: 1 more workday"
    assert outcome_text(Outcome("not-assessable")) == "not known yet"
    below = Outcome("cured", 34.0, -1.2, -35.2, -12.4, 11.6, OF_USUAL)
    assert outcome_text(below) == (
        "cured: 1 % below usual since (-12 to 12 %), 34 % above it before"
    )
    share = Outcome("better", 40.0, 12.0, -28.0, 5.0, 24.0, "% of workdays")
    assert outcome_text(share) == "better: 12 % of workdays since (5 to 24 %), 40 % before"


def test_steps_leave_out_what_was_done() -> None:
    whole = "the whole crew: weather, a batch of fiber or the work"
    weights = {DUST: 0.6, "worn electrodes": 0.3, whole: 0.01}
    causes = [{"cause": cause, "weight": weight} for cause, weight in weights.items()]
    assert step_after(causes, [], "Look.") == "Look."
    assert step_after([], ["cleaned"], "Look.") == "Look."
    first = step_after(causes, ["electrodes replaced"], "Look.")
    assert first.startswith(f"The likeliest cause is {DUST}. Clean v-grooves")
    second = step_after(causes, ["v-grooves cleaned"], "Look.")
    assert second.startswith("The next likeliest cause is worn electrodes. Replace")
    assert "power off" in second
    assert step_after(causes, ["cleaned", "electrodes replaced"], "Look.").startswith("Every")
    # where no cause is named, none was acted on
    unnamed = [{"cause": "cannot tell", "weight": 0.7}, {"cause": "worn electrodes", "weight": 0.2}]
    assert step_after(unnamed, ["electrodes replaced"], "Look.") == "Look."
    assert step_after(unnamed[:1], ["electrodes replaced"], "Look.") == "Look."


def test_every_cause_has_a_step() -> None:
    """The causes as the hypotheses name them."""
    causes = [
        DUST, "arc: the setting does not suit the air or the electrodes", "worn electrodes",
        "service: electrodes replaced", "cleaving: the blade, in all hands",
        "cleaving: the left side only, its holder or clamp", "one technician's splices: Ash",
        "a change of hands: Ash", "this program or the fiber it is used on",
        "other fibers joined with this program", "the place: weather, dust or work at Harbor",
        "a program on all splicers, or a batch of the fiber it is used on",
        "the whole crew: weather, a batch of fiber or the work",
    ]  # fmt: skip
    for cause in causes:
        assert any(cause.startswith(step.cause) for step in STEPS), cause
    # person and machine cannot be told apart: a swap, and no talk with the person
    unproven = "one technician's splices, or the splicer they were made on"
    causes = [{"cause": unproven, "weight": 0.9}]
    assert "swap splicers" in step_after(causes, ["v-grooves cleaned"], "Look.")
