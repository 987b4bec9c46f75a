"""Limits from run lengths, and the edges of what can be asked."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from arcdrift.charts.limits import ewma_limit, ewma_limits
from arcdrift.charts.run_length import ewma_arl
from arcdrift.errors import BadInput

quick = settings(max_examples=30, deadline=None, derandomize=True)


@quick
@given(st.floats(0.05, 1.0), st.floats(3.0, 1e5), st.sampled_from(["one", "two"]))
def test_the_ewma_limit_gives_back_its_run_length(lam, arl0, sided):
    limit = ewma_limit(lam, arl0, sided=sided)
    assert ewma_arl(lam, limit, sided=sided) == pytest.approx(arl0, rel=1e-6)


@pytest.mark.parametrize("sided", ["one", "two"])
def test_many_ewma_limits_at_once_give_back_their_run_lengths(sided):
    wanted = 10.0 ** np.linspace(0.7, 7.9, 25)
    limits = ewma_limits(0.2, wanted, sided=sided)
    back = [ewma_arl(0.2, float(limit), sided=sided) for limit in limits]
    assert back == pytest.approx(wanted.tolist(), rel=1e-7)
    assert ewma_limits(0.2, [], sided=sided).size == 0
    for never in (1.2, 1e12, math.nan):
        with pytest.raises(BadInput):
            ewma_limits(0.2, [100.0, never], sided=sided)


def test_impossible_budgets_are_refused_in_words():
    with pytest.raises(BadInput, match=r"every 2 points at most.*lower the false-alarm budget"):
        ewma_limit(0.2, 1.5, sided="one")
    with pytest.raises(BadInput, match="rarer than can be computed"):
        ewma_limit(0.2, 1e12, sided="one")
    with pytest.raises(BadInput, match="rarer than can be computed"):
        ewma_limit(0.2, math.nan, sided="one")
