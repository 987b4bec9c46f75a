"""The contrast of two arms within strata: published figures, statsmodels, and coverage."""

import numpy as np
import pytest
import statsmodels.api as sm
from statsmodels.stats.contingency_tables import StratifiedTable

from arcdrift.arrays import Bools, Floats, Ints
from arcdrift.charts.intervals import Z95
from arcdrift.charts.stratified_contrast import Contrast, Kind, stratified_contrast

BERKELEY = [
    ((512, 825), (89, 108)),
    ((353, 560), (17, 25)),
    ((120, 325), (202, 593)),
    ((138, 417), (131, 375)),
    ((53, 191), (94, 393)),
    ((22, 373), (24, 341)),
]
"""Admitted of applicants, men and women, by department A to F (Bickel, Hammel and O'Connell 1975,
Science 187, 398-404, as in R's data set UCBAdmissions)."""


def _cells(
    rng: np.random.Generator, strata: int, clusters: int, *, day_sd: float, log_odds: float
) -> tuple[Bools, Floats, Floats, Ints, Ints, Floats]:
    """Cells of both arms in every stratum on days with effects of their own."""
    stratum = rng.integers(0, strata, clusters * 6)
    cluster = np.repeat(np.arange(clusters), 6)
    second = rng.random(len(stratum)) < np.linspace(0.2, 0.8, strata)[stratum]
    count = rng.integers(5, 20, len(stratum)).astype(float)
    # a day's own effect, and one of the arm within the day
    level = np.linspace(-3.6, -2.4, strata)[stratum] + log_odds * second
    level += day_sd * rng.standard_normal(clusters)[cluster]
    level += day_sd * rng.standard_normal((clusters, 2))[cluster, second.astype(int)]
    share = 1 / (1 + np.exp(-level))
    events = rng.binomial(count.astype(int), share).astype(float)
    return second, events, count, stratum, cluster, share


def test_published_odds_ratio() -> None:
    # R's mantelhaen.test(UCBAdmissions), whose manual uses it: common odds ratio 0.9046968,
    # 95 % interval 0.7719074 to 1.0603298, which is that of independent applicants
    rows = [
        (arm, events, count, stratum)
        for stratum, arms in enumerate(BERKELEY)
        for arm, (events, count) in enumerate(arms)
    ]
    arm, events, count, stratum = (np.array(column) for column in zip(*rows, strict=True))
    # in 40 equal parts, so that days add nothing to chance: men are the second arm
    parts = 40
    contrast = stratified_contrast(
        np.tile(arm == 0, parts),
        np.tile(events / parts, parts),
        np.tile(count / parts, parts),
        np.tile(stratum, parts),
        np.repeat(np.arange(parts), len(arm)),
        "odds",
    )
    assert contrast.estimate == pytest.approx(0.9046968, abs=1e-6)
    # normal quantile there, Student's t with 39 degrees of freedom (2.0227) here
    widened = 2.0227 / Z95
    assert np.log(contrast.high / contrast.low) == pytest.approx(
        widened * np.log(1.0603298 / 0.7719074), rel=1e-4
    )
    assert contrast.strata == 6
    assert sum(contrast.counts) == pytest.approx(4526)


@pytest.mark.parametrize("day_sd", [0.0, 0.5])
def test_agrees_with_statsmodels(day_sd: float) -> None:
    rng = np.random.default_rng(5)
    second, events, count, stratum, cluster, _ = _cells(
        rng, 6, 300, day_sd=day_sd, log_odds=np.log(1.8)
    )
    contrast = stratified_contrast(second, events, count, stratum, cluster, "odds")
    tables = [
        np.array(
            [
                [events[rows & second].sum(), (count - events)[rows & second].sum()],
                [events[rows & ~second].sum(), (count - events)[rows & ~second].sum()],
            ]
        )
        for rows in (stratum == number for number in range(6))
    ]
    published = StratifiedTable(tables)
    assert contrast.estimate == pytest.approx(published.oddsratio_pooled, rel=1e-9)
    # the variance over days against the sandwich of a logistic regression
    design = np.column_stack([second, np.eye(6)[stratum]]).astype(float)
    sd = np.log(contrast.high / contrast.low) / (2 * Z95)
    sandwich = sm.GLM(
        np.column_stack([events, count - events]), design, family=sm.families.Binomial()
    ).fit(cov_type="cluster", cov_kwds={"groups": cluster})
    # maximum likelihood instead of Mantel and Haenszel's weights: equal within a fifth of an sd
    assert np.log(contrast.estimate) == pytest.approx(sandwich.params[0], abs=0.2 * sd)
    assert sd == pytest.approx(sandwich.bse[0], rel=0.1)


def test_difference_and_ratio_of_means_agree_with_regression() -> None:
    rng = np.random.default_rng(7)
    second, _, count, stratum, cluster, _ = _cells(rng, 4, 80, day_sd=0, log_odds=0)
    mean = 1 + 0.3 * second + 0.2 * stratum
    total = count * mean + rng.normal(0, 0.1, len(count))
    difference = stratified_contrast(second, total, count, stratum, cluster, "difference")
    design = np.column_stack([second, np.eye(4)[stratum]]).astype(float)
    fit = sm.WLS(total / count, design, weights=count).fit()
    # within strata both weight by the product of the arms' counts over their sum
    assert difference.estimate == pytest.approx(fit.params[0], rel=1e-9)
    ratio = stratified_contrast(second, count * 1.3**second, count, stratum, cluster, "ratio")
    assert (ratio.estimate, ratio.low, ratio.high) == pytest.approx((1.3, 1.3, 1.3))


@pytest.mark.parametrize("kind", ["odds", "ratio", "difference"])
def test_interval_covers_the_truth(kind: Kind) -> None:
    # days of unequal quality, of which an interval of independent splices knows nothing
    rng = np.random.default_rng(11)
    covered, runs, truth = 0, 150, {"odds": 1.0, "ratio": 1.0, "difference": 0.0}[kind]
    for _ in range(runs):
        cells = _cells(rng, 4, 40, day_sd=0.4, log_odds=0.0)
        contrast = stratified_contrast(*cells[:5], kind)
        covered += contrast.low <= truth <= contrast.high
    assert 0.9 <= covered / runs <= 0.99


def has_interval(contrast: Contrast) -> bool:
    return bool(np.isfinite([contrast.low, contrast.high]).all())


def test_strata_with_one_arm_say_nothing() -> None:
    second = np.array([True, True, False, False] * 6)
    stratum = np.array([0, 1, 2, 2] * 6)
    cluster = np.repeat(np.arange(6), 4)
    ones = np.ones(24)
    contrast = stratified_contrast(second, ones, ones, stratum, cluster, "difference")
    assert not has_interval(contrast)
    assert contrast.counts == (0.0, 0.0)
    nothing = np.zeros(0)
    empty = stratified_contrast(
        nothing.astype(bool), nothing, nothing, nothing.astype(int), nothing.astype(int), "odds"
    )
    assert not has_interval(empty)


def test_no_interval_without_events_or_with_few_days() -> None:
    rng = np.random.default_rng(3)
    second, events, count, stratum, cluster, _ = _cells(rng, 2, 30, day_sd=0, log_odds=0)
    without = stratified_contrast(second, 0 * events, count, stratum, cluster, "odds")
    assert not has_interval(without)
    few = cluster < 4
    contrast = stratified_contrast(
        second[few], events[few], count[few], stratum[few], cluster[few], "odds"
    )
    assert not has_interval(contrast)
    assert contrast.clusters == 4
