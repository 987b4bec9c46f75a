"""Sign-off: answers on series made by hand, and error rates on simulated practice."""

import numpy as np
import pandas as pd
import pytest

from arcdrift.air.prepared_readings import prepare_readings
from arcdrift.analysis.loss.stream_days import production_splices
from arcdrift.analysis.people.sign_off import measure_tests, promises, sign_offs
from arcdrift.analysis.review.summary import summarize
from arcdrift.charts.sequential import outcome_probabilities
from arcdrift.settings import SignOff
from arcdrift.simulate import invented_crew, simulate_frames

SETTINGS = SignOff()


def practice(n, *, loss=0.03, angle=1.0, outcome="done", a_day=60):
    place = np.arange(n)
    at = pd.Timestamp("2026-03-02 14:00", tz="UTC") + pd.to_timedelta(place // a_day, unit="D")
    return pd.DataFrame(
        {
            "technician": "Alder", "splicer": "Heron",
            "at": at + pd.to_timedelta(place % a_day * 5, unit="min"),
            "loss_db": loss, "angle_deg": angle, "outcome": outcome,
        }
    )  # fmt: skip


def test_clean_work_is_ready_when_the_slowest_test_says_so():
    told = sign_offs(practice(200), SETTINGS)
    assert [one.verdict for one in told] == ["ready"]
    # angle and redo, .02 against .10: log(.98333/.05) over log(.98/.90), rounded up
    assert told[0].splices == int(np.ceil(np.log((1 - 0.05 / 3) / 0.05) / np.log(0.98 / 0.90)))
    assert told[0].more == 0


def test_too_few_splices_say_how_many_more():
    (told,) = sign_offs(practice(20), SETTINGS)
    assert told.verdict == "keep practicing"
    assert 10 < told.more < 200
    assert {one.answer for one in told.measures} == {"open"}


def test_bad_angles_turn_away_and_a_new_attempt_begins_the_next_day():
    splices = practice(180)
    splices.loc[:30, "angle_deg"] = 4.0
    told = sign_offs(splices, SETTINGS)
    assert [one.verdict for one in told] == ["not yet", "ready"]
    assert [one.attempt for one in told] == [1, 2]
    assert told[1].began == splices["at"].iloc[60]
    assert [one.answer for one in told[0].measures if one.measure == "angle"] == ["poor"]


def test_failed_splices_count_as_bad_losses():
    (told,) = sign_offs(practice(30, loss=np.nan, outcome="error"), SETTINGS)[:1]
    assert told.verdict == "not yet"


def test_somebody_in_between_is_for_the_trainer():
    rng = np.random.default_rng(0)
    quick = SignOff(most_splices=60)
    loss = np.where(rng.permutation(np.arange(60) % 10) == 0, 0.2, 0.03)
    (told,) = sign_offs(practice(60, loss=loss), quick)
    assert told.verdict == "trainer decides"


def test_error_rates_over_the_three_tests_stay_within_the_stated():
    """Exactly, for independent measures; and on practice drawn splice by splice."""
    tests = measure_tests(SETTINGS)
    stay = np.prod([1 - outcome_probabilities(test, test.good).poor for test in tests.values()])
    assert 1 - stay <= SETTINGS.turned_away * 1.06  # alpha/(1 - beta), Wald's bound
    for test in tests.values():
        assert outcome_probabilities(test, test.poor).good <= SETTINGS.passed_wrongly * 1.06
    rng = np.random.default_rng(5)
    n, trials = 250, 60

    def verdicts(loss, angle, redo):
        found = []
        for _ in range(trials):
            series = practice(
                n,
                loss=np.where(rng.random(n) < loss, 0.2, 0.03),
                angle=np.where(rng.random(n) < angle, 4.0, 1.0),
                outcome=np.where(rng.random(n) < redo, "redo", "done"),
            )
            found.append(sign_offs(series, SETTINGS)[0].verdict)
        return np.array(found)

    # at a true rate of .05, more than 9 of 60 would happen twice in a thousand
    assert np.sum(verdicts(0.05, 0.02, 0.02) == "not yet") <= 9
    assert np.sum(verdicts(0.0, 0.10, 0.0) == "ready") <= 9


def test_what_is_promised_is_within_the_settings():
    rows = pd.DataFrame(promises(SETTINGS)).set_index("measure")
    for measure, test in measure_tests(SETTINGS).items():
        mine = rows.loc[measure]
        assert mine["share"].iloc[0] == test.good
        assert mine["fail"].iloc[0] <= SETTINGS.turned_away / 3 * 1.06
        assert mine.loc[np.isclose(mine["share"], test.poor), "pass"].iloc[0] <= 0.055
        assert mine["pass"].is_monotonic_decreasing


def test_practice_stays_out_of_everything_that_is_charted():
    made = simulate_frames(invented_crew(splicers=1, technicians=2, days=20, seed=3))
    splices = made["splices"].copy()
    practiced = (np.arange(len(splices)) % 7) == 0
    splices["purpose"] = np.where(practiced, "practice", "production")
    # were they charted, every figure would show it
    splices.loc[practiced, "loss_db"] = 3.0
    readings = prepare_readings(made["readings"], made.crew)
    now = splices["spliced_at"].max()
    told = summarize(splices, made["arc-checks"], readings, made["service"], made.crew, now)
    worth = splices[~practiced]
    assert not set(production_splices(splices)["id"]) - set(worth["id"])
    assert told.stream_days["n"].sum() == worth["loss_db"].notna().sum()
    assert told.stream_days["total"].sum() == pytest.approx(worth["loss_db"].sum())
    assert told.technician_days["n"].sum() == worth["loss_db"].notna().sum()
    assert told.outcomes["splices"].sum() == len(worth)
    assert told.technician_days["made"].sum() == len(worth)
    assert len(told.practice) == splices.loc[practiced, "technician"].count()
