"""The arc model's regression and its influence measures against published figures."""

from fractions import Fraction
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from arcdrift.analysis.arc.arc_model import ArcModel, fit_arc
from arcdrift.analysis.arc.influential_checks import deletion_diagnostics
from arcdrift.analysis.arc.pooled_regression import design, fit_known_phi, whiten

DATA = Path(__file__).parent / "data"
LONGLEY = ["GNPDEFL", "GNP", "UNEMP", "ARMED", "POP", "YEAR"]


def one_epoch(rows: int) -> np.ndarray:
    return np.zeros(rows, dtype=np.int64)


def longley() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Longley's regressors about their means and in their spreads, those spreads, employment."""
    data = pd.read_csv(DATA / "longley.csv")
    x = data[LONGLEY]
    return ((x - x.mean()) / x.std()).to_numpy(), x.std().to_numpy(), data["TOTEMP"].to_numpy()


def test_longley_certified_values() -> None:
    # NIST Statistical Reference Datasets, linear regression, Longley (higher difficulty)
    certified = {
        "GNPDEFL": (15.0618722713733, 84.9149257747669),
        "GNP": (-0.0358191792925910, 0.0334910077722432),
        "UNEMP": (-2.02022980381683, 0.488399681651699),
        "ARMED": (-1.03322686717359, 0.214274163161675),
        "POP": (-0.0511041056535807, 0.226073200069370),
        "YEAR": (1829.15146461355, 455.478499142212),
    }
    x, spread, y = longley()
    for first in (0, 3):  # a fit tells of three slopes
        order = [*range(first, 6), *range(first)]
        fit = fit_known_phi(x[:, order], y, one_epoch(16), 0.0)
        assert fit is not None
        told = fit.slopes / spread[order[:3]]
        errors = np.sqrt(np.diag(fit.cov)) / spread[order[:3]]
        value, error = np.array([certified[LONGLEY[at]] for at in order[:3]]).T
        np.testing.assert_allclose(told, value, rtol=1e-9)
        np.testing.assert_allclose(errors, error, rtol=1e-9)
        assert fit.variance == pytest.approx(92936.0061673238, rel=1e-9)


def test_longley_with_correlated_errors() -> None:
    # R's nlme: gls(Employed ~ GNP + Population, correlation = corAR1(form = ~Year)), printed in
    # Faraway, Linear Models with R (2005), section 6.1; from memory, in millions and billions
    data = pd.read_csv(DATA / "longley.csv")
    x = data[["GNP", "POP"]].to_numpy() / 1000
    fit = fit_known_phi(x, data["TOTEMP"].to_numpy() / 1000, one_epoch(16), 0.6441692)
    assert fit is not None
    assert fit.slopes == pytest.approx([0.07207, -0.54851, 101.85813], abs=5e-6)
    assert np.sqrt(np.diag(fit.cov)) == pytest.approx([0.010606, 0.154130, 14.198932], abs=5e-7)
    assert np.sqrt(fit.variance) == pytest.approx(0.689207, abs=5e-7)


def test_norris_certified_values() -> None:
    # NIST Statistical Reference Datasets, linear regression, Norris (lower difficulty)
    data = pd.read_csv(DATA / "norris_strd.csv")
    x, y = data[["x"]].to_numpy(), data["y"].to_numpy()
    fit = fit_known_phi(x, y, one_epoch(len(y)), 0.0)
    assert fit is not None
    assert fit.slopes == pytest.approx([1.00211681802045, -0.262323073774029], rel=1e-8)
    errors = np.sqrt(np.diag(fit.cov))
    assert errors == pytest.approx([0.000429796848199937, 0.232818234301152], rel=1e-8)
    assert np.sqrt(fit.variance) == pytest.approx(0.884796396144373, rel=1e-8)


def test_an_instrument_with_its_air_is_fitted_exactly() -> None:
    """Twelve ozone calibrations with temperature and pressure, through the whole arc model.

    Data: NIST, NORRIS ozone monitors (public repository usnistgov/dataplot). NIST prints no fit
    of all three columns, so the reference is the least squares solution in exact fractions.
    """
    data = pd.read_csv(DATA / "nist_ozone_with_air.csv", dtype=str)
    columns = ["guest", "temp_C", "pres_hPa"]
    exact = exact_least_squares(data[columns], data["nist"])
    numbers = data.astype(float)
    points = pd.DataFrame(
        {
            "epoch": 0,
            "arc_setting": numbers["nist"],
            "air_density": numbers["guest"],
            "vapor_pressure": numbers["temp_C"],
            "arcs": numbers["pres_hPa"],
            "room_density": np.nan,
            "excluded": None,
        }
    )
    model, fitted = fit_arc("guest monitor", points, "ppb", None, 0.0)
    assert isinstance(model, ArcModel)
    per = np.array([1.0, 1.0, 1000.0])  # slopes are told per thousand arcs
    np.testing.assert_allclose(model.mean[:3], np.array(exact[:3], dtype=float) * per, rtol=1e-7)
    values = numbers[columns].to_numpy() @ np.array(exact[:3], dtype=float) + float(exact[3])
    np.testing.assert_allclose(fitted, values, atol=1e-6)
    residual = numbers["nist"] - values
    assert model.sigma == pytest.approx(np.sqrt((residual**2).sum() / 8), rel=1e-8)


