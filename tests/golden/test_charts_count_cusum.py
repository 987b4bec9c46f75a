"""CUSUMs of counts against published tables, another program's figures, and closed forms."""

import pytest

from arcdrift.charts.count_cusum import count_cusum_arl, count_cusum_limit

# Lucas and the programs after him alarm at S >= h, this package beyond it.
JUST_BELOW = 1e-6


@pytest.mark.parametrize(("head_start", "printed"), [(0.0, 438), (5.0, 333)])
def test_poisson_counts_as_lucas_printed_them(head_start, printed):
    # Lucas 1985, Technometrics 27, 129-144, Tables 2 and 3, k 0.25, h 10, mean 0.25, as quoted
    # in the manual of the R package spc (pois.cusum.arl)
    arl = count_cusum_arl(0.25, 10.0 - JUST_BELOW, 0.25, head_start=head_start)
    assert arl == pytest.approx(printed, abs=0.5)


@pytest.mark.parametrize(
    ("mean", "head_start", "expected"),
    [
        (1.88, 0.0, 37.20),
        (1.88, 3.0, 29.19),
        (1.88 + 0.9627 * 1.88**0.5, 0.0, 5.49),
        (1.88 + 0.9627 * 1.88**0.5, 3.0, 3.33),
    ],
)
def test_poisson_counts_as_another_program_gives_them(mean, head_start, expected):
    # R package IAcsSPCR 1.2.1, example of arl(h=6, k=2, lambda=1.88), with its printed output
    arl = count_cusum_arl(2.0, 6.0 - JUST_BELOW, mean, head_start=head_start)
    assert arl == pytest.approx(expected, abs=0.005)


def test_poisson_counts_off_the_lattice():
    # manual of spc (pois.crit.L0L1), after Rossi, Lampugnani and Marchi 1999, Statistics in
    # Medicine 18, 2111-2122: k 0.948, h 3.832 with 12 % of the ties alarming gives 500 at mean
    # 0.52 and 7 at mean 1.563777
    assert count_cusum_arl(0.948, 3.832, 0.52) == pytest.approx(500.0, rel=0.005)
    assert count_cusum_arl(0.948, 3.832, 1.563777) == pytest.approx(7.0, rel=0.005)
    assert count_cusum_limit(0.948, 500.0, 0.52) == pytest.approx(3.832, abs=0.03)


def test_the_smallest_limit_of_lucas():
    # manual of spc (pois.cusum.crit): h 10 is the smallest for 430, k 0.25, mean 0.25; alarms at
    # S >= 10 are those beyond 9.75
    assert count_cusum_limit(0.25, 430.0, 0.25) == 9.75


@pytest.mark.parametrize("p", [0.02, 0.1, 0.5])
def test_single_items_in_closed_form(p):
    # waiting times of patterns (Feller 1968, An Introduction to Probability Theory I, XIII.7):
    # one; two in a row; two within three items
    one = count_cusum_arl(0.5, 0.0, p, size=1)
    assert one == pytest.approx(1.0 / p)
    assert count_cusum_arl(0.5, 0.75, p, size=1) == pytest.approx((1.0 + p) / p**2)
    twice = (1.0 / p + 2.0 - p) / (1.0 - (1.0 - p) ** 2)
    assert count_cusum_arl(1.0 / 3.0, 0.9, p, size=1) == pytest.approx(twice)
