"""Settings to expect in any air: those of advice, and those through peers against the truth."""

import os
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.advice.advice import advise
from arcdrift.analysis.advice.expected_settings import (
    ExpectedSettings,
    PeerModel,
    expected_settings,
)
from arcdrift.analysis.advice.required_setting import AirAndWear
from arcdrift.analysis.advice.splicer_state import AirNow, SplicerState
from arcdrift.analysis.arc.arc_model import ArcModel, PeerSlopes, Refusal
from arcdrift.analysis.arc.arc_regressors import centered_regressors
from arcdrift.analysis.arc.indoor_mixture import Checks, fit_all
from tests.analysis.advice.test_advice import CREW, air, model, state
from tests.analysis.arc.arc_truth import fits_of, simulated_points

AIRS = [
    (celsius, hpa, humidity)
    for celsius in (-5.0, 8.0, 15.0, 22.0, 40.0)
    for hpa in (780.0, 955.0, 1000.0, 1020.0)
    for humidity in (30.0, 80.0)
]


def known(now: SplicerState, of: ArcModel | Refusal | None) -> ExpectedSettings:
    found = expected_settings(now, of)
    assert isinstance(found, ExpectedSettings), found
    return found


@pytest.mark.parametrize("learned_until", [None, pd.Timestamp("2026-09-01T00:00Z")])
def test_they_are_what_advice_says_in_that_air(learned_until: pd.Timestamp | None):
    """Also where the last check is news to the model, and nowhere that advice refuses."""
    now = state(learned_until=learned_until)
    found, told = known(now, model()), 0
    for values in AIRS:
        typed = AirNow(**air(*values), source="typed in", age_min=None)
        required = advise(replace(now, air=typed), model(), CREW).required
        assert (found.at(*values) is None) == (required is None)
        if required is not None:
            told += 1
            assert found.at(*values) == pytest.approx(
                (required["value"], required["low"], required["high"]), abs=1e-9
            )
    assert 0 < told < len(AIRS)


def test_a_grid_is_all_its_airs_at_once():
    found = known(state(), model())
    celsius, hpa = np.array([-5.0, 10.0, 15.0, 30.0]), np.array([900.0, 985.0, 1013.0])
    grid = found.grid(celsius, hpa, 50.0)
    for row, temperature in enumerate(celsius):
        for column, pressure in enumerate(hpa):
            at = found.at(float(temperature), float(pressure), 50.0)
            assert np.isnan(grid[row, column]) == (at is None)
            if at is not None:
                assert grid[row, column] == pytest.approx(at[0], abs=1e-9)


def test_wear_makes_them_stale():
    """Half of the tolerance of 9 steps, at 2 steps in 1,000 arcs known for sure: 2,250 arcs."""
    exact = replace(model(), cov=tuple(map(tuple, np.zeros((4, 4)))))
    found = known(state(tolerance=9.0), replace(exact, mean=(*exact.mean[:2], -2.0, exact.mean[3])))
    assert found.wear == pytest.approx(-2.0)
    assert found.stale_after_arcs == pytest.approx(2250.0)
    worn = known(
        state(tolerance=9.0, arcs_now=520.0 + 2250.0),
        replace(exact, mean=(*exact.mean[:2], -2.0, exact.mean[3])),
    )
    before, after = found.at(15.0, 1000.0, 50.0), worn.at(15.0, 1000.0, 50.0)
    assert before is not None
    assert after is not None
    assert before[0] - after[0] == pytest.approx(4.5)
    none = replace(exact, mean=(*exact.mean[:2], 0.0, exact.mean[3]))
    assert known(state(), none).stale_after_arcs == np.inf


@pytest.mark.parametrize(
    ("changes", "of", "reason"),
    [
        ({}, None, "there is no arc model yet"),
        ({}, Refusal("Heron", 6, 6, "only 6 usable checks"), "only 6 usable checks"),
        ({"last_check": None}, model(), "no passed check"),
        ({"service_since": ("electrodes replaced",)}, model(), "serviced after its last check"),
        ({"arcs_now": None}, model(), "arc count"),
    ],
)
def test_a_reason_is_told_where_there_are_none(changes, of, reason: str):
    found = expected_settings(state(**changes), of)
    assert isinstance(found, str)
    assert reason in found


