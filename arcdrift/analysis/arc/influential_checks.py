"""Influence of each single check on the arc model (deletion diagnostics), and the strongest few."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from arcdrift.analysis.arc.arc_model import ArcModel, air_step
from arcdrift.analysis.arc.indoor_mixture import Checks
from arcdrift.analysis.arc.pooled_regression import SLOPES, Prior, whiten
from arcdrift.arrays import Floats, Ints
from arcdrift.wording import capitalized

DECISIVE = 1 - 1e-9
"""Leverage from which a row alone determines a coefficient."""
MAX_LISTED = 5
OUTLYING = 2.0
"""Studentized residual from which a check stands out (Belsley, Kuh and Welsch 1980)."""
FEW_CHECKS = 5
"""Up to this many checks on one pair of electrodes, the number itself explains the leverage."""
LARGE_SHARE = 0.1
"""A check whose omission changes the air effect by at least this share is listed."""
COLUMNS = ("leverage", "studentized", "dffits", "cooks_distance", "air_change")


@dataclass(frozen=True)
class DeletionDiagnostics:
    """Effect of leaving out each row of a regression; arrays of shape (n,) unless noted.

    Attributes
    ----------
    leverage : array
        Weight of a row's own value in its fitted value, 0 to 1; with independent errors the
        diagonal of the hat matrix.
    studentized : array
        Difference from the prediction of all other rows, in its standard deviations.
    dffits, cooks_distance : array
        Change of the row's own fitted value, and of all fitted values together, as usually scaled.
    change : array of shape (n, p)
        Coefficients without the row less those with it.

    A row that alone determines a coefficient has leverage 1 and NaN elsewhere; leaving it out
    changes no other coefficient.
    """

    leverage: Floats
    studentized: Floats
    dffits: Floats
    cooks_distance: Floats
    change: Floats


@dataclass(frozen=True)
class Cutoffs:
    """Values beyond which a check counts as influential, for n checks and p coefficients.

    From memory: leverage 2p/n and DFFITS 2 sqrt(p/n), Belsley, Kuh and Welsch (1980), Regression
    Diagnostics, chapter 2; Cook's distance 4/n, Bollen and Jackman (1985).
    """

    leverage: float
    dffits: float
    cooks_distance: float

    @classmethod
    def for_size(cls, n: int, p: int) -> "Cutoffs":
        """Compute the cutoffs for n checks and p coefficients."""
        return cls(2 * p / n, 2 * float(np.sqrt(p / n)), 4 / n)


def deletion_diagnostics(
    full: Floats, y: Floats, epoch: Ints, phi: float, prior: Prior | None
) -> DeletionDiagnostics:
    """Effect of leaving out each row in turn, in closed form.

    Parameters
    ----------
    full : array of shape (n, p)
        From `arcdrift.analysis.arc.pooled_regression.design`.
    y : array of shape (n,)
        Response.
    epoch : array of shape (n,)
        Epoch of each row, 0, 1 ... in order; errors are AR(1) within one.
    phi : float
        Lag-1 correlation of the errors.
    prior : Prior, optional
        Prior of the first columns' slopes; ``change`` is then that of the pooled coefficients, at
        the residual variance of all rows. The other measures ignore the prior.

    Notes
    -----
    Leaving a row out of a generalized regression is the same as giving it a parameter of its own
    (Haslett 1999, from memory). That parameter's column, whitened, is ``d``: nonzero in the row
    itself and in the next one of its epoch. With whitened rows X, residuals r, d's residual norm
    ``m = d'd - d'X inv(X'X) X'd`` and ``delta = d'r / m``, the coefficients move by
    ``-inv(X'X) X'd delta`` and the sum of squares falls by ``m delta^2``. Where phi is 0 these
    are the textbook measures of Belsley, Kuh and Welsch (1980) and Cook (1977).
    """
    n, p = full.shape
    q, r = np.linalg.qr(whiten(full, epoch, phi))
    wy = whiten(y[:, None], epoch, phi)[:, 0]
    d_row = np.where(np.diff(epoch, prepend=-1) != 0, np.sqrt(1 - phi**2), 1.0)
    d_next = np.where(np.diff(epoch, append=-1) == 0, -phi, 0.0)
    norm = d_row**2 + d_next**2

    def times_d(rows: Floats) -> Floats:
        """Inner products with every d."""
        return (d_row * rows.T + d_next * np.roll(rows, -1, axis=0).T).T

    projection = times_d(q)
    explained = (projection**2).sum(axis=1)
    leverage = np.clip(explained / norm, 0.0, 1.0)
    decisive = leverage > DECISIVE
    residual = wy - q @ (q.T @ wy)
    m = np.where(decisive, np.nan, norm - explained)
    delta = times_d(residual) / m
    squares, df = float(residual @ residual), n - p
    without = np.sqrt(np.maximum(squares - m * delta**2, 0.0) / (df - 1))
    studentized = delta * np.sqrt(m) / without
    shift = projection * delta[:, None]
    if prior is not None:
        slopes = np.linalg.inv(r)[:SLOPES]  # from the basis q to the slopes
        prior_weight = squares / df * slopes.T @ np.linalg.inv(prior.cov)
        total = np.eye(p) + prior_weight @ slopes
        residual = wy - q @ np.linalg.solve(total, q.T @ wy + prior_weight @ prior.mean)
        pooled = np.linalg.solve(total, projection.T).T
        m = np.where(decisive, np.nan, norm - (pooled * projection).sum(axis=1))
        shift = pooled * (times_d(residual) / m)[:, None]
    return DeletionDiagnostics(
        leverage=leverage,
        studentized=studentized,
        dffits=studentized * np.sqrt(leverage / np.where(decisive, np.nan, 1 - leverage)),
        cooks_distance=delta**2 * explained * df / (p * squares),
        change=np.where(decisive[:, None], 0.0, -np.linalg.solve(r, shift.T).T),
    )


def influence_of(checks: Checks, model: ArcModel, prior: Prior | None) -> Floats:
    """Influence of each usable check on one splicer's arc model.

    Parameters
    ----------
    model : ArcModel
        Model fitted to the checks.
    prior : Prior, optional
        Prior from its peers.

    Returns
    -------
    array, shape (n, 5)
        `COLUMNS`. ``air_change``: the joint effect of the air without the check, less that with
        it, setting units.
    """
    x = checks.expected_regressors
    diagnostics = deletion_diagnostics(checks.design(x), checks.y, checks.epoch, model.phi, prior)
    return np.column_stack(
        [
            diagnostics.leverage,
            diagnostics.studentized,
            diagnostics.dffits,
            diagnostics.cooks_distance,
            diagnostics.change[:, :2] @ air_step(x, np.array(model.mean)),
        ]
    )


@dataclass(frozen=True)
class InfluentialCheck:
    """One influential check with the reason as a sentence.

    ``share``: change of the air effect when the check is left out, relative to that effect; None
    if the effect's interval contains 0.
    """

    checked_at: pd.Timestamp
    setting: float
    expected: float
    air_change: float
    share: float | None
    why: str


def influential_checks(points: pd.DataFrame, model: ArcModel) -> tuple[InfluentialCheck, ...]:
    """Return the most influential checks, at most `MAX_LISTED`, by decreasing Cook's distance.

    Parameters
    ----------
    points : DataFrame
        The splicer's checks with ``fitted`` and `COLUMNS`.
    model : ArcModel
        Model fitted to them.
    """
    cutoffs = Cutoffs.for_size(model.used, SLOPES + model.epochs)
    effect = model.air_span
    clear_effect = effect.low > 0 or effect.high < 0
    share = points["air_change"] / effect.value if clear_effect else points["air_change"] * np.nan
    influential = (
        (points["cooks_distance"] > cutoffs.cooks_distance)
        | (points["dffits"].abs() > cutoffs.dffits)
        | (share.abs() >= LARGE_SHARE)
    )
    points = points.assign(
        share=share, epoch_checks=points.groupby("epoch")["fitted"].transform("count")
    )
    rows = points[influential & points["fitted"].notna()].nlargest(MAX_LISTED, "cooks_distance")
    return tuple(
        InfluentialCheck(
            checked_at=row["checked_at"],
            setting=float(row["arc_setting"]),
            expected=float(row["fitted"]),
            air_change=float(row["air_change"]),
            share=None if np.isnan(row["share"]) else float(row["share"]),
            why=_reason(row, model, cutoffs),
        )
        for _, row in rows.iterrows()
    )


def _reason(row: pd.Series, model: ArcModel, cutoffs: Cutoffs) -> str:
    residual = float(row["arc_setting"] - row["fitted"])
    side = "above" if residual > 0 else "below"
    reasons = []
    if abs(row["studentized"]) > OUTLYING:
        reasons.append(
            f"its setting is {abs(residual):.1f} {model.unit} {side} what air and wear explain"
        )
    if row["leverage"] > cutoffs.leverage and row["epoch_checks"] <= FEW_CHECKS:
        reasons.append(
            f"it is one of only {row['epoch_checks']} checks since the last replacement or service"
        )
    elif row["leverage"] > cutoffs.leverage:
        reasons.append("few other checks were made in such air or at such wear")
    if not reasons:
        reasons.append(
            f"its air and its setting ({abs(residual):.1f} {model.unit} {side}) are unusual"
        )
    text = " and ".join(reasons)
    return f"{capitalized(text)}."
