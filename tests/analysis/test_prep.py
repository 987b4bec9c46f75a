"""Crossed effects: a published example, and crews whose truth is known."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.prep import PrepEffects, _crossed, prep_effects

PENICILLIN = Path(__file__).parents[1] / "golden" / "data" / "penicillin.csv"


def test_penicillin_by_maximum_likelihood() -> None:
    """ML standard deviations .845572 (plates) 1.770646 (samples) .549932 (residual).

    Source: Davies 1967 data; lme4 1.1-31 with REML = FALSE, and MixedModels.jl's tests.
    """
    data = pd.read_csv(PENICILLIN)
    rows = pd.DataFrame(
        {"technician": data["plate"], "splicer": data["sample"], "program": "assay", "stint": "one"}
    )
    effects, spread = _crossed(
        data["diameter"].to_numpy(dtype=np.float64), rows, np.ones(len(data))
    )
    assert spread["technician"] == pytest.approx(0.845572, abs=1e-4)
    assert spread["splicer"] == pytest.approx(1.770646, abs=1e-4)
    assert spread["day"] == pytest.approx(0.549932, abs=1e-4)
    samples = effects["splicer"].groupby(rows["splicer"]).first()
    # conditional means of samples A..F, lme4 with ML
    np.testing.assert_allclose(
        samples, [2.185660, -1.009830, 1.936661, -0.096833, -0.013833, -3.001824], atol=1e-3
    )


def made_up_work(
    seed: int, *, days: int = 120, split: bool = False
) -> tuple[pd.DataFrame, dict[str, float]]:
    """Ten technicians who swap eight splicers weekly; two of them in bad luck with machines."""
    rng = np.random.default_rng(seed)
    people = {f"t{i}": 0.08 * rng.standard_normal() for i in range(10)}
    machines = {f"s{i}": 0.15 * rng.standard_normal() for i in range(8)}
    rows = []
    for day in range(days):
        if day % 5 == 0:
            half = np.r_[rng.permutation(5)[:4], 5 + rng.permutation(5)[:4]]
            order = half if split else rng.permutation(10)[:8]
        for machine, person in enumerate(order):
            n = int(rng.integers(30, 80))
            level = people[f"t{person}"] + machines[f"s{machine}"] + 0.1 * rng.standard_normal()
            mean = 0.03 * np.exp(level) * (1 + rng.standard_normal() / np.sqrt(n))
            date = pd.Timestamp("2026-01-01") + pd.Timedelta(days=day)
            rows.append((f"s{machine}", "fixed", f"t{person}", date, n, n * mean))
    columns = ["splicer", "program", "technician", "day", "n", "capped"]
    return pd.DataFrame(rows, columns=columns), people


def test_intervals_hold_the_truth_and_the_bad_splicer_is_not_the_person() -> None:
    inside: list[bool] = []
    for seed in range(6):
        work, people = made_up_work(seed)
        told = prep_effects(work, 1.0, 0.01)
        assert isinstance(told, PrepEffects)
        table = told.technicians.set_index("name")
        truth = pd.Series(people)
        truth -= truth.mean()
        inside += list((table["low"] <= truth) & (truth <= table["high"]))
        assert np.corrcoef(table["effect"], truth.reindex(table.index))[0, 1] > 0.9
        assert told.groups == 1
    # 60 intervals at .95: fewer than 51 inside would happen once in a thousand
    assert sum(inside) >= 51


def test_people_who_share_no_splicer_are_told_apart_as_sets() -> None:
    work, _ = made_up_work(1, split=True)
    told = prep_effects(work, 1.0, 0.01)
    assert isinstance(told, PrepEffects)
    assert told.groups == 2
    table = told.technicians.set_index("name")
    first = {table.loc[f"t{i}", "group"] for i in range(5)}
    second = {table.loc[f"t{i}", "group"] for i in range(5, 10)}
    assert len(first) == len(second) == 1
    assert first != second


def test_too_little_work_is_refused_and_a_newcomer_gets_no_figure() -> None:
    work, _ = made_up_work(2)
    sentence = prep_effects(work[work["day"] < "2026-01-04"], 1.0, 0.01)
    assert isinstance(sentence, str)
    assert "too few" in sentence
    few = work.copy()
    few.loc[(few["technician"] == "t3") & (few["day"] > "2026-01-05"), "technician"] = "t4"
    told = prep_effects(few, 1.0, 0.01)
    assert isinstance(told, PrepEffects)
    row = told.technicians.set_index("name").loc["t3"]
    if row["days"] < 5:
        assert np.isnan(row["effect"])
        assert row["note"].startswith("only ")