PEERS = PeerSlopes(
    mean=(-120.0, 0.35, -2.0),
    cov=((400.0, 0.0, 0.0), (0.0, 0.01, 0.0), (0.0, 0.0, 0.25)),
    sigma=3.0,
    peers=5,
    ranges={"air_density": (1.1, 1.3), "vapor_pressure": (2.0, 20.0)},
)


def test_peers_slopes_go_through_the_last_check_and_are_surest_there():
    refused = Refusal("Heron", 6, 6, "only 6 usable checks", PEERS)
    found = known(state(arcs_now=500.0), refused)
    assert found.only_peers
    assert (found.peers, found.checks) == (5, 6)
    near, far = found.at(15.0, 1000.0, 50.0), found.at(30.0, 1000.0, 50.0)
    assert near is not None
    assert far is not None
    assert near[0] == pytest.approx(100.0)  # what the check stored, in the same air and wear
    change = air(30.0)["air_density"] - air(15.0)["air_density"]
    damper = air(30.0)["vapor_pressure"] - air(15.0)["vapor_pressure"]
    assert far[0] - near[0] == pytest.approx(-120.0 * change + 0.35 * damper)
    assert far[2] - far[1] > near[2] - near[1]


def test_the_covariance_through_a_check_is_that_of_many_draws():
    """Slopes drawn from the peers' spread, a check drawn around them: 200,000 draws."""
    rng = np.random.default_rng(3)
    check = AirAndWear(15.0, 1000.0, 1.2, 9.0, 500.0, outdoor=False)
    slopes = rng.multivariate_normal(PEERS.mean, PEERS.cov, 200_000)
    level = 100.0 + 3.0 * rng.standard_normal(len(slopes)) - slopes @ check.regressors[:3]
    drawn = np.cov(np.column_stack([slopes, level]), rowvar=False)
    np.testing.assert_allclose(
        PeerModel.through(PEERS, check, 100.0).cov, drawn, rtol=0.02, atol=0.05
    )


LONG = os.environ.get("ARCDRIFT_LONG") == "1"


def test_intervals_through_peers_hold_the_true_setting():
    """New splicers with one check among five peers: of 95 % intervals, over 90 % hold the truth.

    They are wide, because the spread between five peers is hardly known (Student's t of 4).
    """
    held, asked, widths = 0, 0, []
    for seed in range(700, 724 if LONG else 706):
        points, truth = simulated_points(6, 60, seed=seed, life=100_000)
        groups = {str(name): part for name, part in points.groupby("splicer")}
        fits = {name: fit_all([Checks.from_points(part)], 0.3)[0] for name, part in groups.items()}
        for name, part in groups.items():
            others = points[points["splicer"] != name]
            peers = PeerSlopes.of(fits_of([f for n, f in fits.items() if n != name and f]), others)
            assert peers is not None
            check, later = part.iloc[20], part.iloc[30:50:5]
            x = centered_regressors(part)
            level = np.median(part["arc_setting"].to_numpy() - x @ truth[name])
            through = PeerModel.through(peers, _at(check), float(check["arc_setting"]))
            mean, cov = np.array(through.mean), np.array(through.cov)
            for number, row in zip(range(30, 50, 5), later.to_dict("records"), strict=True):
                regressors = np.append(x[number], 1.0)
                half = 2.776 * float(np.sqrt(regressors @ cov @ regressors))  # t of 4, a table
                true = float(x[number] @ truth[name] + level)
                held += abs(float(regressors @ mean) - true) <= half
                widths.append(half)
                asked += 1
                assert row["arcs"] > 0
    assert held / asked > 0.9, f"{held} of {asked}"
    assert np.median(widths) < 15.0


def _at(check: pd.Series) -> AirAndWear:
    return AirAndWear(
        None, None, float(check["air_density"]), float(check["vapor_pressure"]),
        float(check["arcs"]), outdoor=False,
    )  # fmt: skip
