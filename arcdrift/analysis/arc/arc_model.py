"""What the air, the electrodes' wear and the splicer itself did to one splicer's arc setting."""

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.stats import t as student
from statsmodels.regression.linear_model import OLS

from arcdrift.analysis.arc.arc_drift import usable
from arcdrift.analysis.arc.arc_points import REGRESSORS
from arcdrift.analysis.arc.indoor_mixture import Checks, lost_information
from arcdrift.analysis.arc.pooled_regression import (
    MODEL_SPREAD_FLOOR,
    SLOPES,
    Fit,
    Prior,
    crew_prior,
    design,
    whiten,
)
from arcdrift.arrays import Floats, Ints
from arcdrift.charts.intervals import CONFIDENCE_LEVEL

SPARE_CHECKS = 8
"""Checks wanted beyond the number of coefficients before a regression is shown."""
EFFECT_UNITS = {
    "air_density": ("air density", "per 0.01 kg/m³", 0.01),
    "vapor_pressure": ("water vapor pressure", "per hPa", 1.0),
    "arcs": ("electrode wear", "per 1000 arcs", 1.0),
}


@dataclass(frozen=True)
class Effect:
    """One effect on the arc setting with its 95 % interval, in setting units ``per``."""

    name: str
    label: str
    per: str
    value: float
    low: float
    high: float
    vif: float | None


@dataclass(frozen=True)
class ArcModel:
    """Regression of one splicer's arc setting.

    Attributes
    ----------
    effects : tuple of Effect
        This splicer's own checks alone, errors AR(1).
    air_span : Effect
        Joint effect of density and vapor pressure between the 5th and 95th percentile of the air
        this splicer met: the two cannot be told apart well at one site, their sum can.
    pooled : tuple of Effect
        The same effects after borrowing from sister splicers; empty when there are none.
    borrowed : float
        Share of the information on the air effect that came from sisters, 0 to 1.
    lent : tuple
        The sisters' slopes alone (kg/m3, hPa, 1000 arcs); empty when there are none.
    mean, cov : tuple
        Slopes (kg/m3, hPa, 1000 arcs about the references of `center_air`) and the present
        epoch's intercept: what advice is computed from.
    sigma, phi : float
        Marginal residual sd (setting units: the repeatability of a check) and lag-1 correlation.
    ranges : dict
        Smallest and largest air density, vapor pressure and arcs used.
    open_air, in_rooms : float
        Checks whose reading, a weather station's, leaves open whether they were made in a heated
        room, and how many of them were, to expect.
    """

    splicer: str
    unit: str
    checks: int
    used: int
    excluded: dict[str, int]
    epochs: int
    effects: tuple[Effect, ...]
    air_span: Effect
    pooled: tuple[Effect, ...]
    sisters: int
    borrowed: float
    lent: tuple[float, ...]
    mean: tuple[float, ...]
    cov: tuple[tuple[float, ...], ...]
    sigma: float
    phi: float
    ranges: dict[str, tuple[float, float]]
    open_air: int = 0
    in_rooms: float = 0.0
    level: float = CONFIDENCE_LEVEL

    def to_json(self) -> dict[str, Any]:
        """Plain numbers for the store."""
        return asdict(self)

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> "ArcModel":
        """Rebuild a model from the store."""
        values = dict(data)
        values["effects"] = tuple(Effect(**row) for row in data["effects"])
        values["pooled"] = tuple(Effect(**row) for row in data["pooled"])
        values["air_span"] = Effect(**data["air_span"])
        values["mean"] = tuple(data["mean"])
        values["lent"] = tuple(data["lent"])
        values["cov"] = tuple(tuple(row) for row in data["cov"])
        values["ranges"] = {name: tuple(pair) for name, pair in data["ranges"].items()}
        return cls(**values)


@dataclass(frozen=True)
class Refusal:
    """Why there is no model, in a sentence."""

    splicer: str
    checks: int
    used: int
    reason: str


def known_fit(points: pd.DataFrame, phi: float) -> Fit | None:
    """Fit of one splicer for its sisters to borrow from; None when it cannot be had."""
    return Checks.of(usable(points)).fit(phi)


