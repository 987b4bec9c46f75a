"""Does the unexplained part of the arc setting drift? One-step-ahead residuals on a chart.

Each check is compared with what earlier checks say it should be (a recursive Bayesian
regression); what is left over is followed by an EWMA. All splicers of one model and unit are
taken in time order together, so that what one borrows from the others is never in its future.
"""

import math
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy.linalg.lapack import dposv
from scipy.special import ndtri, stdtr

from arcdrift.analysis.arc.indoor_checks import Rooms
from arcdrift.analysis.arc.pooled_regression import (
    PHI_ASSUMED,
    SLOPES,
    Fit,
    Prior,
    crew_lag1,
    crew_prior,
    design,
    fit_known_phi,
    whiten,
)
from arcdrift.analysis.common.days import WORKDAYS_PER_MONTH
from arcdrift.arrays import Floats, Ints
from arcdrift.charts.ewma import settled_limits
from arcdrift.charts.intervals import Z95
from arcdrift.charts.limits import ewma_limit

LAMBDA = 0.15
REFIT_EVERY = 10  # own checks between re-estimates of slopes, variance and correlation
REFIT_SHARE = 25
"""With many checks known, a re-estimate waits for a 25th as many new ones instead, so that the cost
of years of checks grows little faster than their number."""
START_ALONE = 30  # checks before a splicer that borrows nothing is charted
START_BORROWING = 10
CLIP = 3.0
"""Standard deviations beyond which a check counts no more: a reading that missed a heated room, or
a bad standard fiber, says little about the arc, and a lasting change shows again tomorrow."""
EPOCH_MIN = 2  # checks of an epoch before its level is known well enough to judge the next
SIGMA_PSEUDO_CHECKS = 20.0
SHORTEST_RUN = 10.0
"""Checks between false alarms below which a chart says nothing; a budget asks for no less."""


@dataclass
class _Splicer:
    """What is known of one splicer so far.

    ``rows`` are the regressors, one intercept an epoch, and the setting, shape
    (checks, 3 + epochs + 1); ``room`` the step of air density to a heated room; ``learned`` the
    checks the fits know; ``normal`` the normal equations, the right side as the last column.
    """

    rows: Floats
    room: list[float]
    unsure: Floats
    epoch: Ints
    learned: list[int] = field(default_factory=list)
    fit: Fit | None = None
    prior: Prior | None = None
    phi: float = PHI_ASSUMED
    variance: float = np.nan
    normal: Floats | None = None
    ewma: float = 0.0
    refit_at: int = -1

    @property
    def innovation(self) -> float:
        """Variance of what a check adds to phi times the one before."""
        return self.variance * (1 - self.phi**2)

    def whitened(self, at: int) -> Floats:
        """Row of a check less phi times the one before, unless an epoch began."""
        row: Floats = self.rows[at]
        if at == 0 or self.epoch[at] != self.epoch[at - 1]:
            row = row * math.sqrt(1 - self.phi**2)
        else:
            row = row - self.phi * self.rows[at - 1]
        return row


def center_air(points: pd.DataFrame) -> pd.DataFrame:
    """Regressors in workable units: kg/m3, hPa, thousands of arcs, about fixed references.

    Fixed references (ISO 2533 sea-level density, 10 hPa) keep the numbers small without using
    any splicer's own future.
    """
    columns = ["air_density", "vapor_pressure", "arcs"]
    x = np.column_stack([points[name].to_numpy(dtype=float) for name in columns])
    x -= [1.225, 10.0, 0.0]
    x[:, 2] /= 1000.0
    return pd.DataFrame(x, index=points.index, columns=columns)


def usable(points: pd.DataFrame) -> pd.DataFrame:
    """Checks that nothing keeps from being used."""
    known = points["excluded"].isna().to_numpy()
    return points if known.all() else points[known]


def checks_a_month(points: pd.DataFrame) -> float:
    """Passed checks with a setting, of all splicers, in 22 days on which there was one."""
    if points.empty:
        return float(WORKDAYS_PER_MONTH)
    return float(WORKDAYS_PER_MONTH * len(points) / max(points["checked_at"].dt.date.nunique(), 1))


