"""How much each single check moves the arc model, and which few checks move it most."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from arcdrift.analysis.arc.arc_drift import usable
from arcdrift.analysis.arc.arc_model import ArcModel, air_step
from arcdrift.analysis.arc.indoor_mixture import Checks
from arcdrift.analysis.arc.pooled_regression import SLOPES, Prior, design, whiten
from arcdrift.arrays import Floats, Ints

ALONE = 1 - 1e-9
"""Leverage from which a row alone settles a coefficient."""
MOST = 5
FAR = 2.0
"""Studentized residual from which a check stands out (Belsley, Kuh and Welsch 1980)."""
FEW = 5
"""Checks on a pair of electrodes up to which their number alone explains the leverage."""
MOVES = 0.1
"""Share of the air effect from which moving it is called the reason a check matters."""
COLUMNS = ("leverage", "studentized", "dffits", "cooks_distance", "air_change")


@dataclass(frozen=True)
class Deletion:
    """What leaving out each row of a regression does; arrays of shape (n,) unless said.

    Attributes
    ----------
    leverage : array
        Share of a row's place that the fit takes from the row itself, 0 to 1; with independent
        errors the diagonal of the hat matrix.
    studentized : array
        Distance from what all other rows predict, over its standard deviation.
    dffits, cooks_distance : array
        Change of the row's own fit, and of all fits together, in the usual scalings.
    change : array of shape (n, p)
        Coefficients without the row less those with it.

    A row that alone settles a coefficient has leverage 1 and NaN elsewhere; leaving it out
    changes no other coefficient.
    """

    leverage: Floats
    studentized: Floats
    dffits: Floats
    cooks_distance: Floats
    change: Floats


@dataclass(frozen=True)
class Cutoffs:
    """Values beyond which a check is worth a look, for n checks and p coefficients.

    From memory: leverage 2p/n and DFFITS 2 sqrt(p/n), Belsley, Kuh and Welsch (1980), Regression
    Diagnostics, chapter 2; Cook's distance 4/n, Bollen and Jackman (1985).
    """

    leverage: float
    dffits: float
    cooks_distance: float

    @classmethod
    def of(cls, n: int, p: int) -> "Cutoffs":
        """Cutoffs of a regression."""
        return cls(2 * p / n, 2 * float(np.sqrt(p / n)), 4 / n)


def deletion(full: Floats, y: Floats, epoch: Ints, phi: float, prior: Prior | None) -> Deletion:
    """Leave out each row in turn, in closed form.

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
        Slopes to expect of the first columns; ``change`` is then that of the pooled coefficients,
        at the residual variance of all rows. The other measures are of the rows alone.

    Notes
    -----
    Leaving a row out of a generalized regression is giving it a parameter of its own (Haslett
    1999, from memory). That parameter's column, whitened, is ``d``: not zero in the row itself
    and in the next one of its epoch. With whitened rows X, residuals r, d's residual norm
    ``m = d'd - d'X inv(X'X) X'd`` and ``delta = d'r / m``, the coefficients move by
    ``-inv(X'X) X'd delta`` and the sum of squares falls by ``m delta^2``. Where phi is 0 these
    are the textbook measures of Belsley, Kuh and Welsch (1980) and Cook (1977).
    """
    n, p = full.shape
    q, r = np.linalg.qr(whiten(full, epoch, phi))
    wy = whiten(y[:, None], epoch, phi)[:, 0]
    own = np.where(np.diff(epoch, prepend=-1) != 0, np.sqrt(1 - phi**2), 1.0)
    following = np.where(np.diff(epoch, append=-1) == 0, -phi, 0.0)
    norm = own**2 + following**2

    def drawn(rows: Floats) -> Floats:
        """Inner products with every d: the row itself and the one that follows."""
        return (own * rows.T + following * np.roll(rows, -1, axis=0).T).T

    reach = drawn(q)
    taken = (reach**2).sum(axis=1)
    leverage = np.clip(taken / norm, 0.0, 1.0)
    alone = leverage > ALONE
    rest = wy - q @ (q.T @ wy)
    m = np.where(alone, np.nan, norm - taken)
    delta = drawn(rest) / m
    squares, df = float(rest @ rest), n - p
    without = np.sqrt(np.maximum(squares - m * delta**2, 0.0) / (df - 1))
    studentized = delta * np.sqrt(m) / without
    moved = reach * delta[:, None]
    if prior is not None:
        slopes = np.linalg.inv(r)[:SLOPES]  # from the basis q to the slopes
        lent = squares / df * slopes.T @ np.linalg.inv(prior.cov)
        total = np.eye(p) + lent @ slopes
        rest = wy - q @ np.linalg.solve(total, q.T @ wy + lent @ prior.mean)
        pooled = np.linalg.solve(total, reach.T).T
        m = np.where(alone, np.nan, norm - (pooled * reach).sum(axis=1))
        moved = pooled * (drawn(rest) / m)[:, None]
    return Deletion(
        leverage=leverage,
        studentized=studentized,
        dffits=studentized * np.sqrt(leverage / np.where(alone, np.nan, 1 - leverage)),
        cooks_distance=delta**2 * taken * df / (p * squares),
        change=np.where(alone[:, None], 0.0, -np.linalg.solve(r, moved.T).T),
    )


def influence(points: pd.DataFrame, model: ArcModel, prior: Prior | None) -> pd.DataFrame:
    """Influence of each check on a splicer's arc model.

    Parameters
    ----------
    points : DataFrame
        The splicer's checks, as `arcdrift.analysis.arc.arc_model.fit_arc` took them.
    model : ArcModel
        What that fit gave.
    prior : Prior, optional
        What its sisters lent.

    Returns
    -------
    DataFrame
        `COLUMNS` by row of ``points``, NaN where a check was not used. ``air_change``: the joint
        effect of the air without the check, less that with it, setting units.
    """
    out = pd.DataFrame(np.nan, index=points.index, columns=list(COLUMNS))
    used = usable(points)
    checks = Checks.of(used)
    x = checks.expected
    told = deletion(design(x, checks.epoch, model.epochs), checks.y, checks.epoch, model.phi, prior)
    out.loc[used.index] = np.column_stack(
        [
            told.leverage,
            told.studentized,
            told.dffits,
            told.cooks_distance,
            told.change[:, :2] @ air_step(x, np.array(model.mean)),
        ]
    )
    return out


@dataclass(frozen=True)
class Telling:
    """One check that matters much to the model, and why, in a sentence.

    ``share``: what leaving it out does to the air effect, as a share of that effect; None where
    the effect itself is hardly there.
    """

    checked_at: pd.Timestamp
    setting: float
    expected: float
    air_change: float
    share: float | None
    why: str


def telling_checks(points: pd.DataFrame, model: ArcModel) -> tuple[Telling, ...]:
    """Return the checks that move a model most, at most `MOST`, the weightiest first.

    Parameters
    ----------
    points : DataFrame
        The splicer's checks with ``fitted`` and the columns of `influence`.
    model : ArcModel
        What was fitted to them.
    """
    cut = Cutoffs.of(model.used, SLOPES + model.epochs)
    effect = model.air_span
    clear = effect.low > 0 or effect.high < 0
    share = points["air_change"] / effect.value if clear else points["air_change"] * np.nan
    beyond = (
        (points["cooks_distance"] > cut.cooks_distance)
        | (points["dffits"].abs() > cut.dffits)
        | (share.abs() >= MOVES)
    )
    points = points.assign(
        share=share, fellows=points.groupby("epoch")["fitted"].transform("count")
    )
    rows = points[beyond & points["fitted"].notna()].nlargest(MOST, "cooks_distance")
    return tuple(
        Telling(
            checked_at=row["checked_at"],
            setting=float(row["arc_setting"]),
            expected=float(row["fitted"]),
            air_change=float(row["air_change"]),
            share=None if np.isnan(row["share"]) else float(row["share"]),
            why=_why(row, model, cut),
        )
        for _, row in rows.iterrows()
    )


def _why(row: pd.Series, model: ArcModel, cut: Cutoffs) -> str:
    off = float(row["arc_setting"] - row["fitted"])
    side = "above" if off > 0 else "below"
    reasons = []
    if abs(row["studentized"]) > FAR:
        reasons.append(
            f"its setting is {abs(off):.1f} {model.unit} {side} what air and wear explain"
        )
    if row["leverage"] > cut.leverage and row["fellows"] <= FEW:
        reasons.append(
            f"it is one of only {row['fellows']} checks since the last replacement or service"
        )
    elif row["leverage"] > cut.leverage:
        reasons.append("few other checks were made in such air or at such wear")
    if not reasons:
        reasons.append(f"its air and its setting ({abs(off):.1f} {model.unit} {side}) are unusual")
    text = " and ".join(reasons)
    return f"{text[:1].upper()}{text[1:]}."