def fit_arc(
    splicer: str, points: pd.DataFrame, unit: str, sisters: list[Fit], phi: float
) -> tuple[ArcModel | Refusal, pd.Series]:
    """Fit one splicer.

    Parameters
    ----------
    points : DataFrame
        From `arcdrift.analysis.arc.arc_points.arc_points`, this splicer only.
    unit : str
        Unit of its arc setting.
    sisters : list of Fit
        Splicers of the same model and unit, this one left out.
    phi : float
        Lag-1 correlation of checks, pooled over those splicers.

    Returns
    -------
    model : ArcModel or Refusal
    fitted : Series
        Fitted setting by row of ``points``; NaN where not used or refused.

    Notes
    -----
    Generalized least squares: statsmodels OLS of rows whitened for AR(1) within each epoch
    (Prais and Winsten 1954, from memory). The correlation is the crew's: estimated from one
    splicer's checks alone it comes out too small, and intervals of the required setting then
    held .92 of the time where those with the crew's held .946. Checks that may have been made in
    a heated room count with the air to expect (`arcdrift.analysis.arc.indoor_mixture`).
    """
    fitted = pd.Series(np.nan, index=points.index)
    used = usable(points)
    epochs = used["epoch"].nunique()
    needed = SLOPES + epochs + SPARE_CHECKS
    reason = _cannot(points, used, needed)
    if reason is not None:
        return Refusal(splicer, len(points), len(used), reason), fitted
    checks = Checks.of(used)
    x, codes = checks.expected, checks.epoch
    full = design(x, codes, epochs)
    if np.linalg.cond(full / np.sqrt((full**2).sum(axis=0))) > 1e5:
        sentence = "air and wear moved together in every check so far, so they cannot be separated"
        return Refusal(splicer, len(points), len(used), sentence), fitted
    beta, cov, sigma = _regression(checks, full, phi)
    half = float(student.ppf(0.5 + CONFIDENCE_LEVEL / 2, len(used) - full.shape[1])) * np.sqrt(
        np.diag(cov)
    )
    fitted.loc[used.index] = full @ beta
    vif = _inflation(x, codes)
    own_keep = [*range(SLOPES), SLOPES + epochs - 1]
    mean, covariance = beta[own_keep], cov[np.ix_(own_keep, own_keep)]
    prior = crew_prior(sisters, MODEL_SPREAD_FLOOR)
    met = {name: used[name].to_numpy(dtype=float) for name in REGRESSORS}
    own, df = covariance, len(used) - full.shape[1]
    borrowed = 0.0
    if prior is not None:
        mean, covariance, borrowed = _combine(mean, covariance, prior)
    model = ArcModel(
        splicer=splicer,
        unit=unit,
        checks=len(points),
        used=len(used),
        excluded={str(k): int(v) for k, v in points["excluded"].value_counts().items()},
        epochs=epochs,
        effects=tuple(
            _effect(name, beta[j], beta[j] - half[j], beta[j] + half[j], vif[j])
            for j, name in enumerate(REGRESSORS)
        ),
        air_span=_air_span(x, mean, covariance, own, prior, df),
        pooled=() if prior is None else _pooled_effects(mean, covariance, own, prior, df),
        sisters=0 if prior is None else prior.sisters,
        borrowed=borrowed,
        lent=() if prior is None else tuple(float(value) for value in prior.mean),
        mean=tuple(float(value) for value in mean),
        cov=tuple(tuple(float(value) for value in row) for row in covariance),
        sigma=sigma,
        phi=phi,
        ranges={name: (float(seen.min()), float(seen.max())) for name, seen in met.items()},
        open_air=int((checks.step != 0).sum()),
        in_rooms=float(checks.heated.sum()),
    )
    return model, fitted


def _regression(checks: Checks, full: Floats, phi: float) -> tuple[Floats, Floats, float]:
    """Coefficients, their covariance and the residual sd of generalized least squares."""
    wx = whiten(full, checks.epoch, phi)
    wy = whiten(checks.y[:, None], checks.epoch, phi)[:, 0]
    loose = float(checks.unsure.sum())
    if loose > 0:
        # the variance of the density to expect, as one more row, keeps its effect from growing
        extra = np.zeros((1, full.shape[1]))
        extra[0, 0] = np.sqrt(loose * (1 + phi**2))
        wx, wy = np.vstack([wx, extra]), np.append(wy, 0.0)
    result = OLS(wy, wx).fit()
    beta, cov = np.asarray(result.params), np.asarray(result.cov_params())
    residual = checks.y - full @ beta
    squares = float(residual @ residual) + loose * float(beta[0]) ** 2
    sigma = float(np.sqrt(squares / (len(checks.y) - full.shape[1])))
    if loose > 0:
        left = np.linalg.inv(cov) - lost_information(checks, beta, sigma)
        if np.linalg.eigvalsh(left)[0] > 0:
            cov = np.linalg.inv(left).astype(np.float64)
    return beta, cov, sigma


