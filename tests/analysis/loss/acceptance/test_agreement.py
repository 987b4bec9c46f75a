"""Estimates of loss beside measurements, some of them too good."""

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.loss.acceptance.agreement import (
    agreement,
    agreement_table,
    measured_pairs,
    optimistic_findings,
)
from arcdrift.errors import BadInput
from arcdrift.settings import Crew

CREW = Crew(name="Invented", time_zone="UTC")
NOW = pd.Timestamp("2026-06-30T12:00Z")


def _splices(count: int, bias: np.ndarray | float, seed: int, step: float = 0.12) -> pd.DataFrame:
    """Splices measured both ways: the two ways differ by the step between the fibers."""
    rng = np.random.default_rng(seed)
    loss = np.round(rng.gamma(4.0, 0.01, count), 2)
    true = loss - bias
    return pd.DataFrame(
        {
            "splicer": "Heron",
            "program": "mixed-fiber recipe",
            "spliced_at": pd.date_range("2026-01-01", periods=count, freq="6h", tz="UTC"),
            "loss_db": loss,
            "measured_ab_db": true + step + rng.normal(0, 0.015, count),
            "measured_ba_db": true - step + rng.normal(0, 0.015, count),
        }
    )


def test_the_step_between_fibers_cancels_in_the_mean_of_both_ways() -> None:
    """ITU-T G.650.3, appendix I.3: A to B reads loss + s, B to A loss - s."""
    fibers = _splices(3, 0.0, 1)
    fibers["measured_ab_db"], fibers["measured_ba_db"] = [0.35, 0.02, -0.17], [-0.25, 0.06, np.nan]
    pairs = measured_pairs(fibers)
    assert pairs["measured_db"].tolist() == pytest.approx([0.05, 0.04])
    assert pairs["step_db"].tolist() == pytest.approx([0.30, -0.02])


def test_one_splice_is_no_agreement() -> None:
    with pytest.raises(BadInput, match="there is 1"):
        agreement([0.01])


def test_few_pairs_get_no_figure() -> None:
    table = agreement_table(measured_pairs(_splices(4, 0.0, 2)))
    assert table["pairs"].tolist() == [4, 4]
    assert table[["bias_db", "low_db", "upper_db"]].isna().all(axis=None)


def test_table_tells_each_program_and_all_together() -> None:
    one, other = _splices(40, -0.02, 3), _splices(40, 0.01, 4).assign(program="single-mode fixed")
    table = agreement_table(measured_pairs(pd.concat([one, other], ignore_index=True)))
    bias = table.set_index("program")["bias_db"]
    assert bias["mixed-fiber recipe"] == pytest.approx(-0.02, abs=0.008)
    assert bias["single-mode fixed"] == pytest.approx(0.01, abs=0.008)
    assert bias[""] == pytest.approx(bias[["single-mode fixed", "mixed-fiber recipe"]].mean())


def test_an_estimate_that_grew_optimistic_is_found_with_its_onset() -> None:
    bias = np.where(np.arange(80) >= 45, -0.03, 0.0)
    (found,) = optimistic_findings(measured_pairs(_splices(80, bias, 5)), CREW, NOW)
    assert found.kind == "estimate-optimistic"
    assert found.evidence["bias_db"] == pytest.approx(-0.03, abs=0.008)
    began = pd.Timestamp("2026-01-01T00:00Z") + pd.Timedelta(hours=6 * 45)
    assert abs(pd.Timestamp(found.since) - began) < pd.Timedelta(days=2)


def test_good_pessimistic_and_hardly_measured_estimates_are_left_alone() -> None:
    for bias in (0.0, 0.05, -0.01):
        for seed in range(20):
            assert not optimistic_findings(measured_pairs(_splices(60, bias, seed)), CREW, NOW)
    assert not optimistic_findings(measured_pairs(_splices(9, -0.1, 6)), CREW, NOW)


def test_at_the_margin_hardly_anything_is_said() -> None:
    # a chance of 1 in 200 each; 4 or more of 300 would be one time in fifteen
    splices = pd.concat(
        [_splices(19, -0.015, 100 + seed).assign(splicer=f"splicer {seed}") for seed in range(300)],
        ignore_index=True,
    )
    found = len(optimistic_findings(measured_pairs(splices), CREW, NOW))
    assert found <= 5


def test_the_margin_is_the_crews() -> None:
    pairs = measured_pairs(_splices(60, -0.03, 7))
    strict = replace_margin(0.04)
    assert optimistic_findings(pairs, CREW, NOW)
    assert not optimistic_findings(pairs, strict, NOW)


def replace_margin(margin: float) -> Crew:
    return CREW.model_copy(
        update={"estimate": CREW.estimate.model_copy(update={"margin_db": margin})}
    )
