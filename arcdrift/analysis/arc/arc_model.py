"""Regression of one splicer's arc setting on air density, vapor pressure and electrode wear."""

from collections import Counter
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from arcdrift.analysis.arc.arc_points import NO_ARC_COUNT, REGRESSORS
from arcdrift.analysis.arc.arc_regressors import usable
from arcdrift.analysis.arc.indoor_checks import PRIOR_COLD_CHECKS, PRIOR_SHARE
from arcdrift.analysis.arc.indoor_mixture import Checks, lost_information
from arcdrift.analysis.arc.level_moves import ServiceMove
from arcdrift.analysis.arc.pooled_regression import (
    MODEL_SPREAD_FLOOR,
    SLOPES,
    Fits,
    Prior,
    empirical_bayes_prior,
    whiten,
)
from arcdrift.arrays import Floats
from arcdrift.charts.intervals import CONFIDENCE_LEVEL
from arcdrift.wording import count_text

SPARE_CHECKS = 8
"""Checks required beyond the number of coefficients before a regression is shown."""
DEFAULT_TOLERANCE = 3.0
"""Tolerated error of a setting in repeatabilities of a check, if crew.toml sets none."""
WELL_CONDITIONED = 1e3
"""Condition number below which the normal equations keep ten digits."""
EFFECT_UNITS = {
    "air_density": ("air density", "per 0.01 kg/m³", 0.01),
    "vapor_pressure": ("water vapor pressure", "per hPa", 1.0),
    "arcs": ("electrode wear", "per 1000 arcs", 1.0),
}


JSON_KEYS = {
    "peers": "sisters",
    "pooling_weight": "borrowed",
    "peer_slopes": "lent",
    "ambiguous_checks": "open_air",
    "expected_indoor": "in_rooms",
}
"""Keys in stored JSON that differ from the attributes of `ArcModel`; scripts may rely on them."""


@dataclass(frozen=True)
class Effect:
    """One effect on the arc setting with its 95 % interval, in setting units per ``per``."""

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
        at this splicer's checks: at one site the two are hard to separate, their sum is not.
    pooled : tuple of Effect
        The same effects after partial pooling with peers (splicers of the same model and setting
        unit); empty when there are none.
    peers : int
        Number of those splicers.
    pooling_weight : float
        Share of the information on the air effect that came from peers, 0 to 1.
    peer_slopes : tuple
        The peers' slopes alone (per kg/m3, hPa, 1000 arcs); empty when there are none.
    mean, cov : tuple
        Slopes (per kg/m3, hPa, 1000 arcs about the references of `center_air`) and the present
        level, with their covariance: advice is computed from these.
    epochs : int
        Levels fitted: one for each pair of electrodes, and the bends of unexplained changes.
    sigma, phi : float
        Marginal residual sd (setting units: the repeatability of a check) and lag-1 correlation.
    ranges : dict
        Smallest and largest air density, vapor pressure and arcs used.
    ambiguous_checks : int
        Checks with a weather station's reading only, which may have been made in a heated room.
    expected_indoor : float
        Expected number of those that were.
    indoor_share : float
        Probability that such a check is made in a heated room: the splicer's own share, shrunk
        toward that of its peers.
    change_checks : int
        Checks of unexplained changes, which are terms of their own. A change slower than the
        chart can see (.05 repeatabilities a check, simulated) is taken for wear in part: the 95 %
        interval of wear then held the truth in .81.
    service_moves : tuple of ServiceMove
        How far service moves the setting of this model, in this splicer's unit.
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
    peers: int
    pooling_weight: float
    peer_slopes: tuple[float, ...]
    mean: tuple[float, ...]
    cov: tuple[tuple[float, ...], ...]
    sigma: float
    phi: float
    ranges: dict[str, tuple[float, float]]
    ambiguous_checks: int = 0
    expected_indoor: float = 0.0
    indoor_share: float = PRIOR_SHARE
    change_checks: int = 0
    service_moves: tuple[ServiceMove, ...] = ()
    level: float = CONFIDENCE_LEVEL

    @property
    def degrees_of_freedom(self) -> int:
        """Degrees of freedom of ``sigma``: checks less coefficients."""
        return self.used - SLOPES - self.epochs

    def to_json(self) -> dict[str, Any]:
        """Convert to plain numbers for the store."""
        return {JSON_KEYS.get(key, key): value for key, value in asdict(self).items()}

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> "ArcModel":
        """Rebuild a model from the store."""
        keys = {name: JSON_KEYS.get(name, name) for name in cls.__dataclass_fields__}
        values = {name: data[key] for name, key in keys.items() if key in data}
        values["effects"] = tuple(Effect(**row) for row in data["effects"])
        values["pooled"] = tuple(Effect(**row) for row in data["pooled"])
        values["air_span"] = Effect(**data["air_span"])
        values["mean"] = tuple(data["mean"])
        values["peer_slopes"] = tuple(values["peer_slopes"])
        values["cov"] = tuple(tuple(row) for row in data["cov"])
        values["service_moves"] = tuple(
            ServiceMove(**move) for move in values.get("service_moves", ())
        )
        values["ranges"] = {name: tuple(pair) for name, pair in data["ranges"].items()}
        return cls(**values)


