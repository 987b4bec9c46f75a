"""People are part of what a stream is expected to lose."""

from functools import cache

import numpy as np
import pandas as pd

from arcdrift.analysis.loss.day_level import ChartGroup
from arcdrift.analysis.loss.loss_charts import chart_all
from arcdrift.analysis.loss.sequential_ewma import chart_groups
from arcdrift.shares import Shares
from tests.analysis.loss.loss_truth import Made

PEOPLE = {"T0": 1.35, "T1": 1.25, "T2": 0.8, "T3": 0.75}


@cache
def crew(seed: int = 8) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Ten people move to the next splicer every seven days; four of them differ for good."""
    factors = tuple(("technician", name, 0, factor) for name, factor in PEOPLE.items())
    return Made(seed, days=120, raised=factors).frames()


def charted(*, with_people: bool):
    days, cells = crew()
    group = ChartGroup(days, 2.0, 2.0, cells=cells if with_people else None)
    return chart_groups([group])[0]


def test_a_change_of_hands_is_no_scatter_of_the_stream():
    without, with_people = charted(with_people=False), charted(with_people=True)
    # the people's own variance, known from the truth, is what is left out of the streams'
    assert without.between > 0.015
    assert with_people.between < 0.5 * without.between
    assert abs(with_people.lag1) < abs(without.lag1)


def test_the_expectation_follows_the_people_of_the_day():
    days = charted(with_people=True).days
    late = days[days["day"] >= days["day"].min() + pd.Timedelta(60, "D")]
    _, cells = crew()
    who = cells.groupby(["splicer", "program", "day"])["technician"].first().rename("who")
    effect = late.join(who, on=["splicer", "program", "day"]).groupby("who")["person_effect"].mean()
    others = effect.drop(list(PEOPLE)).mean()
    for name, factor in PEOPLE.items():
        # on the scale of the charts, losses of factor f lie 3 (f^(1/3) - 1) higher; caps and
        # shrinking leave less of it
        truth = 3 * (np.cbrt(factor) - 1)
        assert 0.6 < (effect[name] - others) / truth < 1.25


def test_effects_use_earlier_days_only():
    days, cells = crew()
    end = days["day"].min() + pd.Timedelta(70, "D")
    early = [rows[rows["day"] < end].reset_index(drop=True) for rows in (days, cells)]
    whole = charted(with_people=True).days
    part = chart_groups([ChartGroup(early[0], 2.0, 2.0, cells=early[1])])[0].days
    keys = ["splicer", "program", "day"]
    both = part.merge(whole, on=keys, suffixes=("", "_whole"))
    np.testing.assert_allclose(both["person_effect"], both["person_effect_whole"], equal_nan=True)


def test_a_person_who_gets_worse_is_told_as_the_person():
    days, cells = Made(9, days=120, raised=(("technician", "T4", 80, 1.6),)).frames()
    charts = chart_all(days, cells, 2.0, Shares())
    alarms = charts.alarms
    late = alarms[
        (alarms["day"] >= days["day"].min() + pd.Timedelta(80, "D"))
        & (alarms["measure"] == "level")
    ]
    assert "T4" in set(late.loc[late["subject_type"] == "technician", "subject_id"])
