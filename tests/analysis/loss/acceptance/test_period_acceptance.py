"""Losses of a period by stream and by place, against sums by hand and a published estimator."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from arcdrift.analysis.loss.acceptance.period_acceptance import (
    FIGURES,
    acceptance_by,
    period_losses,
)
from arcdrift.settings import Crew

CREW = Crew.model_validate(
    {
        "name": "Invented",
        "time_zone": "America/Denver",
        "acceptance": {
            "average_db": 0.1,
            "single_db": 0.3,
            "overrides": [{"fibers": ["A", "B"], "average_db": 0.2, "single_db": 0.5}],
        },
    }
)


def splices(**columns: object) -> pd.DataFrame:
    count = len(columns["loss_db"])  # type: ignore[arg-type]
    frame = {
        "splicer": "Heron", "program": "plain", "outcome": "done", "purpose": "production",
        "site": "Pass", "location": "K1/1/1", "fiber_a": "A", "fiber_b": "A",
        "spliced_at": pd.to_datetime(["2026-11-02T18:00Z"] * count, utc=True),
    } | columns  # fmt: skip
    return pd.DataFrame(frame, index=range(count))


def test_only_production_with_a_loss_on_the_local_days_counts():
    rows = splices(
        loss_db=[0.1, 0.2, 0.3, 0.4, np.nan],
        purpose=["production", "practice", "production", "production", "production"],
        spliced_at=pd.to_datetime(
            # in Denver 23:30 on the 1st, then the 2nd, and 01:00 on the 3rd
            ["2026-11-02T06:30Z", "2026-11-02T18:00Z", "2026-11-02T18:00Z", "2026-11-03T08:00Z",
             "2026-11-02T18:00Z"], utc=True,
        ),
    )  # fmt: skip
    work = period_losses(rows, CREW, "2026-11-02", "2026-11-02")
    assert work["loss_db"].tolist() == [0.3]
    assert period_losses(rows, CREW, "2026-11-01", "2026-11-03")["loss_db"].tolist() == [
        0.1, 0.3, 0.4,
    ]  # fmt: skip


def test_places_and_fibers_are_named_and_what_is_missing_is_said():
    rows = splices(
        loss_db=[0.1, 0.2, 0.3],
        location=["K1/1/1", " K2 / x", None],
        site=["Pass", None, "Pass"],
        fiber_b=["B", None, "A"],
    )
    work = period_losses(rows, CREW, "2026-11-02", "2026-11-02")
    assert work["closure"].tolist() == ["K1", "K2", "not logged"]
    assert work["site"].tolist() == ["Pass", "not logged", "Pass"]
    assert work["fibers"].tolist() == ["A to B", "A to not logged", "A to A"]
    assert work["average_db"].tolist() == [0.2, 0.1, 0.1]


def test_sums_are_those_by_hand():
    rows = splices(
        loss_db=[0.10, 0.30, 0.31, 0.51],
        fiber_b=["A", "A", "A", "B"],
        outcome=["done", "redo", "done", "done"],
    )
    work = period_losses(rows, CREW, "2026-11-02", "2026-11-02")
    (row,) = acceptance_by(work, ["splicer"]).to_dict("records")
    assert row["splices"] == 4
    assert row["days"] == 1
    assert row["mean_db"] == pytest.approx(0.305)
    assert row["accepted_db"] == pytest.approx(0.125)  # three at 0.1, one at 0.2
    assert row["worst_db"] == 0.51
    assert row["over"] == 2  # 0.30 is accepted, 0.31 and 0.51 are not
    assert row["made_again"] == 1
    assert np.isnan(row["low_db"])
    by_fibers = acceptance_by(work, ["site", "fibers"])
    assert by_fibers["fibers"].tolist() == ["A to A", "A to B"]
    assert by_fibers["splices"].tolist() == [3, 1]
    (whole,) = acceptance_by(work, []).to_dict("records")
    assert whole["splices"] == 4


def test_the_interval_is_that_of_a_ratio_with_days_as_units():
    """With equal days it is Student's interval of the day means (statsmodels)."""
    generator = np.random.default_rng(4)
    day_means = generator.normal(0.08, 0.01, 9)
    rows = splices(
        loss_db=np.repeat(day_means, 20),
        spliced_at=pd.to_datetime("2026-11-02T18:00Z")
        + pd.to_timedelta(np.repeat(np.arange(9), 20), unit="D"),
    )
    work = period_losses(rows, CREW, "2026-11-01", "2026-11-30")
    (row,) = acceptance_by(work, ["splicer", "program"]).to_dict("records")
    low, high = sm.stats.DescrStatsW(day_means).tconfint_mean(0.05)
    assert (row["low_db"], row["high_db"]) == pytest.approx((low, high), abs=1e-12)


def test_the_interval_holds_the_truth_where_days_differ_in_size():
    """Simulated days of 5 to 60 splices with a day effect: near 95 of 100 intervals hold."""
    generator, held, runs = np.random.default_rng(11), 0, 400
    for _ in range(runs):
        sizes = generator.integers(5, 60, 10)
        level = generator.normal(0.08, 0.006, 10)
        loss = np.concatenate(
            [generator.gamma(4.0, mean / 4.0, n) for mean, n in zip(level, sizes, strict=True)]
        )
        at = pd.to_datetime("2026-11-02T18:00Z") + pd.to_timedelta(
            np.repeat(np.arange(10), sizes), unit="D"
        )
        work = period_losses(splices(loss_db=loss, spliced_at=at), CREW, "2026-11-01", "2026-11-30")
        (row,) = acceptance_by(work, ["splicer"]).to_dict("records")
        held += row["low_db"] <= 0.08 <= row["high_db"]
    assert 0.91 <= held / runs <= 0.98


def test_no_splice_is_an_empty_table():
    work = period_losses(splices(loss_db=[0.1]), CREW, "2020-01-01", "2020-01-31")
    assert acceptance_by(work, ["site"]).empty
    assert list(acceptance_by(work, ["site"]).columns) == ["site", *FIGURES]