def drift_charts(points: pd.DataFrame, checks_per_alarm: float) -> pd.DataFrame:
    """Chart the checks of splicers that share a model and a setting unit.

    Parameters
    ----------
    points : DataFrame
        From `arcdrift.analysis.arc.arc_points.arc_points`, splicers together.
    checks_per_alarm : float
        Wanted in-control run length in checks.

    Returns
    -------
    DataFrame
        Same index as ``points``: ``expected``, ``expected_low``, ``expected_high`` (95 %
        prediction interval, setting units), ``z``, ``ewma``, ``limit``, ``alarm``; NaN where a
        check could not be judged yet. ``heated``: chance that the check was made in a heated
        room the reading did not see; NaN where that makes no difference.

    Notes
    -----
    Normal prior on the slopes from sister splicers' earlier checks, flat on each epoch's
    intercept, AR(1) errors with the crew's lag-1: the forecast leans on the last residual, so
    that what is charted is uncorrelated and the limit needs no widening. z is the forecast
    error over its predictive sd, carried from Student's t to the normal scale. Two-sided EWMA,
    lambda 0.15, of z clipped at 3, reset at an alarm; an alarmed check is not learned from, and
    a clipped one only as far as the clip. A check known only by a weather station's air may have
    been made in a heated room: it is judged by the mixture of both airs
    (`arcdrift.analysis.arc.indoor_checks`).

    Simulated at nominal 370 (``python -m tests.recovery.drift_study``): 397 checks a false alarm
    on one pair of electrodes, and 351 with a new pair every 30 checks; a step of two sd found in 5
    checks (median; 95 % within 13), a drift of 0.05 sd a check in 24 on one pair of electrodes, in
    26 with a new pair every 50 checks. In earlier trials lambda 0.2 took two checks more for the
    drift; charting the plain residual under a limit widened for its correlation ran 634 to 1585
    checks, because each new epoch's young intercept already swallows that correlation; and
    letting the level lag ten checks behind ran 45 to 167, because wear and season move the
    forecast on.
    """
    used = usable(points).sort_values(["checked_at", "splicer"])
    columns = ["expected", "expected_low", "expected_high", "z", "ewma", "limit", "heated"]
    out = pd.DataFrame(np.nan, index=points.index, columns=columns)
    out["alarm"] = False
    if used.empty:
        return out
    limit = ewma_limit(LAMBDA, float(f"{max(checks_per_alarm, SHORTEST_RUN):.3g}"), sided="two")
    bound = settled_limits(LAMBDA, limit)[1]
    owner, names = pd.factorize(used["splicer"], sort=True)
    own_rows = [np.flatnonzero(owner == number) for number in range(len(names))]
    states = [_state(used.iloc[rows]) for rows in own_rows]
    place = np.empty(len(used), dtype=np.int64)
    for rows in own_rows:
        place[rows] = np.arange(len(rows))
    rooms = Rooms()
    values = np.full((len(used), len(columns)), np.nan)
    alarms = np.zeros(len(used), dtype=bool)
    for i, (number, at) in enumerate(zip(owner.tolist(), place.tolist(), strict=True)):
        state = states[number]
        seen = len(state.learned)
        wait = max(REFIT_EVERY, seen // REFIT_SHARE)
        if seen >= REFIT_EVERY and seen >= state.refit_at + wait:
            _refit(state, states[:number] + states[number + 1 :])
        judged = _judge(state, at, bound, rooms)
        if judged is not None:
            values[i], alarms[i] = judged
        elif not math.isnan(state.room[at]):
            values[i, -1] = rooms.share
            _meet(state, at, rooms.share)
        if not alarms[i]:
            _learn(state, at)
    out.loc[used.index, columns] = values
    out.loc[used.index, "alarm"] = alarms
    return out


def _state(mine: pd.DataFrame) -> _Splicer:
    """One splicer's checks in time order, nothing learned yet."""
    epoch = np.unique(mine["epoch"].to_numpy(), return_inverse=True)[1]
    x = design(center_air(mine).to_numpy(dtype=float), epoch, int(epoch.max()) + 1)
    return _Splicer(
        rows=np.column_stack([x, mine["arc_setting"].to_numpy(dtype=float)]),
        room=(mine["room_density"] - mine["air_density"]).tolist(),
        unsure=np.zeros(len(mine)),
        epoch=epoch,
    )


def _refit(state: _Splicer, others: list[_Splicer]) -> None:
    """Take stock: own slopes, what the sisters say, the crew's correlation."""
    rows = np.array(state.learned)
    state.refit_at = len(rows)
    state.fit = fit_known_phi(
        state.rows[rows, :SLOPES],
        state.rows[rows, -1],
        state.epoch[rows],
        state.phi,
        state.unsure[rows],
    )
    fits = [other.fit for other in others if other.fit is not None]
    state.prior = crew_prior(fits)
    everyone = [*fits, state.fit] if state.fit is not None else fits
    state.phi = crew_lag1(everyone)
    if not everyone:
        return
    df = sum(fit.n for fit in fits)
    pooled = sum(fit.n * fit.variance for fit in fits) / df if fits else np.nan
    if state.fit is None:
        state.variance = pooled
    elif not fits:
        state.variance = state.fit.variance
    else:
        own = state.fit.n
        state.variance = (SIGMA_PSEUDO_CHECKS * pooled + own * state.fit.variance) / (
            SIGMA_PSEUDO_CHECKS + own
        )
    _rebuild(state)


def _rebuild(state: _Splicer) -> None:
    """Normal equations from every learned check under the present phi and prior."""
    rows = np.array(state.learned)
    whitened = whiten(state.rows, state.epoch, state.phi)[rows]
    normal = whitened.T @ whitened / state.innovation
    normal[0, 0] += state.unsure[rows].sum() * (1 + state.phi**2) / state.innovation
    # intercepts of epochs not seen yet would be singular; this is flat in any setting unit
    normal[np.diag_indices_from(normal)] += 1e-9 / state.variance
    if state.prior is not None:
        precision = np.linalg.inv(state.prior.cov)
        normal[:SLOPES, :SLOPES] += precision
        normal[:SLOPES, -1] += precision @ state.prior.mean
    state.normal = normal


def _meet(state: _Splicer, at: int, heated: float) -> None:
    """Go on with the density to be expected where the reading leaves two airs open.

    Its variance goes into the precision of the slopes, as in an E step; without it they would
    grow with every doubtful check.
    """
    state.rows[at, 0] += heated * state.room[at]
    state.unsure[at] = heated * (1.0 - heated) * state.room[at] ** 2


def _judge(
    state: _Splicer, at: int, bound: float, rooms: Rooms
) -> tuple[tuple[float, ...], bool] | None:
    start = START_ALONE if state.prior is None else START_BORROWING
    if state.normal is None or len(state.learned) < start:
        return None
    if not _level_known(state, at):
        state.ewma = 0.0
        return None
    row = state.whitened(at)
    x = row[:-1]
    # positive definite and small: LAPACK itself is several times faster than numpy's way to it
    both = dposv(state.normal[:-1, :-1], np.array((state.normal[:-1, -1], x)).T)[1]
    mean, reach = both[:, 0], both[:, 1]
    off = float(row[-1] - x @ mean)
    sd = math.sqrt(state.innovation + float(x @ reach))
    # the variance is itself an estimate: a t value read as the normal value as rare
    df = _degrees(state)
    heated = math.nan
    if math.isnan(state.room[at]):
        z = float(ndtri(stdtr(df, off / sd))) if abs(off / sd) < 6 else off / sd
    else:
        move = float(mean[0]) * state.room[at]
        heated, z = rooms.weigh(off / sd, (off - move) / sd, df)
        off -= heated * move
        _meet(state, at, heated)
    expected = float(state.rows[at, -1]) - off
    if abs(z) > CLIP:
        state.rows[at, -1] = expected + math.copysign(CLIP * sd, off)
    ewma = (1.0 - LAMBDA) * state.ewma + LAMBDA * min(max(z, -CLIP), CLIP)
    alarm = abs(ewma) > bound
    state.ewma = 0.0 if alarm else ewma
    return (expected, expected - Z95 * sd, expected + Z95 * sd, z, ewma, bound, heated), alarm


def _degrees(state: _Splicer) -> float:
    own = len(state.learned) - SLOPES - 1.0
    return max(own, 3.0) + (SIGMA_PSEUDO_CHECKS if state.prior is not None else 0.0)


def _level_known(state: _Splicer, at: int) -> bool:
    newest = state.learned[-EPOCH_MIN:]
    return len(newest) == EPOCH_MIN and state.epoch[newest[0]] == state.epoch[at]


def _learn(state: _Splicer, at: int) -> None:
    if state.normal is not None:
        row = state.whitened(at)
        state.normal += row[:, None] * (row / state.innovation)
        state.normal[0, 0] += state.unsure[at] * (1 + state.phi**2) / state.innovation
    state.learned.append(at)