def exact_least_squares(x: pd.DataFrame, y: pd.Series) -> list[Fraction]:
    """Slopes and intercept by Gauss-Jordan elimination of the normal equations in fractions."""
    rows = [[*map(Fraction, row), Fraction(1)] for row in x.to_numpy()]
    right = [Fraction(value) for value in y]
    size = len(rows[0])
    table = [
        [sum((row[i] * row[j] for row in rows), Fraction()) for j in range(size)]
        + [sum((row[i] * value for row, value in zip(rows, right, strict=True)), Fraction())]
        for i in range(size)
    ]
    for i in range(size):
        table[i] = [cell / table[i][i] for cell in table[i]]
        for j in range(size):
            if j != i:
                table[j] = [a - table[j][i] * b for a, b in zip(table[j], table[i], strict=True)]
    return [row[-1] for row in table]


def test_robust_errors_that_ours_are_compared_with() -> None:
    """Newey-West errors (Bartlett weights), which the arc model does not use.

    They stand in a comparison of intervals (tests/analysis/test_pooled_slopes.py); here the same
    call gives the published figures on rows our own design and whitening hand over.
    """
    # Stata ivreg2, bw(5), with and without small-sample factor; statsmodels test suite
    data = pd.read_csv(DATA / "macro_growth.csv")
    small, large = robust(data[["g_gdp", "realint_lag"]], data["g_inv"], 4)
    assert small == pytest.approx([0.33125645, 0.29582348, 1.18593381], abs=1e-7)
    assert large == pytest.approx([0.32878742, 0.29361855, 1.17709443], abs=1e-7)
    # data Greene (1993), Econometric Analysis, table 15.1; R's sandwich 3.0-2, lag 4
    data = pd.read_csv(DATA / "greene_investment.csv").dropna()
    small, large = robust(data[["RealGNP", "RealInt"]], data["RealInv"], 4)
    assert large == pytest.approx([0.016750786, 3.342375, 18.958298], abs=5e-7)
    assert small == pytest.approx([0.018253746, 3.642269, 20.659326], abs=5e-7)


def robust(x: pd.DataFrame, y: pd.Series, lags: int) -> tuple[np.ndarray, np.ndarray]:
    """Newey-West standard errors with and without the small-sample factor."""
    epoch = one_epoch(len(y))
    full = whiten(design(x.to_numpy(), epoch, 1), epoch, 0.0)
    result = sm.OLS(whiten(y.to_numpy()[:, None], epoch, 0.0)[:, 0], full).fit()
    small, large = (
        result.get_robustcov_results("HAC", maxlags=lags, use_correction=factor).bse
        for factor in (True, False)
    )
    return small, large


def test_influence_of_each_row_as_r_tells_it() -> None:
    # R's ls.diag and influence.measures on US growth of investment, 1959-2009; statsmodels tests
    data = pd.read_csv(DATA / "macro_growth.csv")
    epoch = one_epoch(len(data))
    full = design(data[["g_gdp", "realint_lag"]].to_numpy(), epoch, 1)
    told = deletion_diagnostics(full, data["g_inv"].to_numpy(), epoch, 0.0, None)
    np.testing.assert_allclose(told.leverage, data["hat"], rtol=1e-9)
    np.testing.assert_allclose(told.studentized, data["stud_res"], rtol=1e-9)
    np.testing.assert_allclose(told.cooks_distance, data["cooks"], rtol=1e-9)
    np.testing.assert_allclose(told.dffits, data["dfits"], rtol=1e-9)


def test_cooks_distance_on_longley() -> None:
    # Cook (1977), Technometrics 19, 15-18, table 1: the five largest, from memory
    x, _, y = longley()
    told = deletion_diagnostics(design(x, one_epoch(16), 1), y, one_epoch(16), 0.0, None)
    year = 1947 + np.argsort(-told.cooks_distance)[:5]
    assert year.tolist() == [1951, 1962, 1950, 1956, 1961]
    assert -np.sort(-told.cooks_distance)[:5] == pytest.approx(
        [0.61, 0.47, 0.24, 0.24, 0.17], abs=0.006
    )
