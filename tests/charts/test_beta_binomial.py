"""The tail is that of scipy's distribution, and has the variance that is asked for."""

import pytest
from scipy import stats

from arcdrift.charts.beta_binomial import upper_tail


@pytest.mark.parametrize(
    ("events", "trials", "share", "dispersion"),
    [(12, 40, 0.2, 1.6), (3, 9, 0.1, 2.5), (150, 900, 0.12, 1.3), (40, 40, 0.9, 3.0)],
)
def test_is_the_tail_of_the_beta_binomial_distribution(
    events: int, trials: int, share: float, dispersion: float
) -> None:
    rho = (dispersion - 1) / (trials - 1)
    distribution = stats.betabinom(trials, share * (1 / rho - 1), (1 - share) * (1 / rho - 1))
    assert distribution.var() == pytest.approx(dispersion * trials * share * (1 - share))
    assert upper_tail(events, trials, share, dispersion) == pytest.approx(
        distribution.sf(events - 1), rel=1e-6
    )


def test_is_the_binomial_tail_where_events_do_not_cluster() -> None:
    assert upper_tail(7, 20, 0.2, 1.0) == pytest.approx(stats.binom(20, 0.2).sf(6))


def test_at_the_ends() -> None:
    assert upper_tail(0, 20, 0.2, 1.5) == 1.0
    assert upper_tail(1, 20, 0.0, 1.5) == 0.0
    assert upper_tail(20, 20, 1.0, 1.5) == 1.0
    assert 0.0 < upper_tail(1, 1, 0.3, 5.0) == pytest.approx(0.3)
