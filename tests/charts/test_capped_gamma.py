"""The mean behind capped values: closed form of the exponential law, and drawn values."""

import numpy as np
import pytest

from arcdrift.charts.capped_gamma import CappedGamma


@pytest.mark.parametrize("rise", [1.0, 1.3, 1.7, 2.5])
def test_an_exponential_law_has_a_closed_form(rise: float) -> None:
    # E min(X, c) = m (1 - exp(-c / m)); the cap is 3.5 times the usual capped mean
    law = CappedGamma(1.0, 3.5)
    usual = law.mean(1.0)
    assert usual * (1 - np.exp(-3.5 / usual)) == pytest.approx(1.0)
    raised = rise * usual
    assert law.mean(raised * (1 - np.exp(-3.5 / raised))) / usual == pytest.approx(rise)


@pytest.mark.parametrize("shape", [0.7, 1.2, 2.0])
def test_the_true_rise_is_found_from_capped_values(shape: float) -> None:
    rng = np.random.default_rng(3)
    values = rng.gamma(shape, 1.0, 400_000)
    cap = 1.0
    for _ in range(50):
        cap = 3.5 * np.minimum(values, cap).mean()
    capped = np.minimum(values, cap)
    law = CappedGamma.from_moments(cap / capped.mean(), capped.var() / capped.mean() ** 2)
    assert law.shape == pytest.approx(shape, rel=0.03)
    shown = np.minimum(1.7 * values, cap).mean() / capped.mean()
    assert shown < 1.65
    assert law.mean(shown) / law.mean(1.0) == pytest.approx(1.7, rel=0.01)


def test_a_mean_at_the_cap_has_a_finite_rise() -> None:
    assert np.isfinite(CappedGamma(1.0, 3.5).mean(3.5))
