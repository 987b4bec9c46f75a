"""How far electrodes are worn and how long they last, against simulations of known truth."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.arc.arc_model import ArcModel, Refusal, fit_arc
from arcdrift.analysis.maintenance.electrode_life import (
    Forecast,
    Pace,
    arc_pace,
    electrode_state,
    forecast_text,
    workdays_until,
)
from arcdrift.analysis.maintenance.worn_electrodes import may_be_worn, worn_finding
from arcdrift.settings import Crew
from tests.analysis.arc.arc_truth import PHI, simulated_points

NOW = pd.Timestamp("2026-12-31T12:00Z")


def crew(life: int | None = None, **limits: float) -> Crew:
    splicer = {"model": "Model A"} | ({} if life is None else {"electrode_life_arcs": life})
    tables = {"setting_limits": {"Model A": limits}} if limits else {}
    return Crew.model_validate({"name": "Invented", "splicers": {"s0": splicer}} | tables)


def work(points: pd.DataFrame) -> pd.DataFrame:
    """A workday an hour after every check."""
    first = points["checked_at"] + pd.Timedelta(hours=1)
    return pd.DataFrame({"first_splice_at": first, "splices": 50})


def checked(arcs: list[float], epoch: list[int] | None = None) -> pd.DataFrame:
    at = pd.date_range("2026-01-01T07:00Z", periods=len(arcs), unit="us")
    return pd.DataFrame(
        {
            "splicer": "s0",
            "checked_at": at,
            "arcs": arcs,
            "epoch": epoch or [0] * len(arcs),
            "arc_setting": 100.0,
            "air_density": 1.2,
            "vapor_pressure": 10.0,
            "excluded": None,
        }
    )


@pytest.fixture(scope="module")
def simulated() -> tuple[pd.DataFrame, ArcModel, np.ndarray]:
    points, truth = simulated_points(1, 80, seed=10, life=100_000)
    model, _ = fit_arc("s0", points, "steps", None, PHI)
    assert isinstance(model, ArcModel)
    return points, model, truth["s0"]


def test_pace_by_hand() -> None:
    points = checked([0.0, 50.0, 110.0, 150.0, 200.0, 260.0, 310.0])
    days = work(points)
    pace = arc_pace(points, days)
    # 50, 60, 40, 50, 60, 50: mean 310 / 6, sum of squares about it 850 / 3, over 5
    assert pace == Pace(pytest.approx(310 / 6), pytest.approx(np.sqrt(850 / 3 / 5)), 6)
    # a check missed on one day: its neighbors still hold both days' arcs
    fewer = arc_pace(points.drop(index=3), days)
    assert fewer is not None
    assert (fewer.mean, fewer.workdays) == (pytest.approx(310 / 6), 6)


def test_a_replacement_is_no_pace() -> None:
    points = checked([2000.0, 2050.0, 2100.0, 2150.0, 40.0, 90.0, 140.0, 190.0], [0] * 4 + [1] * 4)
    pace = arc_pace(points, work(points))
    assert pace is not None
    assert (pace.mean, pace.workdays) == (50.0, 6)
    assert arc_pace(points.head(4), work(points)) is None


def test_the_interval_of_workdays_holds_the_day_it_happens() -> None:
    # daily arcs gamma distributed, mean 60, sd 15; 900 arcs to go; truth by running on
    rng = np.random.default_rng(4)
    inside, widths = 0, []
    points = checked([0.0] * 41)
    days = work(points)
    for _ in range(600):
        daily = rng.gamma(16, 60 / 16, 150)
        points["arcs"] = np.concatenate([[0.0], daily[:40].cumsum()])
        pace = arc_pace(points, days)
        assert pace is not None
        span = workdays_until(Forecast(900.0, 900.0, 900.0), pace)
        day = int(np.argmax(daily[40:].cumsum() >= 900)) + 1
        assert span.high is not None
        inside += np.floor(span.low) <= day <= np.ceil(span.high)
        widths.append(span.high - span.low)
    assert 0.93 <= inside / 600 <= 1.0
    assert np.mean(widths) < 6  # about 15 workdays, told within three


@pytest.mark.parametrize(
    ("span", "words"),
    [
        (Forecast(11.0, 9.4, 13.6), "about 9 to 14 workdays"),
        (Forecast(0.5, 0.0, 0.8), "about 1 workday"),
        (Forecast(40.0, 31.0, None), "at least 31 workdays"),
    ],
)
def test_forecasts_in_words(span: Forecast, words: str) -> None:
    assert forecast_text(span, "workdays") == words


def test_arcs_and_workdays_to_the_set_life(simulated) -> None:
    points, model, _ = simulated
    arcs = float(points["arcs"].iloc[-1])
    state = electrode_state("s0", points, work(points), model, crew(int(arcs) + 500))
    assert state.ends_by == "life"
    assert state.arcs_left is not None
    assert state.arcs_left.value == pytest.approx(500, abs=1)
    assert state.workdays_left is not None
    # 50 arcs a day by Poisson: ten days
    assert state.workdays_left.low < 10 < state.workdays_left.high
    assert state.notes == ()
    known = electrode_state("s0", points, work(points), model, crew(int(arcs) + 500), arcs + 100)
    assert known.arcs_left is not None
    assert known.arcs_left.value == pytest.approx(400, abs=1)


def test_the_setting_a_machine_can_reach_ends_them_earlier(simulated) -> None:
    points, model, truth = simulated
    arcs = float(points["arcs"].iloc[-1])
    row = points.tail(30)
    air = truth[0] * (row["air_density"] - 1.225) + truth[1] * (row["vapor_pressure"] - 10)
    wear_free = points["arc_setting"] - truth[2] * points["arcs"] / 1000
    level = float((wear_free.tail(30) - air).mean() + air.mean() + truth[2] * arcs / 1000)
    far = 1000 * 8.0 / -truth[2]  # arcs for 8 more steps down, by the true slope
    state = electrode_state("s0", points, work(points), model, crew(100_000, lowest=level - 8))
    assert state.ends_by == "setting"
    assert state.arcs_left is not None
    assert state.arcs_left.low <= far <= (state.arcs_left.high or np.inf)
    # upward wear never gets there
    up = electrode_state("s0", points, work(points), model, crew(None, highest=level + 8))
    assert up.arcs_left is None or up.arcs_left.high is None
    # hand value without any uncertainty: 10 steps at 2 steps per 1,000 arcs
    sure = replace(
        model,
        mean=(0.0, 0.0, -2.0, 100.0),
        cov=tuple(tuple(1e-12 * (i == j) for j in range(4)) for i in range(4)),
    )
    sharp = electrode_state("s0", points, work(points), sure, crew(None, lowest=90.0), 1000.0)
    assert sharp.arcs_left is not None
    assert sharp.arcs_left.value == pytest.approx(4000, rel=1e-3)


def test_the_curve_follows_the_true_wear(simulated) -> None:
    points, model, truth = simulated
    curve = electrode_state("s0", points, work(points), model, crew(5000)).curve
    assert curve is not None
    line = curve.curve
    assert line["arcs"].iloc[-1] >= 5000
    slope = np.diff(line["expected"].iloc[[0, -1]])[0] / np.diff(line["arcs"].iloc[[0, -1]])[0]
    effect = model.effects[2]
    assert slope * 1000 == pytest.approx(effect.value)
    assert effect.low <= truth[2] <= effect.high
    seen = line[line["arcs"].between(*model.ranges["arcs"])]
    truly = np.interp(seen["arcs"], curve.points["arcs"], curve.points["setting"])
    assert np.abs(truly - seen["expected"]).mean() < 2 * model.sigma
    assert (line["low"] < line["expected"]).all()


def test_what_is_missing_is_said(simulated) -> None:
    points, model, _ = simulated
    bare = points.assign(arcs=np.nan, excluded="no arc count")
    refusal = Refusal("s0", 80, 0, "only 0 usable checks; a model of this splicer needs 12")
    state = electrode_state("s0", bare, work(points), refusal, crew())
    assert state.arcs is None
    assert state.arcs_left is None
    assert state.curve is None
    text = " ".join(state.notes)
    assert "No arc check carries an arc count" in text
    assert "electrode_life_arcs under [splicers.s0]" in text
    assert "only 0 usable checks" in text
    assert worn_finding(bare, state, NOW) is None
    late = points.copy()
    late.loc[late.index[-1], "arcs"] = np.nan
    text = " ".join(electrode_state("s0", late, work(points), model, crew(5000)).notes)
    assert "The last arc check carries no arc count" in text
    new = points.assign(epoch=[0] * 79 + [1], excluded=[None] * 79 + ["no arc count"])
    text = " ".join(electrode_state("s0", new, work(points), model, crew(5000)).notes)
    assert "No check on the present electrodes" in text


def test_worn_electrodes_are_told_before_and_after_the_limit(simulated) -> None:
    points, model, _ = simulated
    arcs = float(points["arcs"].iloc[-1])

    def told(share: float):
        state = electrode_state("s0", points, work(points), model, crew(int(arcs * share)))
        return worn_finding(points, state, pd.Timestamp(points["checked_at"].iloc[-1]))

    near, over, fresh = told(1.05), told(0.95), told(2.0)
    assert fresh is None
    assert near is not None
    assert near.kind == "electrodes-worn"
    assert near.severity == "watch"
    # 5 % of some 4,000 arcs at 50 a day
    assert near.evidence["workdays_left_low"] <= 4 <= near.evidence["workdays_left_high"]
    assert "workdays at this pace (as of " in near.summary
    assert "power off" in near.next_step
    assert over is not None
    assert over.severity == "act"
    assert "at this pace" not in over.summary
    assert "no arcs left" in over.summary


def test_electrodes_that_may_be_worn_are_all_that_are(simulated) -> None:
    points, model, _ = simulated
    arcs, at = float(points["arcs"].iloc[-1]), pd.Timestamp(points["checked_at"].iloc[-1])
    for life in (int(arcs * share) for share in (0.5, 1.0, 1.1, 1.11, 1.12, 1.2, 3.0)):
        state = electrode_state("s0", points, work(points), model, crew(life), with_curve=False)
        worn = worn_finding(points, state, at) is not None
        assert may_be_worn(points, None, life, None) >= worn
    assert not may_be_worn(points, None, int(1.2 * arcs), None)
    assert may_be_worn(points, 2 * arcs, int(1.2 * arcs), None)
    assert not may_be_worn(points, None, None, None)
    assert may_be_worn(points, None, None, crew(None, lowest=1.0).setting_limits["Model A"])


def test_a_setting_near_its_end_is_told_and_keeps_its_day() -> None:
    points = checked([50.0 * n for n in range(60)]).assign(
        arc_setting=[100 - 0.5 * n for n in range(60)]
    )
    state = electrode_state("s0", points, work(points), None, crew(None, lowest=72.0))
    found = worn_finding(points, state, NOW)
    assert found is not None
    # from 99 (mean of the first five) nine tenths of the way to 72 is 74.7: the mean of five
    # checks is 100 - 0.5 (n - 2), which gets there at n = 53
    assert found.since == points["checked_at"].iloc[53]
    assert found.evidence["lowest_setting"] == 72.0
    early = points.head(57)
    again = worn_finding(
        early, electrode_state("s0", early, work(early), None, crew(None, lowest=72.0)), NOW
    )
    assert again is not None
    assert again.since == found.since
    assert worn_finding(points.head(50), state, NOW) is None