def _cannot(points: pd.DataFrame, used: pd.DataFrame, needed: int) -> str | None:
    if len(used) >= needed:
        return None
    text = f"only {len(used)} usable checks; a model of this splicer needs {needed}"
    lost = points["excluded"].value_counts()
    if len(lost):
        text += " (" + ", ".join(f"{count} have {why}" for why, count in lost.items()) + ")"
    return text


def _inflation(x: Floats, epoch: Ints) -> list[float]:
    """Variance inflation of each slope, about the epochs' own means."""
    count = np.bincount(epoch)[:, None]
    means = np.column_stack([np.bincount(epoch, column) for column in x.T]) / count
    correlation = np.corrcoef(x - means[epoch], rowvar=False)
    return [float(value) for value in np.diag(np.linalg.inv(correlation))]


def _effect(name: str, value: float, low: float, high: float, vif: float | None) -> Effect:
    label, per, scale = EFFECT_UNITS[name]
    ends = sorted((low * scale, high * scale))
    return Effect(name, label, per, float(value * scale), float(ends[0]), float(ends[1]), vif)


def _half_width(variance: Floats, own: Floats, prior: Prior | None, df: int) -> Floats:
    """Half width of 95 % intervals after borrowing.

    The spread between a handful of sisters is itself an estimate: Student's t, its degrees of
    freedom those of both variances by the share each has in the information (Satterthwaite 1946,
    from memory). It tells where much is borrowed; where the own checks are many it changes little.
    """
    lent = 0.0 if prior is None else 1.0 - variance / own
    sisters = np.inf if prior is None else max(prior.sisters - 1, 1)
    freedom = 1.0 / (lent**2 / sisters + (1.0 - lent) ** 2 / df)
    return np.asarray(student.ppf(0.5 + CONFIDENCE_LEVEL / 2, freedom) * np.sqrt(variance))


def _pooled_effects(
    mean: Floats, cov: Floats, own: Floats, prior: Prior, df: int
) -> tuple[Effect, ...]:
    half = _half_width(np.diag(cov), np.diag(own), prior, df)
    return tuple(
        _effect(name, mean[j], mean[j] - half[j], mean[j] + half[j], None)
        for j, name in enumerate(REGRESSORS)
    )


def air_step(x: Floats, mean: Floats) -> Floats:
    """Density and vapor at one end of the air seen less those at the other, shape (2,)."""
    air = x[:, :2]
    move = air @ mean[:2]
    low_at, high_at = np.argsort(move)[[int(0.05 * (len(move) - 1)), int(0.95 * (len(move) - 1))]]
    return np.asarray(air[high_at] - air[low_at])


def _air_span(
    x: Floats, mean: Floats, cov: Floats, own: Floats, prior: Prior | None, df: int
) -> Effect:
    """Change of setting from one end of the air seen to the other, density and vapor together."""
    step = air_step(x, mean)
    value = float(step @ mean[:2])
    now, alone = (np.asarray(step @ part[:2, :2] @ step) for part in (cov, own))
    half = float(_half_width(now, alone, prior, df))
    return Effect(
        "air",
        "air, both effects together",
        "across the air seen",
        value,
        value - half,
        value + half,
        None,
    )


def _combine(mean: Floats, cov: Floats, prior: Prior) -> tuple[Floats, Floats, float]:
    """Own estimate and the sisters' prior, each weighed by its precision."""
    own = np.linalg.inv(cov)
    lent = np.zeros_like(own)
    lent[:SLOPES, :SLOPES] = np.linalg.inv(prior.cov)
    total = own + lent
    posterior = np.linalg.inv(total)
    pull = own @ mean
    pull[:SLOPES] += lent[:SLOPES, :SLOPES] @ prior.mean
    own_air = np.linalg.inv(cov[:2, :2])
    lent_air = np.linalg.inv(prior.cov[:2, :2])
    share = float(np.trace(lent_air @ np.linalg.inv(own_air + lent_air)) / 2)
    return posterior @ pull, posterior, share