@dataclass(frozen=True)
class PeerSlopes:
    """What the peers of a splicer without a model of its own tell of it.

    Attributes
    ----------
    mean, cov : tuple
        Their slopes (per kg/m3, hPa, 1000 arcs) and the covariance of another splicer's slopes.
    sigma : float
        Repeatability of a check of theirs, in the unit of the setting.
    peers : int
    ranges : dict
        Smallest and largest air density and vapor pressure at their checks.
    """

    mean: tuple[float, ...]
    cov: tuple[tuple[float, ...], ...]
    sigma: float
    peers: int
    ranges: dict[str, tuple[float, float]]

    @classmethod
    def of(cls, peers: Fits, points: pd.DataFrame) -> "PeerSlopes | None":
        """Return the slopes of peers; None where they are too few to tell of another splicer.

        Parameters
        ----------
        points : DataFrame
            The checks that the peers' fits used.
        """
        prior = empirical_bayes_prior(peers, MODEL_SPREAD_FLOOR)
        if prior is None:
            return None
        variance = float(peers.n @ peers.variance / peers.n.sum())
        return cls(
            mean=tuple(map(float, prior.mean)),
            cov=tuple(tuple(map(float, row)) for row in prior.cov),
            sigma=float(np.sqrt(variance)),
            peers=prior.peers,
            ranges={
                name: (float(points[name].min()), float(points[name].max()))
                for name in REGRESSORS[:2]
            },
        )

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> "PeerSlopes":
        """Rebuild them from the store."""
        return cls(
            mean=tuple(data["mean"]),
            cov=tuple(tuple(row) for row in data["cov"]),
            sigma=float(data["sigma"]),
            peers=int(data["peers"]),
            ranges={name: tuple(pair) for name, pair in data["ranges"].items()},
        )


@dataclass(frozen=True)
class Refusal:
    """Reason, as a sentence, why there is no model, and what peers tell in its place."""

    splicer: str
    checks: int
    used: int
    reason: str
    peer_slopes: PeerSlopes | None = None


