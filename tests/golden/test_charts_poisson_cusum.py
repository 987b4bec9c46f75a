"""CUSUMs of Poisson counts against published tables and another program's figures."""

import pytest

from tests.charts.poisson_cusum_chain import poisson_cusum_arl, poisson_cusum_limit

# Lucas and the programs after him alarm at S >= h, the chain here beyond it.
JUST_BELOW = 1e-6


def test_poisson_counts_as_lucas_printed_them():
    # Lucas 1985, Technometrics 27, 129-144, Table 2, k 0.25, h 10, mean 0.25, as quoted in the
    # manual of the R package spc (pois.cusum.arl)
    assert poisson_cusum_arl(0.25, 10.0 - JUST_BELOW, 0.25) == pytest.approx(438, abs=0.5)


@pytest.mark.parametrize(("mean", "expected"), [(1.88, 37.20), (1.88 + 0.9627 * 1.88**0.5, 5.49)])
def test_poisson_counts_as_another_program_gives_them(mean, expected):
    # R package IAcsSPCR 1.2.1, example of arl(h=6, k=2, lambda=1.88), with its printed output
    arl = poisson_cusum_arl(2.0, 6.0 - JUST_BELOW, mean)
    assert arl == pytest.approx(expected, abs=0.005)


def test_poisson_counts_off_the_lattice():
    # manual of spc (pois.crit.L0L1), after Rossi, Lampugnani and Marchi 1999, Statistics in
    # Medicine 18, 2111-2122: k 0.948, h 3.832 with 12 % of the ties alarming gives 500 at mean
    # 0.52 and 7 at mean 1.563777
    assert poisson_cusum_arl(0.948, 3.832, 0.52) == pytest.approx(500.0, rel=0.005)
    assert poisson_cusum_arl(0.948, 3.832, 1.563777) == pytest.approx(7.0, rel=0.005)
    assert poisson_cusum_limit(0.948, 500.0, 0.52) == pytest.approx(3.832, abs=0.03)


def test_the_smallest_limit_of_lucas():
    # manual of spc (pois.cusum.crit): h 10 is the smallest for 430, k 0.25, mean 0.25; alarms at
    # S >= 10 are those beyond 9.75
    assert poisson_cusum_limit(0.25, 430.0, 0.25) == 9.75
