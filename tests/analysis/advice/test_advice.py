"""Advice: verdicts anyone can retrace, and probabilities with an outside check."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import multivariate_normal

from arcdrift.air.moist_air import air_density, vapor_pressure
from arcdrift.analysis.advice.advice import DRIFT_NOTE, advise
from arcdrift.analysis.advice.conditions_moved import conditions_moved_finding
from arcdrift.analysis.advice.splicer_state import (
    AirNow,
    LastCheck,
    OpenArcFinding,
    SplicerState,
    UncheckedSplices,
)
from arcdrift.analysis.arc.arc_model import ArcModel, Effect, Refusal
from arcdrift.settings import Crew

CREW = Crew.model_validate({"name": "invented"})
LATE = pd.Timestamp("2026-09-10T14:00Z")
"""Start of a workday after the last check."""
DRIFT = OpenArcFinding("f1", "arc-drift", "The arc setting has been drifting.", pressing=True)
EFFECT = Effect("air", "air", "across the air seen", 1.0, 0.0, 2.0, None)


def air(celsius: float, pressure: float = 1000.0, humidity: float = 50.0) -> dict[str, float]:
    values = [np.array([value]) for value in (celsius, pressure, humidity)]
    return {
        "temperature_c": celsius,
        "pressure_hpa": pressure,
        "humidity_pct": humidity,
        "air_density": float(air_density(*values)[0]),
        "vapor_pressure": float(vapor_pressure(values[0], values[2])[0]),
    }


def state(celsius_now: float = 15.0, **changes: object) -> SplicerState:
    start = SplicerState(
        splicer="Heron",
        now=pd.Timestamp("2026-09-10T18:00Z"),
        day_started=pd.Timestamp("2026-09-10T06:00Z"),
        site="Harbor",
        unit="steps",
        tolerance=None,
        last_check=LastCheck(
            checked_at=pd.Timestamp("2026-09-10T13:00Z"),
            site="Harbor",
            arc_setting=100.0,
            arcs=500.0,
            **air(15.0),
        ),
        failed_since=0,
        service_since=(),
        air=AirNow(**air(celsius_now), source="own sensor", age_min=4.0),
        arcs_now=520.0,
        program_classes=("fixed", "self-adjusting"),
    )
    return replace(start, **changes)


def model(level: float = 100.0, sigma: float = 3.0, spread: float = 1.0) -> ArcModel:
    reference = air(15.0)
    slopes = np.array([-120.0, 0.35, -2.0])
    x = np.array([reference["air_density"] - 1.225, reference["vapor_pressure"] - 10.0, 0.5])
    cov = np.diag([40.0, 0.01, 0.2, spread])
    return ArcModel(
        splicer="Heron", unit="steps", checks=90, used=88, excluded={}, epochs=1, effects=(),
        air_span=EFFECT, pooled=(), peers=3, pooling_weight=0.4, peer_slopes=(),
        mean=(*slopes, level - float(slopes @ x)),
        cov=tuple(map(tuple, cov)), sigma=sigma, phi=0.3,
        ranges={"air_density": (1.10, 1.30), "vapor_pressure": (3.0, 20.0), "arcs": (0.0, 2000.0)},
    )  # fmt: skip


def test_a_fresh_check_in_the_same_air_keeps_working() -> None:
    advice = advise(state(), model(), CREW)
    assert advice.verdict == "keep-working"
    assert advice.probability is not None
    assert advice.probability < 0.01
    assert advice.basis == "model"
    assert advice.required is not None
    assert advice.required["value"] == pytest.approx(100.0, abs=0.1)
    assert [row["program_class"] for row in advice.program_classes] == ["fixed", "self-adjusting"]
    assert any("high voltage" in caution for caution in advice.cautions)


def test_probability_against_direct_simulation() -> None:
    """Outside check: draw the coefficients, count how often the setting is off."""
    question = state(celsius_now=23.0)
    advice = advise(question, model(level=103.0), CREW)
    fitted, now = model(level=103.0), air(23.0)
    draws = multivariate_normal(fitted.mean, np.array(fitted.cov)).rvs(
        400_000, random_state=np.random.default_rng(1)
    )
    x = np.array([now["air_density"] - 1.225, now["vapor_pressure"] - 10.0, 0.52, 1.0])
    share = np.mean(np.abs(draws @ x - 100.0) > 9.0)
    assert advice.probability == pytest.approx(share, abs=0.003)
    assert 0.02 < share < 0.98


def test_breakdown_adds_up_to_required_minus_set() -> None:
    advice = advise(state(celsius_now=22.0), model(level=104.0), CREW)
    assert advice.required is not None
    assert advice.setting is not None
    parts = {row["part"]: row["change"] for row in advice.breakdown}
    assert set(parts) == {"air", "wear", "unexplained"}
    assert sum(parts.values()) == pytest.approx(advice.required["value"] - advice.setting)
    assert parts["wear"] == pytest.approx(-2.0 * 0.02)
    assert parts["unexplained"] == pytest.approx(4.0)


def test_an_arc_far_off_recalibrates_for_that_reason_first() -> None:
    advice = advise(state(), model(level=120.0), CREW)
    assert advice.verdict == "recalibrate"
    assert advice.probability is not None
    assert advice.probability > 0.99
    assert advice.reasons[0].startswith("The arc should be at 120.0 (117.7 to 122.2) steps;")


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"failed_since": 1}, "The latest arc check failed and none has passed since."),
        (
            {"service_since": ("electrodes replaced",)},
            "Since the last check: electrodes replaced.",
        ),
        ({"site": "Pass"}, "The splicer moved from Harbor to Pass since the check."),
    ],
)
def test_plain_rules_stand_without_a_model(changes: dict[str, object], sentence: str) -> None:
    advice = advise(state(**changes), None, CREW)
    assert advice.verdict == "recalibrate"
    assert advice.reasons[0] == sentence
    assert advice.basis == "plain rules"
    assert advice.probability is None


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"last_check": None}, "No passed arc check is on record for this splicer."),
        ({"day_started": LATE}, "No arc check has passed since this workday began."),
    ],
)
def test_the_daily_check_needs_no_model(changes: dict[str, object], sentence: str) -> None:
    for known in (None, model(), model(level=140.0)):
        advice = advise(state(**changes), known, CREW)
        assert advice.verdict == "run-check"
        assert advice.reasons[0] == sentence


def test_splices_on_an_unchecked_arc_come_first_in_local_time() -> None:
    made = UncheckedSplices(14, pd.Timestamp("2026-09-10T13:10Z"))
    day = {"day_started": LATE, "unchecked": made, "time_zone": "America/Denver"}
    advice = advise(state(**day, open_findings=(DRIFT,)), model(level=140.0), CREW)
    assert advice.verdict == "run-check"
    assert advice.reasons[:3] == (
        "14 splices made since 07:10 without a check.",
        "No arc check has passed since this workday began.",
        advice.reasons[2],
    )
    assert advice.reasons[2].startswith("The arc should be at 140.0 (137.7 to 142.2) steps;")
    assert advice.reasons[-2:] == (DRIFT.words, DRIFT_NOTE)
    data = advice.to_json()
    assert (data["unchecked_splices"], data["unchecked_since"]) == (14, "2026-09-10T13:10:00Z")
    one = replace(made, splices=1)
    failed = advise(state(**{**day, "unchecked": one, "failed_since": 2}), None, CREW)
    assert failed.reasons[0] == "1 splice made at 07:10 without a check that passed."
    assert failed.reasons[2] == "The latest arc check failed and none has passed since."


def test_air_rules_give_the_move_and_the_rule() -> None:
    advice = advise(state(celsius_now=26.0), None, CREW)
    assert advice.reasons == ("Temperature moved +11 °C since the check (rule: 10 °C).",)
    assert advice.verdict == "recalibrate"
    assert advise(state(celsius_now=24.9), None, CREW).verdict == "keep-working"


def test_air_never_seen_falls_back_and_says_so() -> None:
    advice = advise(
        state(air=AirNow(**air(15.0, pressure=820.0), source="typed in", age_min=None)),
        model(), CREW,
    )  # fmt: skip
    assert advice.basis == "plain rules"
    assert advice.basis_note == (
        "Plain rules only: the air's density lies outside what this splicer has seen."
    )
    assert advice.probability is None
    assert any(reason.startswith("Pressure moved \u2212180 hPa") for reason in advice.reasons)


def test_a_refusal_is_passed_on_in_its_own_words() -> None:
    advice = advise(state(), Refusal("Heron", 6, 6, "only 6 usable checks"), CREW)
    assert advice.basis_note == "Plain rules only: only 6 usable checks."
    assert advice.verdict == "keep-working"


def test_air_that_is_not_known_of_the_check_cannot_have_stayed() -> None:
    unknown = dict.fromkeys(air(15.0))
    last = replace(state().last_check, **unknown)
    refused = Refusal("Heron", 6, 6, "only 6 usable checks")
    advice = advise(state(-30.0, last_check=last), refused, CREW)
    assert advice.verdict == "cannot-tell"
    assert "not known of the last check" in advice.reasons[0]
    # one quantity known both times is compared
    warm = replace(last, temperature_c=15.0)
    assert advise(state(last_check=warm), refused, CREW).verdict == "keep-working"
    assert advise(state(-30.0, last_check=warm), refused, CREW).verdict == "recalibrate"


def test_without_air_nobody_can_tell() -> None:
    advice = advise(state(air=None), model(), CREW)
    assert advice.verdict == "cannot-tell"
    drifting = advise(state(air=None, open_findings=(DRIFT,)), model(), CREW)
    assert drifting.verdict == "cannot-tell"
    assert drifting.reasons == (*advice.reasons, DRIFT.words, DRIFT_NOTE)
    assert advice.probability is None
    assert advice.air is None


def test_an_open_drift_is_told_before_anything_else() -> None:
    advice = advise(state(open_findings=(DRIFT,)), model(), CREW)
    assert advice.verdict == "inspect"  # a new check would only store what is stored now
    assert advice.reasons[:2] == (DRIFT.words, DRIFT_NOTE)
    off = advise(state(open_findings=(DRIFT,)), model(level=140.0), CREW)
    assert off.verdict == "recalibrate"
    assert off.reasons[-2:] == (DRIFT.words, DRIFT_NOTE)
    assert off.to_json()["open_findings"][0]["finding"] == "f1"


def test_a_drift_gone_quiet_is_still_named_but_does_not_press() -> None:
    advice = advise(state(open_findings=(replace(DRIFT, pressing=False),)), model(), CREW)
    assert advice.reasons[-1] == DRIFT.words
    assert DRIFT_NOTE not in advice.reasons
    assert advice.verdict == "keep-working"
    worn = OpenArcFinding("f2", "electrodes-worn", "4,277 arcs on electrodes.", pressing=True)
    advice = advise(state(open_findings=(worn,)), model(), CREW)
    assert advice.verdict == "inspect"
    assert advice.reasons[0] == worn.words
    assert DRIFT_NOTE not in advice.reasons


def test_a_place_only_asked_about_is_not_told_as_a_move() -> None:
    question = state(celsius_now=27.0, site="Ridge", asked_elsewhere=True)
    advice = advise(question, None, CREW)
    assert advice.reasons[:2] == (
        "It was checked at Harbor; Ridge would be another site.",
        "Temperature there would be +12 °C from that at the check (rule: 10 °C).",
    )
    assert advise(state(site="Ridge"), None, CREW).reasons[0] == (
        "The splicer moved from Harbor to Ridge since the check."
    )


@pytest.mark.parametrize(("minutes", "old"), [(29.0, False), (30.0, True), (None, False)])
def test_an_old_reading_is_told_and_trusted_less(minutes: float | None, old: bool) -> None:
    aged = AirNow(**air(15.0), source="site logger", age_min=minutes)
    for known in (model(), None):
        advice = advise(state(air=aged), known, CREW)
        said = [reason for reason in advice.reasons if "less sure than it looks" in reason]
        assert len(said) == old
    if old:
        assert said[0].startswith("The air reading is 30 min old")


def test_an_old_reading_alone_is_no_finding_of_moved_air() -> None:
    aged = AirNow(**air(15.0), source="site logger", age_min=45.0)
    question = state(air=aged, failed_since=1)
    advice = advise(question, model(), CREW)
    assert advice.verdict == "recalibrate"
    found = conditions_moved_finding(advice, question, question.now)
    assert found is None


@pytest.mark.parametrize(
    ("at", "words"),
    [
        ("2026-09-10T16:30Z", "The newest air reading is 90 min old"),
        ("2026-09-10T13:00Z", "The newest air reading is 5 h old"),
        ("2026-09-07T18:00Z", "The newest air reading is 3 days old"),
        (None, "There is no air reading of its site on record"),
    ],
)
def test_readings_too_old_to_use_are_told_with_their_age(at: str | None, words: str) -> None:
    newest = None if at is None else pd.Timestamp(at)
    advice = advise(state(air=None, newest_reading=newest), model(), CREW)
    assert advice.verdict == "cannot-tell"
    assert advice.reasons == (f"{words}, so nobody can say what the air has done.",)


def test_json_shape() -> None:
    data = advise(state(), model(), CREW).to_json()
    assert {
        "splicer", "verdict", "probability", "required", "setting", "tolerance", "reasons",
        "breakdown", "cautions", "air",
    } <= set(data)  # fmt: skip
    assert set(data["required"]) == {"value", "low", "high", "unit"}
    assert {"source", "age_min"} <= set(data["air"])
    assert data["last_check"] == "2026-09-10T13:00:00Z"
    assert isinstance(data["reasons"], list)
