"""Clamp against holder on simulated hands whose truth is known."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom

from arcdrift.analysis.attempts.holding import EVERYBODY, holding
from arcdrift.arrays import Floats

COLUMNS = [
    "splicer", "technician", "program", "fibers", "holding", "day", "made", "errors", "n", "capped",
    "angles", "angle", "angle_squares",
]  # fmt: skip


def _cells(rng: np.random.Generator, odds: float, loss: float, spread: float) -> pd.DataFrame:
    """A crew whose people use holders more on the splicers that are worse anyway."""
    rows = []
    for person in range(5):
        for day in range(60):
            splicer = int(rng.integers(0, 3))
            holds = rng.random() < (0.2, 0.5, 0.8)[splicer]
            n = int(rng.integers(8, 30))
            logit = -4.2 + 0.6 * splicer + 0.4 * rng.standard_normal() + np.log(odds) * holds
            errors = rng.binomial(n, 1 / (1 + np.exp(-logit)))
            mean = 0.03 * (1 + 0.4 * splicer) * np.exp(0.2 * rng.standard_normal())
            losses = rng.gamma(4.0, mean * (loss if holds else 1.0) / 4.0, n - errors)
            sd = 0.5 * (spread if holds else 1.0)
            angles = -0.7 + 0.2 * rng.standard_normal() + sd * rng.standard_normal(n)
            rows.append(
                (
                    f"S{splicer}", f"P{person}", "SM", "A + A", "holder" if holds else "clamp",
                    pd.Timestamp("2026-03-01") + pd.Timedelta(days=day), n, errors, len(losses),
                    losses.sum(), n, angles.sum(), (angles**2).sum(),
                )
            )  # fmt: skip
    return pd.DataFrame(rows, columns=COLUMNS)


def _of(table: pd.DataFrame, measure: str, technician: str = EVERYBODY) -> Floats:
    row = table[(table["subject"] == technician) & (table["measure"] == measure)].iloc[0]
    return row[["ratio", "low", "high"]].to_numpy(dtype=np.float64)


@pytest.mark.parametrize("runs", [40, pytest.param(300, marks=pytest.mark.long)])
def test_intervals_cover_the_truth(runs: int) -> None:
    rng = np.random.default_rng(2)
    truth = {"errors": 1.7, "loss": 1.15, "angle": 1.0, "spread": 1.25}
    covered = dict.fromkeys(truth, 0)
    ratios: dict[str, list[float]] = {name: [] for name in truth}
    for _ in range(runs):
        table = holding(_cells(rng, truth["errors"], truth["loss"], truth["spread"]))
        for name, true in truth.items():
            ratio, low, high = _of(table, name)
            covered[name] += low <= true <= high
            ratios[name].append(np.log(ratio / true))
    for name in truth:
        # not below the 0.1 % point of the binomial at 95 %
        assert covered[name] >= binom(runs, 0.95).ppf(0.001), name
        # unbiased, although holders are used more where splices fail more
        bias = np.mean(ratios[name]) / (np.std(ratios[name]) / np.sqrt(runs))
        assert abs(bias) < 3.5, name


def test_people_have_rows_of_their_own() -> None:
    table = holding(_cells(np.random.default_rng(1), 1.0, 1.0, 1.0))
    assert set(table["subject"]) == {EVERYBODY, "P0", "P1", "P2", "P3", "P4"}
    everybody, one = (len(table[table["subject"] == name]) for name in (EVERYBODY, "P1"))
    assert everybody == one == 4


def test_nothing_where_nobody_used_both() -> None:
    cells = _cells(np.random.default_rng(1), 1.0, 1.0, 1.0)
    clamps = cells[cells["technician"].isin(["P0", "P1"])].assign(holding="clamp")
    holders = cells[cells["technician"].isin(["P2", "P3"])].assign(holding="holder")
    table = holding(pd.concat([clamps, holders], ignore_index=True))
    assert set(table["subject"]) == {EVERYBODY}
    assert table[["ratio", "low", "high"]].isna().all(axis=None)
    assert holding(cells.assign(holding="(holding not logged)")).empty
    assert holding(cells.iloc[:0]).empty


def test_too_few_errors_have_no_interval() -> None:
    cells = _cells(np.random.default_rng(1), 1.0, 1.0, 1.0).assign(errors=0.0)
    ratio, low, high = _of(holding(cells), "errors")
    assert np.isnan([ratio, low, high]).all()
    assert _of(holding(cells), "loss")[0] == pytest.approx(1.0, rel=0.1)
