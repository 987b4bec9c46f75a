"""What is said of an earlier alarm does not change with later days, and need not be found again."""

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.causes import measure_model
from arcdrift.analysis.causes.alarm_attribution import AttributedAlarms, attribute_alarms
from arcdrift.analysis.common.chart_states import ChartStates, KeptResults
from arcdrift.analysis.loss.loss_charts import AllLossCharts, chart_all
from arcdrift.shares import Shares
from tests.analysis.loss.loss_truth import START, Made, shift_cells

RISE = (("splicer", "S3", 45, 1.7), ("splicer", "S3", 58, 1 / 1.7))
CREW = Made(seed=5, days=130, splicers=6, a_day=12, raised=RISE)
CUT = START + pd.Timedelta(days=90)
FOLLOWED = START + pd.Timedelta(days=70)
"""Alarms until then have all the days that are looked at after them before the cut."""


@pytest.fixture(scope="module")
def frames() -> tuple[pd.DataFrame, pd.DataFrame]:
    return CREW.frames()


@pytest.fixture(scope="module")
def charts(frames: tuple[pd.DataFrame, pd.DataFrame]) -> AllLossCharts:
    return chart_all(*frames, 2.0, Shares())


def attributed(
    charts: AllLossCharts, hands: pd.DataFrame, kept: KeptResults | None = None
) -> list[AttributedAlarms]:
    return attribute_alarms(charts, shift_cells(hands, charts, kept))


def test_later_days_change_nothing_that_was_said_before(
    frames: tuple[pd.DataFrame, pd.DataFrame], charts: AllLossCharts
) -> None:
    days, hands = (rows[rows["day"] < CUT] for rows in frames)
    known_then = attributed(chart_all(days, hands, 2.0, Shares()), hands)
    known_now = attributed(charts, frames[1])
    then, now = (
        [
            (found.main.subject, found.main.onset, found.named)
            for found in groups
            if found.main.first <= FOLLOWED and found.named is not None
        ]
        for groups in (known_then, known_now)
    )
    assert ("splicer", "S3") in [subject for subject, *_ in then]
    for (subject, onset, named), (later_subject, later_onset, later_named) in zip(
        then, now, strict=True
    ):
        assert (subject, onset) == (later_subject, later_onset)
        assert named is not None
        assert later_named is not None
        assert named.log_odds == pytest.approx(later_named.log_odds, rel=1e-12)
        assert named.probability == pytest.approx(later_named.probability, rel=1e-12)


def test_what_was_found_is_not_computed_again(
    frames: tuple[pd.DataFrame, pd.DataFrame],
    charts: AllLossCharts,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    states, kept = ChartStates(until=CUT), KeptResults()
    first = attributed(charts, frames[1], kept)
    states.keep_results("shifts", kept)
    assert first

    def refuse(*_args: object, **_options: object) -> None:
        raise AssertionError("a covariance was computed")

    monkeypatch.setattr(measure_model, "RandomEffectsModel", refuse)
    again = ChartStates(until=CUT, known=states.kept)
    read = again.results("shifts")
    assert attributed(charts, frames[1], read) == first
    again.keep_results("shifts", read)
    assert not again.kept  # nothing is new


def test_other_losses_of_the_same_cells_are_compared_anew(
    frames: tuple[pd.DataFrame, pd.DataFrame], charts: AllLossCharts
) -> None:
    hands, kept = frames[1], KeptResults()
    attributed(charts, hands, kept)
    more = hands.assign(capped=np.where(hands["splicer"] == "S3", 1.3, 1.0) * hands["capped"])
    assert attributed(charts, more, KeptResults(kept.used)) == attributed(charts, more)