def fit_arc(
    splicer: str,
    points: pd.DataFrame,
    unit: str,
    prior: Prior | None,
    phi: float,
    peers_indoor_share: float = PRIOR_SHARE,
    checks: Checks | None = None,
) -> tuple[ArcModel | Refusal, pd.Series]:
    """Fit the arc model of one splicer.

    Parameters
    ----------
    points : DataFrame
        From `arcdrift.analysis.arc.arc_points.arc_points`, this splicer only.
    unit : str
        Unit of its arc setting.
    prior : Prior, optional
        What splicers of the same model and unit tell of its slopes, this one left out.
    phi : float
        Lag-1 correlation of checks, pooled over those splicers.
    peers_indoor_share : float
        Share of indoor checks of all splicers of the model
        (`arcdrift.analysis.arc.indoor_mixture.crew_indoor_share`).
    checks : Checks, optional
        The usable points, where they have been built.

    Returns
    -------
    model : ArcModel or Refusal
    fitted : Series
        Fitted setting by row of ``points``; NaN where not used or refused.

    Notes
    -----
    Generalized least squares: least squares of rows whitened for AR(1) within each epoch (Prais and
    Winsten 1954, from memory), by statsmodels' OLS where the design is nearly singular. The
    correlation is the crew's: estimated from one splicer's checks alone it comes out too small, and
    intervals of the required setting then covered .92 where those with the crew's covered .946. An
    unexplained change found by the drift chart is a term of its own
    (`arcdrift.analysis.arc.arc_levels.level_basis`), so that wear and air are estimated without it
    and the present level with it. Checks that may have been made in a heated room enter with the
    expected air (`arcdrift.analysis.arc.indoor_mixture`).
    """
    fitted = np.full(len(points), np.nan)
    included = points["excluded"].isna().to_numpy()
    if checks is None and included.any():
        checks = Checks.from_points(usable(points))
    used = int(included.sum())
    epochs = 0 if checks is None else checks.levels.shape[1]
    reason = _too_few_checks(points, used, SLOPES + epochs + SPARE_CHECKS)
    if checks is None or reason:
        return Refusal(splicer, len(points), used, reason), pd.Series(fitted, points.index)
    x = checks.expected_regressors
    full = checks.design(x)
    condition = float(np.linalg.cond(full / np.sqrt((full**2).sum(axis=0))))
    if condition > 1e5:
        sentence = "air and wear moved together in every check so far, so they cannot be separated"
        return Refusal(splicer, len(points), used, sentence), pd.Series(fitted, points.index)
    beta, cov, sigma = _regression(checks, full, phi, condition)
    df = used - full.shape[1]
    half = float(stdtrit(df, 0.5 + CONFIDENCE_LEVEL / 2)) * np.sqrt(np.diag(cov))
    fitted[included] = full @ beta
    vif = _variance_inflation(x, checks.levels)
    model_columns = [*range(SLOPES), SLOPES + epochs - 1]
    mean, covariance = beta[model_columns], cov[np.ix_(model_columns, model_columns)]
    ambiguous_checks, expected_indoor = int((checks.step != 0).sum()), float(checks.heated.sum())
    observed = {name: points[name].to_numpy(dtype=np.float64)[included] for name in REGRESSORS}
    own_cov, pooling_weight = covariance, 0.0
    if prior is not None:
        mean, covariance, pooling_weight = _combine(mean, covariance, prior)
    model = ArcModel(
        splicer=splicer,
        unit=unit,
        checks=len(points),
        used=used,
        excluded=_excluded_counts(points),
        epochs=epochs,
        effects=tuple(
            _effect(name, beta[j], beta[j] - half[j], beta[j] + half[j], vif[j])
            for j, name in enumerate(REGRESSORS)
        ),
        air_span=_air_span(x, mean, covariance, own_cov, prior, df),
        pooled=() if prior is None else _pooled_effects(mean, covariance, own_cov, prior, df),
        peers=0 if prior is None else prior.peers,
        pooling_weight=pooling_weight,
        peer_slopes=() if prior is None else tuple(float(value) for value in prior.mean),
        mean=tuple(float(value) for value in mean),
        cov=tuple(tuple(float(value) for value in row) for row in covariance),
        sigma=sigma,
        phi=phi,
        ranges={
            name: (float(values.min()), float(values.max())) for name, values in observed.items()
        },
        ambiguous_checks=ambiguous_checks,
        expected_indoor=expected_indoor,
        change_checks=int(checks.changed.sum()),
        indoor_share=(PRIOR_COLD_CHECKS * peers_indoor_share + expected_indoor)
        / (PRIOR_COLD_CHECKS + ambiguous_checks),
    )
    return model, pd.Series(fitted, points.index)


def _regression(
    checks: Checks, full: Floats, phi: float, condition: float
) -> tuple[Floats, Floats, float]:
    """Coefficients, their covariance and the residual sd of generalized least squares.

    Parameters
    ----------
    condition : float
        Condition number of the design, columns scaled to length 1.
    """
    wx = whiten(full, checks.epoch, phi)
    wy = whiten(checks.y[:, None], checks.epoch, phi)[:, 0]
    added = float(checks.density_variance.sum())
    if added > 0:
        # the density is uncertain; without this extra row its effect would be overestimated
        extra = np.zeros((1, full.shape[1]))
        extra[0, 0] = np.sqrt(added * (1 + phi**2))
        wx, wy = np.vstack([wx, extra]), np.append(wy, 0.0)
    solve = _normal_equations if condition < WELL_CONDITIONED else _pseudo_inverse
    beta, cov = solve(wx, wy)
    residual = checks.y - full @ beta
    squares = float(residual @ residual) + added * float(beta[0]) ** 2
    sigma = float(np.sqrt(squares / (len(checks.y) - full.shape[1])))
    if added > 0:
        information = np.linalg.inv(cov) - lost_information(checks, beta, sigma)
        if np.linalg.eigvalsh(information)[0] > 0:
            cov = np.linalg.inv(information).astype(np.float64)
    return beta, cov, sigma


