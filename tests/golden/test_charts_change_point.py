"""Onsets and breaks against worked examples and the R package strucchange 1.5-3."""

from pathlib import Path

import pandas as pd
import pytest

from arcdrift.charts.change_point import single_break, step_onset

DATA = Path(__file__).parent / "data"


def test_onset_in_the_montgomery_data():
    # Montgomery, Introduction to Statistical Quality Control, Table 9.2: shift between
    # observations 22 and 23, new mean 11.25; objective worked out apart from this package.
    x = pd.read_csv(DATA / "montgomery_cusum_ewma.csv").x[:29]
    onset = step_onset(x, mean0=10.0, sigma=1.0)
    assert onset.index == 22
    assert onset.mean == pytest.approx(11.254286, abs=5e-7)
    assert onset.n * (onset.mean - 10.0) ** 2 == pytest.approx(11.01263, abs=5e-6)
    assert onset.earliest <= 22 <= onset.latest


@pytest.mark.parametrize("last", [14, 20])
def test_onset_in_the_handbook_data(last):
    # NIST/SEMATECH e-Handbook 6.3.2.3 (pmc323.htm): the level leaps after group 12
    x = pd.read_csv(DATA / "nist_cusum.csv").x[:last]
    onset = step_onset(x, mean0=325.0, sigma=0.635)
    assert (onset.index, onset.earliest, onset.latest) == (12, 12, 12)


def test_nile():
    # Annual flow at Aswan, 1871-1970 (Cobb 1978, Biometrika 65, 243-251: drop after 1898);
    # the other figures: strucchange 1.5-3, breakpoints() and Fstats().
    data = pd.read_csv(DATA / "nile.csv")
    found = single_break(data.volume)
    assert data.year[found.index - 1] == 1898
    assert found.rss_none == pytest.approx(2835156.75, abs=1e-6)
    assert found.rss == pytest.approx(1597457.194, abs=5e-4)
    assert found.mean_before == pytest.approx(1097.75, abs=1e-9)
    assert found.mean_after == pytest.approx(849.972222, abs=5e-7)
    assert found.f == pytest.approx(75.92977, abs=5e-6)
    assert found.bic == pytest.approx(1270.084, abs=5e-4)
    assert found.supported
    # strucchange's 95 % interval, 1895 to 1902, comes from another approximation; ours must
    # contain the estimate and stay within it.
    assert 1895 <= data.year[found.earliest - 1] <= 1898 <= data.year[found.latest - 1] <= 1902


def test_mass_check_standard():
    # NIST/SEMATECH e-Handbook 2.3.5.2, data MASS.DAT; least squares worked out apart from this
    # package: break after observation 150, between 86.489 and 86.505.
    data = pd.read_csv(DATA / "nist_mass_check_standard.csv")
    found = single_break(data.y)
    assert found.index == 150
    assert data.date[149:151].tolist() == [86.489, 86.505]
    assert found.mean_before == pytest.approx(-19.476091, abs=5e-7)
    assert found.mean_after == pytest.approx(-19.438612, abs=5e-7)
    assert found.supported
