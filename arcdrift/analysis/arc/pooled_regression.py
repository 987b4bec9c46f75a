"""Closed-form least squares for arc checks, and the empirical-Bayes prior from peer splicers.

Peers of a splicer are the other splicers of the same model and setting unit.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from arcdrift.arrays import Bools, Floats, Ints

SLOPES = 3  # air density, vapor pressure, arcs
PHI_ASSUMED = 0.3
"""Prior value of the lag-1 correlation of checks (simulation study)."""
PHI_PSEUDO_CHECKS = 30.0
"""Weight of that prior, in checks."""
SPREAD_FLOOR = 0.15
"""Smallest relative sd of slopes between peers: with a handful of splicers the estimated spread
is often zero, and a prior that tight raises false alarms."""
MODEL_SPREAD_FLOOR = 0.18
"""The same for a model of the whole history: peers at one site share the errors of their
readings, so a hundred checks of each are less independent than they look. With 0.15 the 95 %
intervals of the pooled effect of density covered the truth .924 of the time, with this .940
(simulation study)."""
MIN_PEERS = 2


@dataclass(frozen=True)
class Fit:
    """Generalized least squares under AR(1) with a known lag-1 correlation.

    Attributes
    ----------
    slopes : array of shape (3,)
        Setting per kg/m3, per hPa and per 1000 arcs.
    cov : array of shape (3, 3)
        Their covariance.
    variance : float
        Marginal residual variance, in setting units squared.
    lag1 : float
        Lag-1 correlation of the residuals before whitening, corrected for the bias of the fit.
    n : int
        Checks used.
    """

    slopes: Floats
    cov: Floats
    variance: float
    lag1: float
    n: int


class Fits(NamedTuple):
    """Fits of several splicers; arrays of the attributes of `Fit`, one row a splicer."""

    slopes: Floats
    cov: Floats
    variance: Floats
    lag1: Floats
    n: Floats


class CrewFits:
    """The latest fit of each splicer of a crew, as far as it has one.

    Parameters
    ----------
    size : int
        Number of splicers.
    """

    def __init__(self, size: int) -> None:
        self._is_known = np.zeros(size, dtype=bool)
        self._fits = Fits(
            np.zeros((size, SLOPES)), np.zeros((size, SLOPES, SLOPES)), *np.zeros((3, size))
        )

    def put(self, number: int, fit: Fit | None) -> None:
        """Replace the fit of a splicer."""
        self._is_known[number] = fit is not None
        if fit is not None:
            for name, values in zip(Fits._fields, self._fits, strict=True):
                values[number] = getattr(fit, name)

    def known(self) -> Fits:
        """All fits."""
        return Fits(*(values[self._is_known] for values in self._fits))

    def others(self, number: int) -> Fits:
        """Fits of all splicers but one."""
        is_other = self._is_known.copy()
        is_other[number] = False
        return Fits(*(values[is_other] for values in self._fits))


@dataclass(frozen=True)
class Prior:
    """Prior of one splicer's slopes: mean (3,), covariance (3, 3), number of peers used."""

    mean: Floats
    cov: Floats
    peers: int


def whiten(rows: Floats, epoch: Ints, phi: float) -> Floats:
    """Prais-Winsten transform within each epoch: AR(1) errors become independent innovations.

    The first row of an epoch is scaled by sqrt(1 - phi^2), later ones become
    row_t - phi row_(t-1).
    """
    out = rows.copy()
    out[1:] -= phi * rows[:-1]
    first = np.append(0, np.flatnonzero(epoch[1:] != epoch[:-1]) + 1)
    out[first] = rows[first] * np.sqrt(1 - phi**2)
    return out


def design(slopes: Floats, epoch: Ints, epochs: int) -> Floats:
    """Regressors followed by one intercept column for each epoch."""
    intercepts = np.zeros((len(epoch), epochs))
    intercepts[np.arange(len(epoch)), epoch] = 1.0
    return np.hstack([slopes, intercepts])


def fit_known_phi(
    x: Floats,
    y: Floats,
    epoch: Ints,
    phi: float,
    density_variance: Floats | None = None,
    levels: Floats | None = None,
) -> Fit | None:
    """Fit slopes and levels; None if the slopes cannot be separated.

    ``epoch``, shape (n,): numbers that rise from one epoch to the next, possibly with gaps.
    ``density_variance``, shape (n,): variance of the air density of each check, (kg/m3)^2; not 0
    where the check may have been made indoors or outdoors. ``levels``, shape (n, levels): columns
    that carry the levels, such as those of `arcdrift.analysis.arc.arc_levels.level_basis`; one
    for each epoch if not given.
    """
    same_epoch = epoch[1:] == epoch[:-1]
    if levels is None:
        number = np.append(0, np.cumsum(~same_epoch))
        full = design(x, number, int(number[-1]) + 1)
    else:
        full = np.hstack([x, levels])
    added = 0.0 if density_variance is None else float(density_variance.sum())
    rows = np.column_stack([full, y])[None]
    return fit_stack(rows, np.append(False, same_epoch)[None], np.array([len(y)]), phi, [added])[0]