def _normal_equations(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Coefficients of least squares and their covariance."""
    # columns of length 1, as air densities and vapor pressures differ by orders of magnitude
    length = np.sqrt((x**2).sum(axis=0))
    scaled = x / length
    inverse = np.linalg.inv(scaled.T @ scaled)
    beta = inverse @ (scaled.T @ y)
    residual = y - scaled @ beta
    beta += inverse @ (scaled.T @ residual)  # once refined, it has the digits of an orthogonal fit
    residual = y - scaled @ beta
    variance = float(residual @ residual) / (len(y) - x.shape[1])
    return beta / length, variance * inverse / np.outer(length, length)


def _pseudo_inverse(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """The same of columns that nearly depend on each other, of which squares lose the digits."""
    # loaded here, because few designs need it
    from statsmodels.regression.linear_model import OLS

    result = OLS(y, x).fit()
    return np.asarray(result.params), np.asarray(result.cov_params())


def _excluded_counts(points: pd.DataFrame) -> dict[str, int]:
    """Number of checks by the reason why they are not used, the most frequent first."""
    excluded = points["excluded"].array
    return dict(Counter(map(str, excluded[~excluded.isna()])).most_common())


def _too_few_checks(points: pd.DataFrame, used: int, needed: int) -> str:
    """Sentence saying that a model needs more checks; empty if there are enough."""
    if used >= needed:
        return ""
    usable = f"only {count_text(used, 'usable check')}" if used else "no usable check"
    text = f"{usable}; a model of this splicer needs {needed}"
    excluded = _excluded_counts(points)
    if excluded:
        counts = (
            f"{count_text(count, 'check')} {'has' if count == 1 else 'have'} {reason}"
            for reason, count in excluded.items()
        )
        text += f" ({', '.join(counts)})"
    if NO_ARC_COUNT in excluded:
        text += "; log the arc count with each check"
    return text


def _variance_inflation(regressors: Floats, levels: Floats) -> list[float]:
    """Variance inflation factor of each slope, regressors less what the levels explain."""
    explained = levels @ np.linalg.lstsq(levels, regressors, rcond=None)[0]
    correlation = np.corrcoef(regressors - explained, rowvar=False)
    return [float(value) for value in np.diag(np.linalg.inv(correlation))]


def _effect(name: str, value: float, low: float, high: float, vif: float | None) -> Effect:
    label, per, scale = EFFECT_UNITS[name]
    ends = sorted((low * scale, high * scale))
    return Effect(name, label, per, float(value * scale), float(ends[0]), float(ends[1]), vif)


def _half_width(variance: Floats, own_variance: Floats, prior: Prior | None, own_df: int) -> Floats:
    """Half width of 95 % intervals after pooling.

    The spread between a handful of peers is itself an estimate, hence Student's t. Its degrees of
    freedom combine those of both variances by the share each has in the information
    (Satterthwaite 1946, from memory). This matters where the peers' share is large; with many
    checks of the splicer itself it changes little.
    """
    peer_share = 0.0 if prior is None else 1.0 - variance / own_variance
    peer_df = np.inf if prior is None else max(prior.peers - 1, 1)
    df_pooled = 1.0 / (peer_share**2 / peer_df + (1.0 - peer_share) ** 2 / own_df)
    return np.asarray(stdtrit(df_pooled, 0.5 + CONFIDENCE_LEVEL / 2) * np.sqrt(variance))


def _pooled_effects(
    mean: Floats, cov: Floats, own_cov: Floats, prior: Prior, df: int
) -> tuple[Effect, ...]:
    half = _half_width(np.diag(cov), np.diag(own_cov), prior, df)
    return tuple(
        _effect(name, mean[j], mean[j] - half[j], mean[j] + half[j], None)
        for j, name in enumerate(REGRESSORS)
    )


def air_step(x: Floats, mean: Floats) -> Floats:
    """Difference in density and vapor pressure between the ends of the air seen, shape (2,).

    The ends are the 5th and 95th percentile of the air's joint effect on the setting.
    """
    air = x[:, :2]
    effect = air @ mean[:2]
    low_at, high_at = np.argsort(effect)[
        [int(0.05 * (len(effect) - 1)), int(0.95 * (len(effect) - 1))]
    ]
    return np.asarray(air[high_at] - air[low_at])


def _air_span(
    x: Floats, mean: Floats, cov: Floats, own_cov: Floats, prior: Prior | None, df: int
) -> Effect:
    """Change of setting across the air seen, density and vapor pressure together."""
    step = air_step(x, mean)
    value = float(step @ mean[:2])
    pooled_variance, own_variance = (
        np.asarray(step @ matrix[:2, :2] @ step) for matrix in (cov, own_cov)
    )
    half = float(_half_width(pooled_variance, own_variance, prior, df))
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
    """Combine the splicer's own estimate with the peers' prior, weighting each by its precision.

    Returns the mean, its covariance and the prior's share of the information on the air.
    """
    own_precision = np.linalg.inv(cov)
    prior_precision = np.zeros_like(own_precision)
    prior_precision[:SLOPES, :SLOPES] = np.linalg.inv(prior.cov)
    total = own_precision + prior_precision
    posterior = np.linalg.inv(total)
    pull = own_precision @ mean
    pull[:SLOPES] += prior_precision[:SLOPES, :SLOPES] @ prior.mean
    own_air = np.linalg.inv(cov[:2, :2])
    prior_air = np.linalg.inv(prior.cov[:2, :2])
    share = float(np.trace(prior_air @ np.linalg.inv(own_air + prior_air)) / 2)
    return posterior @ pull, posterior, share
