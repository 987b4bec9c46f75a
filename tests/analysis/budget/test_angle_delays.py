"""Detection delays of risen cleave angles, against a Markov chain and against planted rises."""

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.budget.angle_delays import angle_delays
from arcdrift.analysis.loss.day_level import LAMBDA
from arcdrift.analysis.people.cleave_angles.angle_cells import angle_cells
from arcdrift.analysis.people.cleave_angles.angle_charts import chart_angles
from arcdrift.analysis.people.cleave_angles.angle_ewma import EXCESS
from arcdrift.analysis.review.result_tables import dated
from arcdrift.charts.intervals import Z95
from arcdrift.charts.limits import ewma_limit
from tests.analysis.budget.ewma_chain import delay_quantile
from tests.analysis.people.cleave_angles.crew_days import LIFE, crew_days, raised


def judged_days(sd: float) -> pd.DataFrame:
    """A subject whose days scatter by a standard deviation of log angle."""
    return pd.DataFrame(
        {"subject_type": "cleaver", "subject": "C1", "day": ["2026-03-02", "2026-03-03"],
         "statistic": 0.1, "high": np.exp(Z95 * sd)}
    )  # fmt: skip


@pytest.mark.parametrize("shift", [2.2, pytest.param(3.0, marks=pytest.mark.long), 4.0])
def test_shifts_are_detected_as_a_markov_chain_says(shift: float):
    # a large shift is caught before the level of the subject follows it
    limit = ewma_limit(LAMBDA, 1000.0, sided="one")
    sd = np.log(1.25) / shift
    [[delay]] = angle_delays(judged_days(sd), 1.0, [1000.0 / EXCESS], rises=[1.25])
    chain = [delay_quantile(LAMBDA, limit, shift, probability) for probability in (0.5, 0.9)]
    assert [delay.median_days, delay.ninety_percent_days] == pytest.approx(chain, abs=1)


def test_planted_rises_are_found_as_soon_as_it_says():
    factor, begins, budget, delays = 1.15, 60, 0.1, []
    for seed in range(30, 39):
        cells = crew_days(seed)
        risen = (cells["cleaver"] == "c2") & (cells["number"] >= begins)
        days = chart_angles(angle_cells(raised(cells, risen, factor), LIFE), budget).days
        first = cells.loc[cells["number"] == begins, "day"].iloc[0]
        own = days[(days["subject"] == "c2") & (days["day"] >= first)]
        delays.append(int(own["alarm"].to_numpy().argmax()) + 1 if own["alarm"].any() else 99)
    healthy = chart_angles(angle_cells(crew_days(29), LIFE), budget)
    pace = 22.0 * 12 / budget  # six cleavers and six people on every day
    stored = dated(healthy.days, "day")
    [[delay]] = angle_delays(stored, healthy.widening, [pace], rises=[factor])
    assert delay.median_days == pytest.approx(float(np.median(delays)), abs=1)


def test_without_judged_days_there_is_no_answer():
    assert angle_delays(judged_days(0.07).assign(statistic=np.nan), 1.0, [500.0]) == []
