"""Charts that go on from a kept state say what charts of all days say."""

import os
import pickle
from collections.abc import Callable
from dataclasses import fields

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.arc import arc_drift
from arcdrift.analysis.arc.arc_drift import DriftCharts, drift_charts
from arcdrift.analysis.common.chart_states import ChartStates, digest_of
from arcdrift.analysis.loss import sequential_ewma
from arcdrift.analysis.loss.loss_charts import AllLossCharts, chart_all
from arcdrift.analysis.people.cleave_angles.angle_cells import angle_cells
from arcdrift.analysis.people.cleave_angles.angle_charts import chart_angles
from arcdrift.shares import Shares
from tests.analysis.arc.arc_truth import simulated_points
from tests.analysis.loss.loss_truth import Made
from tests.analysis.people.cleave_angles.crew_days import LIFE, crew_days, raised

UNTIL = pd.Timestamp("2026-03-20")


def kept(chart: Callable[[ChartStates], object]) -> ChartStates:
    """States kept by a chart at `UNTIL`, as known states."""
    states = ChartStates(until=UNTIL)
    chart(states)
    return ChartStates(known=states.kept)


@pytest.fixture
def judged_days(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """First row of each day that the loss charts judge."""
    rows: list[int] = []
    plain = sequential_ewma._SequentialEwma._judge_day

    def noted(self, today):
        rows.append(today.start)
        return plain(self, today)

    monkeypatch.setattr(sequential_ewma._SequentialEwma, "_judge_day", noted)
    return rows


def losses(frames: tuple[pd.DataFrame, pd.DataFrame], states: ChartStates) -> AllLossCharts:
    return chart_all(*frames, 2.0, Shares(), states)


def pickled(month: object) -> dict[str, bytes]:
    return {name: pickle.dumps(value) for name, value in vars(month).items()}


def assert_same(first: AllLossCharts, second: AllLossCharts) -> None:
    for name in ("rolled", "spread", "rolled_spread", "cells"):
        pd.testing.assert_frame_equal(getattr(first, name), getattr(second, name), check_exact=True)
    for field in fields(first.streams):
        one, two = getattr(first.streams, field.name), getattr(second.streams, field.name)
        if isinstance(one, pd.DataFrame):
            pd.testing.assert_frame_equal(one, two, check_exact=True)
        elif field.name == "learned":
            # each value for itself: a state that was read shares other objects than a new one
            assert [pickled(month) for month in one] == [pickled(month) for month in two]
        else:
            assert one == two, field.name


def until(day: pd.Timestamp, frames: tuple[pd.DataFrame, ...]) -> tuple[pd.DataFrame, pd.DataFrame]:
    first, second = (rows[rows["day"] < day].reset_index(drop=True) for rows in frames)
    return first, second


MADE = Made(
    11, days=110, raised=(("splicer", "S1", 40, 1.6),), dirtier=(("technician", "T2", 60, 3.0),)
).frames()


def test_loss_charts_go_on_from_a_kept_state(judged_days: list[int]) -> None:
    earlier = until(UNTIL + pd.Timedelta(days=9), MADE)
    states = kept(lambda states: losses(earlier, states))
    assert len(states.known) == 2
    judged_days.clear()
    resumed = losses(MADE, states)
    days_resumed = len(judged_days)
    judged_days.clear()
    assert_same(resumed, losses(MADE, ChartStates()))
    assert days_resumed < 0.4 * len(judged_days)


def changed(days: pd.DataFrame, cells: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    row = cells["day"].searchsorted(cells["day"].min() + pd.Timedelta(days=30))
    cells = cells.assign(capped=cells["capped"].where(cells.index != row, cells["capped"] * 1.01))
    return days, cells


CHANGES: dict[str, Callable[[pd.DataFrame, pd.DataFrame], tuple[pd.DataFrame, pd.DataFrame]]] = {
    "a cell of a past day": changed,
    "a day left out": lambda days, cells: (days.drop(index=50).reset_index(drop=True), cells),
    "an excluded day": lambda days, cells: (days.assign(excluded=days.index == 50), cells),
    "a stream without a past": lambda days, cells: (
        pd.concat([days, days.tail(1).assign(splicer="Z9")], ignore_index=True), cells,
    ),
    "a new person": lambda days, cells: (
        days, cells.assign(technician=cells["technician"].where(cells.index < len(cells) - 3, "N")),
    ),
}  # fmt: skip


@pytest.mark.parametrize(
    "change",
    [
        change if change == "a cell of a past day" else pytest.param(change, marks=pytest.mark.long)
        for change in CHANGES
    ],
)
def test_loss_charts_after_a_change_are_those_of_all_days(change: str) -> None:
    states = kept(lambda states: losses(MADE, states))
    frames = CHANGES[change](*MADE)
    assert_same(losses(frames, states), losses(frames, ChartStates()))


def arcs(points: pd.DataFrame, states: ChartStates) -> DriftCharts:
    lives = dict.fromkeys(points["splicer"].unique(), 3000)
    return drift_charts(points, 370.0, lives, states, "arc")


@pytest.mark.parametrize("seed", range(12 if os.environ.get("ARCDRIFT_LONG") == "1" else 3))
def test_arc_charts_go_on_from_a_kept_state(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """With drifts, replacements before and after the state, and one that nobody logged."""
    points, _ = simulated_points(
        5, 150, seed=seed, fault=lambda day: np.where(day >= 50, 0.2 * (day - 50), 0.0),
        faulty=("s1", "s3"),
    )  # fmt: skip
    # the counter shows no replacement of this splicer
    points.loc[points["splicer"] == "s2", "epoch"] = 0
    known = kept(lambda states: arcs(points[points["checked_at"] < "2026-04-05"], states))
    charted: list[int] = []
    plain = arc_drift._chart_check
    monkeypatch.setattr(
        arc_drift, "_chart_check", lambda *given: charted.append(given[1]) or plain(*given)
    )
    resumed = arcs(points, known)
    assert len(charted) < 0.6 * len(points)
    whole = arcs(points, ChartStates())
    pd.testing.assert_frame_equal(resumed.checks, whole.checks, rtol=1e-12)
    np.testing.assert_allclose(resumed.moves.variance, whole.moves.variance, rtol=1e-12)
    # a corrected check of the past
    corrected = points.assign(arc_setting=points["arc_setting"] + (points.index == 40))
    pd.testing.assert_frame_equal(
        arcs(corrected, known).checks, arcs(corrected, ChartStates()).checks, check_exact=True
    )


def test_angle_charts_go_on_from_a_kept_state() -> None:
    cells = crew_days(3, people=4, days=70)
    cells = raised(cells, cells["cleaver"].eq("c1") & (cells["number"] >= 8), 1.5)
    until = int(UNTIL.value // 1000)
    earlier = angle_cells(cells[cells["day"] < UNTIL + pd.Timedelta(days=20)], LIFE)
    known = kept(lambda states: chart_angles(earlier, 2.0, states))
    assert int.from_bytes(known.known["angles"][:8], "big") == until
    everything = angle_cells(cells, LIFE)
    resumed, whole = chart_angles(everything, 2.0, known), chart_angles(everything, 2.0)
    pd.testing.assert_frame_equal(resumed.days, whole.days, check_exact=True)
    np.testing.assert_array_equal(resumed.noise, whole.noise)
    assert whole.days["alarm"].any()
    # the state is used: what it says of a past day is taken over
    states = ChartStates(until=UNTIL)
    chart_angles(everything, 2.0, states)
    assert states.kept["angles"][8:24] == known.known["angles"][8:24]
    corrected = angle_cells(cells.assign(angle=cells["angle"] + (cells.index == 3)), LIFE)
    pd.testing.assert_frame_equal(
        chart_angles(corrected, 2.0, known).days, chart_angles(corrected, 2.0).days,
        check_exact=True,
    )  # fmt: skip


def test_a_state_cannot_run_anything() -> None:
    digest = digest_of([1])

    class Runs:
        def __reduce__(self):
            return os.system, ("true",)

    states = ChartStates(until=UNTIL)
    states.keep("chart", 0, digest, Runs())
    with pytest.raises(pickle.UnpicklingError, match="is no part of the state"):
        ChartStates(known=states.kept).resume("chart", lambda _day: digest)


def test_a_state_is_known_by_all_that_led_to_it() -> None:
    state = {"sums": np.arange(3.0), "count": 2}
    states = ChartStates(until=UNTIL)
    states.keep("chart", 7, digest_of([np.arange(3)]), state)
    known = ChartStates(known=states.kept)
    found = known.resume("chart", lambda day: digest_of([np.arange(day - 4)]))
    assert found is not None
    assert found[0] == 7
    np.testing.assert_array_equal(found[1]["sums"], state["sums"])
    assert known.resume("chart", lambda day: digest_of([np.arange(day)])) is None
    assert known.resume("another", lambda _day: b"") is None


def test_digests_tell_apart_what_differs() -> None:
    frame = pd.DataFrame({"a": [1.0, np.nan], "b": ["x", None]})
    given = [
        [np.zeros(2)], [np.zeros(3)], [np.zeros(2, np.float32)], [np.array([0.0, -0.0])],
        [frame], [frame.rename(columns={"b": "c"})], [frame.assign(a=[1.0, 2.0])], [1, 2], [12],
    ]  # fmt: skip
    assert len({digest_of(parts) for parts in given}) == len(given)
    assert digest_of([frame]) == digest_of([frame.copy()])