def fit_stack(
    rows: Floats, same_epoch: Bools, checks: Ints, phi: float, added: ArrayLike
) -> list[Fit | None]:
    """Fits of several splicers whose regressions have equally many columns.

    Parameters
    ----------
    rows : array of shape (splicers, most checks, columns + 1)
        Regressors, columns of the levels, and the setting; 0 beyond the checks of a splicer.
    same_epoch : array of bool, shape (splicers, most checks)
        Whether each check is on the same level as the one before it.
    checks : array of shape (splicers,)
    added : array_like of shape (splicers,)
        Sum of the variances of the air density, (kg/m3)^2.

    Notes
    -----
    The residuals r of generalized least squares have covariance s2 (V - X inv(X'inv(V)X) X'), so
    the expected products of neighbors are known for a given V; the lag-1 correlation is chosen
    to match the observed products. Corrected for one mean and three slopes only, it was estimated
    at .26 where .30 was true, because every epoch has an intercept of its own.
    """
    p = rows.shape[2] - 1
    whitened = rows * np.where(same_epoch, 1.0, np.sqrt(1 - phi**2))[:, :, None]
    before = rows[:, :-1] * same_epoch[:, 1:, None]
    whitened[:, 1:] -= phi * before
    moments = whitened.transpose(0, 2, 1) @ whitened
    gram, added_precision = moments[:, :p, :p], np.asarray(added) * (1 + phi**2)
    gram[:, 0, 0] += added_precision
    spread = np.linalg.eigvalsh(gram)
    separable = (checks > p + 2) & (spread[:, 0] >= 1e-12 * spread[:, -1])
    gram[~separable] = np.eye(p)
    inverse = np.linalg.inv(gram).astype(np.float64)
    beta = inverse @ moments[:, :p, p:]
    innovations = (whitened[:, :, p:] - whitened[:, :, :p] @ beta)[:, :, 0]
    residual = (rows[:, :, p:] - rows[:, :, :p] @ beta)[:, :, 0]
    # expected loss of the squares, and of the products of neighbors, to the fitted coefficients
    regressors = rows[:, :, :p].transpose(0, 2, 1)
    of_squares = (inverse * (regressors @ rows[:, :, :p])).sum(axis=(1, 2))
    of_products = (inverse * (regressors[:, :, 1:] @ before[:, :, :p])).sum(axis=(1, 2))
    squares = (innovations**2).sum(axis=1) + added_precision * beta[:, 0, 0] ** 2
    products = (residual[:, 1:] * residual[:, :-1] * same_epoch[:, 1:]).sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        innovation = squares / (checks - p)
        raw = products / (residual**2).sum(axis=1)
        lag1 = raw * (checks - (1 - phi**2) * of_squares) + (1 - phi**2) * of_products
        lag1 = lag1 / same_epoch.sum(axis=1)
    return [
        Fit(
            slopes=beta[i, :SLOPES, 0],
            cov=innovation[i] * inverse[i, :SLOPES, :SLOPES],
            variance=float(innovation[i] / (1 - phi**2)),
            lag1=float(lag1[i]),
            n=int(checks[i]),
        )
        if separable[i]
        else None
        for i in range(len(rows))
    ]


def pooled_lag1(fits: Fits) -> float:
    """Lag-1 correlation pooled over splicers, shrunk toward `PHI_ASSUMED` and clipped to 0..0.8."""
    total = PHI_PSEUDO_CHECKS * PHI_ASSUMED + float(fits.n @ fits.lag1)
    weight = PHI_PSEUDO_CHECKS + float(fits.n.sum())
    return float(np.clip(total / weight, 0.0, 0.8))


def empirical_bayes_prior(peers: Fits, floor: float = SPREAD_FLOOR) -> Prior | None:
    """Prior of a splicer's slopes from its peers' fits, by closed-form empirical Bayes.

    The spread between splicers is the moment estimate of DerSimonian and Laird (1986) for each
    slope; the mean weights each splicer by the inverse of its own covariance plus the spread.
    None with fewer than `MIN_PEERS` peers.
    """
    count = len(peers.n)
    if count < MIN_PEERS:
        return None
    b, v = peers.slopes, peers.cov
    w = 1.0 / np.diagonal(v, axis1=1, axis2=2)
    total = w.sum(axis=0)
    center = (w * b).sum(axis=0) / total
    excess = (w * (b - center) ** 2).sum(axis=0) - (count - 1)
    tau2 = np.maximum(excess / (total - (w**2).sum(axis=0) / total), 0.0)
    for _ in range(2):  # the floor is a share of the mean, which itself depends on the spread
        weights = _inverses(v + np.diag(tau2))
        spread = np.linalg.inv(weights.sum(axis=0))
        mean = spread @ np.einsum("kij,kj->i", weights, b)
        tau2 = np.maximum(tau2, (floor * mean) ** 2)
    return Prior(mean=mean, cov=np.diag(tau2) + spread, peers=count)


def _inverses(matrices: Floats) -> Floats:
    """Inverses of symmetric matrices, shape (k, 3, 3), by their cofactors.

    Several times faster than LAPACK on each of many.
    """
    a, b, c, d, e, f = (
        matrices[:, i, j] for i, j in ((0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2))
    )
    cofactors = np.array(
        [d * f - e * e, c * e - b * f, b * e - c * d, a * f - c * c, b * c - a * e, a * d - b * b]
    )
    determinant = a * cofactors[0] + b * cofactors[1] + c * cofactors[2]
    rows = (cofactors / determinant)[[0, 1, 2, 1, 3, 4, 2, 4, 5]]
    return np.asarray(rows.T.reshape(-1, 3, 3), dtype=np.float64)
