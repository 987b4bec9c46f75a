"""Onsets and breaks: agreement with brute force, coverage, gaps."""

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from arcdrift.charts.change_point import single_break, step_onset
from arcdrift.errors import BadInput
from tests.charts.ewma_runs import run_ewma

NAN = float("nan")
quick = settings(max_examples=60, deadline=None, derandomize=True)
values = st.floats(-5.0, 5.0)


@quick
@given(arrays(float, st.integers(1, 40), elements=values))
def test_onset_maximizes_the_published_objective(z):
    objective = [(len(z) - t) * z[t:].mean() ** 2 for t in range(len(z))]
    onset = step_onset(z)
    assert objective[onset.index] == pytest.approx(max(objective), rel=1e-9, abs=1e-12)
    assert onset.earliest <= onset.index <= onset.latest
    assert onset.n == len(z) - onset.index
    assert onset.mean == pytest.approx(z[onset.index :].mean(), abs=1e-12)


@quick
@given(arrays(float, st.integers(3, 40), elements=values, unique=True))
def test_break_minimizes_the_residuals(y):
    def rss(part):
        return ((part - part.mean()) ** 2).sum()

    sums = {t: rss(y[:t]) + rss(y[t:]) for t in range(1, len(y))}
    found = single_break(y, smallest=1)
    assert found.rss == pytest.approx(min(sums.values()), rel=1e-9, abs=1e-9)
    assert found.rss == pytest.approx(sums[found.index], rel=1e-9, abs=1e-9)
    assert found.rss_none == pytest.approx(rss(y), rel=1e-9, abs=1e-9)
    assert found.earliest <= found.index <= found.latest


@quick
@given(arrays(float, st.integers(6, 30), elements=values), st.floats(-100, 100))
def test_a_break_does_not_depend_on_the_level(y, level):
    assume(np.ptp(y) > 0.01)
    here, there = single_break(y), single_break(y + level)
    assert here.rss == pytest.approx(there.rss, rel=1e-6, abs=1e-9)


def test_the_level_without_a_scale_is_no_break():
    found = single_break([3.0] * 8)
    assert not found.supported
    assert found.rss == 0.0


def test_a_perfect_step_is_found_exactly():
    found = single_break([1.0, 1.0, 1.0, 2.0, 2.0, 2.0, 2.0])
    assert (found.earliest, found.index, found.latest) == (3, 3, 3)
    assert found.supported
    assert found.f == math.inf


def test_the_chosen_direction_is_kept():
    # A long lower spell explains more than the short rise that raised the alarm.
    z = [-2.0] * 20 + [0.1, 3.0, 3.0]
    assert step_onset(z).mean < 0
    risen = step_onset(z, direction="up")
    assert risen.index == 21
    assert risen.mean == pytest.approx(3.0)
    assert step_onset(np.negative(z), direction="down").index == 21


def test_gaps_keep_positions():
    z = [0.0, NAN, 0.1, NAN, -0.1, 0.0, NAN, 3.0, NAN, 3.2, 2.9]
    onset = step_onset(z)
    assert (onset.index, onset.n) == (7, 3)
    assert single_break(z).index == 7


def test_the_confidence_set_narrows_with_its_level():
    z = np.random.default_rng(3).standard_normal(60)
    z[40:] += 1.0
    wide, narrow = step_onset(z, confidence=0.99), step_onset(z, confidence=0.5)
    assert wide.earliest <= narrow.earliest
    assert narrow.latest <= wide.latest


@pytest.mark.parametrize("step", [1.0, 2.0])
def test_the_confidence_set_of_an_alarm_covers_the_onset(step):
    n, onset = 600, 40
    z = np.random.default_rng(7).standard_normal((200, n))
    z[onset:] += step
    signal = run_ewma(z, 0.2, 2.9, sided="one").signal
    covered = 0
    for j in range(n):
        alarms = np.flatnonzero(signal[:, j])
        alarm = alarms[alarms >= onset][0]
        begin = max(alarms[alarms < onset], default=-1) + 1
        found = step_onset(z[begin : alarm + 1, j], direction="up")
        covered += found.earliest + begin <= onset <= found.latest + begin
    assert covered / n > 0.95 - 4 * math.sqrt(0.95 * 0.05 / n)


def test_the_confidence_set_of_a_break_covers_it():
    n, rng = 600, np.random.default_rng(8)
    covered = 0
    for _ in range(n):
        y = rng.standard_normal(80)
        y[30:] += 1.0
        found = single_break(y)
        covered += found.earliest <= 30 <= found.latest
    assert covered / n > 0.95 - 4 * math.sqrt(0.95 * 0.05 / n)


def test_questions_without_an_answer_are_refused_in_words():
    with pytest.raises(BadInput, match="no values lie on the alarm's side"):
        step_onset([-1.0, -2.0], direction="up")
    with pytest.raises(BadInput, match="no values lie on the alarm's side"):
        step_onset([NAN])
    with pytest.raises(BadInput, match="standard deviation of a value must be above 0"):
        step_onset([1.0], sigma=0.0)
    with pytest.raises(BadInput, match="confidence level lies between 0 and 1, not at 95"):
        step_onset([1.0], confidence=95)
    with pytest.raises(BadInput, match="needs at least 4 values; this series has 3"):
        single_break([1.0, NAN, 2.0, 3.0])
