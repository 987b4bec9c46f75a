"""Control chart of arc-setting residuals: an EWMA of one-step-ahead forecast errors.

Each check is forecast from earlier checks by a recursive Bayesian regression on air and wear. All
splicers of one model and unit are processed in time order together, so that a splicer's prior
never contains its peers' later checks.
"""

import math
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy.linalg.lapack import dposv
from scipy.special import ndtri, stdtr

from arcdrift.analysis.arc.indoor_checks import IndoorMixture
from arcdrift.analysis.arc.pooled_regression import (
    PHI_ASSUMED,
    SLOPES,
    Fit,
    Prior,
    design,
    empirical_bayes_prior,
    fit_known_phi,
    pooled_lag1,
    whiten,
)
from arcdrift.analysis.common.days import WORKDAYS_PER_MONTH
from arcdrift.arrays import Floats, Ints
from arcdrift.charts.ewma import settled_limits
from arcdrift.charts.intervals import Z95
from arcdrift.charts.limits import ewma_limit

LAMBDA = 0.15
"""Weight of the newest forecast error in the EWMA."""
REFIT_EVERY = 10
"""Checks of a splicer between re-estimates of its slopes, variance and correlation."""
REFIT_SHARE = 25
"""With n checks known, a re-estimate waits for at least n/25 new ones, so that computing time grows
little faster than the number of checks."""
START_ALONE = 30
"""Checks after which a splicer without peers is charted."""
START_POOLED = 10
"""Checks after which a splicer with peers is charted."""
CLIP = 3.0
"""Standard deviations at which a forecast error is clipped: a check in an unseen heated room, or
with a bad standard fiber, says little about the arc, and a lasting change shows again tomorrow."""
EPOCH_MIN = 2
"""Checks of an epoch after which its level is known well enough to judge the next check."""
SIGMA_PSEUDO_CHECKS = 20.0
"""Weight, in checks, of the peers' residual variance."""
SHORTEST_RUN = 10.0
"""Shortest run length that a chart is designed for, in checks between false alarms."""


@dataclass
class _State:
    """State of one splicer's recursive regression and chart.

    Attributes
    ----------
    rows : array of shape (checks, 3 + epochs + 1)
        Regressors, one intercept per epoch, and the setting.
    indoor_step : list of float
        Air density of a heated room less that of the reading, kg/m3; NaN where not needed.
    density_variance : array of shape (checks,)
        Variance of the air density, (kg/m3)^2.
    epoch : array of shape (checks,)
    learned : list of int
        Indices of the checks in the regression.
    normal : array of shape (p, p + 1)
        Normal equations with the right side as last column.
    refit_at : int
        Number of learned checks at the last re-estimate.
    """

    rows: Floats
    indoor_step: list[float]
    density_variance: Floats
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

    def whitened(self, check: int) -> Floats:
        """Prais-Winsten row of a check: the row less phi times the previous one of its epoch."""
        row: Floats = self.rows[check]
        if check == 0 or self.epoch[check] != self.epoch[check - 1]:
            row = row * math.sqrt(1 - self.phi**2)
        else:
            row = row - self.phi * self.rows[check - 1]
        return row


def center_air(points: pd.DataFrame) -> pd.DataFrame:
    """Regressors less fixed references: kg/m3, hPa, thousands of arcs.

    Fixed references (ISO 2533 sea-level density, 10 hPa) keep the numbers small without using
    later checks.
    """
    columns = ["air_density", "vapor_pressure", "arcs"]
    x = np.column_stack([points[name].to_numpy(dtype=float) for name in columns])
    x -= [1.225, 10.0, 0.0]
    x[:, 2] /= 1000.0
    return pd.DataFrame(x, index=points.index, columns=columns)


def usable(points: pd.DataFrame) -> pd.DataFrame:
    """Select the points that are not excluded."""
    included = points["excluded"].isna().to_numpy()
    return points if included.all() else points[included]


def checks_per_month(points: pd.DataFrame) -> float:
    """Passed checks of all splicers in a month of `WORKDAYS_PER_MONTH` days with a check."""
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
        Same index as ``points``: ``expected_regressors``, ``expected_low``, ``expected_high`` (95 %
        prediction interval, setting units), ``z``, ``ewma``, ``limit``, ``alarm``; NaN where a
        check cannot be charted yet. ``heated``: probability that the check was made in a heated
        room the reading did not see; NaN where that makes no difference.

    Notes
    -----
    Normal prior on the slopes from the peers' earlier checks, flat prior on each epoch's
    intercept, AR(1) errors with the crew's lag-1 correlation: the forecast uses the last
    residual, so the charted errors are uncorrelated and the limit needs no widening. z is the
    forecast error over its predictive sd, converted from Student's t to the normal scale.
    Two-sided EWMA, lambda 0.15, of z clipped at 3, reset at an alarm; an alarmed check does not
    enter the regression, a clipped one enters with the clipped value. A check with a weather
    station's reading only may have been made in a heated room: it is scored by the mixture of
    both airs (`arcdrift.analysis.arc.indoor_checks`).

    Simulated at nominal 370 (``python -m tests.recovery.drift_study``): 397 checks a false alarm
    on one pair of electrodes, and 351 with a new pair every 30 checks; a step of two sd found in 5
    checks (median; 95 % within 13), a drift of 0.05 sd a check in 24 on one pair of electrodes, in
    26 with a new pair every 50 checks. In earlier trials lambda 0.2 took two checks more for the
    drift; charting the plain residual under a limit widened for its correlation ran 634 to 1585
    checks, because the intercept of each new epoch already absorbs that correlation; and an
    intercept estimated without the last ten checks ran 45 to 167, because wear and season change
    the forecast meanwhile.
    """
    used = usable(points).sort_values(["checked_at", "splicer"])
    columns = ["expected", "expected_low", "expected_high", "z", "ewma", "limit", "heated"]
    out = pd.DataFrame(np.nan, index=points.index, columns=columns)
    out["alarm"] = False
    if used.empty:
        return out
    limit = ewma_limit(LAMBDA, float(f"{max(checks_per_alarm, SHORTEST_RUN):.3g}"), sided="two")
    settled_limit = settled_limits(LAMBDA, limit)[1]
    splicer, names = pd.factorize(used["splicer"], sort=True)
    rows_of = [np.flatnonzero(splicer == splicer_number) for splicer_number in range(len(names))]
    states = [_initial_state(used.iloc[rows]) for rows in rows_of]
    check_index = np.empty(len(used), dtype=np.int64)
    for rows in rows_of:
        check_index[rows] = np.arange(len(rows))
    indoor = IndoorMixture()
    values = np.full((len(used), len(columns)), np.nan)
    alarms = np.zeros(len(used), dtype=bool)
    for i, (splicer_number, check) in enumerate(
        zip(splicer.tolist(), check_index.tolist(), strict=True)
    ):
        state = states[splicer_number]
        learned = len(state.learned)
        wait = max(REFIT_EVERY, learned // REFIT_SHARE)
        if learned >= REFIT_EVERY and learned >= state.refit_at + wait:
            _refit(state, states[:splicer_number] + states[splicer_number + 1 :])
        charted = _chart_check(state, check, settled_limit, indoor)
        if charted is not None:
            values[i], alarms[i] = charted
        elif not math.isnan(state.indoor_step[check]):
            values[i, -1] = indoor.share
            _use_expected_density(state, check, indoor.share)
        if not alarms[i]:
            _add_check(state, check)
    out.loc[used.index, columns] = values
    out.loc[used.index, "alarm"] = alarms
    return out


def _initial_state(checks: pd.DataFrame) -> _State:
    """State of one splicer from its checks in time order, before the first check is learned."""
    epoch = np.unique(checks["epoch"].to_numpy(), return_inverse=True)[1]
    x = design(center_air(checks).to_numpy(dtype=float), epoch, int(epoch.max()) + 1)
    return _State(
        rows=np.column_stack([x, checks["arc_setting"].to_numpy(dtype=float)]),
        indoor_step=(checks["room_density"] - checks["air_density"]).tolist(),
        density_variance=np.zeros(len(checks)),
        epoch=epoch,
    )


def _refit(state: _State, others: list[_State]) -> None:
    """Re-estimate a splicer's slopes, its peers' prior, the residual variance and lag-1."""
    rows = np.array(state.learned)
    state.refit_at = len(rows)
    state.fit = fit_known_phi(
        state.rows[rows, :SLOPES],
        state.rows[rows, -1],
        state.epoch[rows],
        state.phi,
        state.density_variance[rows],
    )
    fits = [other.fit for other in others if other.fit is not None]
    state.prior = empirical_bayes_prior(fits)
    everyone = [*fits, state.fit] if state.fit is not None else fits
    state.phi = pooled_lag1(everyone)
    if not everyone:
        return
    df = sum(fit.n for fit in fits)
    pooled = sum(fit.n * fit.variance for fit in fits) / df if fits else np.nan
    if state.fit is None:
        state.variance = pooled
    elif not fits:
        state.variance = state.fit.variance
    else:
        n = state.fit.n
        state.variance = (SIGMA_PSEUDO_CHECKS * pooled + n * state.fit.variance) / (
            SIGMA_PSEUDO_CHECKS + n
        )
    _rebuild_normal_equations(state)


def _rebuild_normal_equations(state: _State) -> None:
    """Recompute the normal equations from all learned checks with the present phi and prior."""
    rows = np.array(state.learned)
    whitened = whiten(state.rows, state.epoch, state.phi)[rows]
    normal = whitened.T @ whitened / state.innovation
    normal[0, 0] += state.density_variance[rows].sum() * (1 + state.phi**2) / state.innovation
    # a tiny precision, so that intercepts of later epochs are not singular; flat in any unit
    normal[np.diag_indices_from(normal)] += 1e-9 / state.variance
    if state.prior is not None:
        precision = np.linalg.inv(state.prior.cov)
        normal[:SLOPES, :SLOPES] += precision
        normal[:SLOPES, -1] += precision @ state.prior.mean
    state.normal = normal


def _use_expected_density(state: _State, check: int, heated: float) -> None:
    """Replace a check's air density by its expectation over indoors and outdoors.

    Its variance is added to the precision of the slopes, as in an E step; without it the density
    slope would grow with every such check.
    """
    state.rows[check, 0] += heated * state.indoor_step[check]
    state.density_variance[check] = heated * (1.0 - heated) * state.indoor_step[check] ** 2


def _chart_check(
    state: _State, check: int, bound: float, indoor: IndoorMixture
) -> tuple[tuple[float, ...], bool] | None:
    start = START_ALONE if state.prior is None else START_POOLED
    if state.normal is None or len(state.learned) < start:
        return None
    if not _epoch_level_known(state, check):
        state.ewma = 0.0
        return None
    row = state.whitened(check)
    x = row[:-1]
    # positive definite and small: calling LAPACK directly is several times faster than numpy
    solution = dposv(state.normal[:-1, :-1], np.array((state.normal[:-1, -1], x)).T)[1]
    mean, solved_x = solution[:, 0], solution[:, 1]
    error = float(row[-1] - x @ mean)
    sd = math.sqrt(state.innovation + float(x @ solved_x))
    # the variance is an estimate: convert t to the normal value with the same tail probability
    df = _degrees_of_freedom(state)
    heated = math.nan
    if math.isnan(state.indoor_step[check]):
        z = float(ndtri(stdtr(df, error / sd))) if abs(error / sd) < 6 else error / sd
    else:
        indoor_shift = float(mean[0]) * state.indoor_step[check]
        heated, z = indoor.score(error / sd, (error - indoor_shift) / sd, df)
        error -= heated * indoor_shift
        _use_expected_density(state, check, heated)
    expected = float(state.rows[check, -1]) - error
    if abs(z) > CLIP:
        state.rows[check, -1] = expected + math.copysign(CLIP * sd, error)
    ewma = (1.0 - LAMBDA) * state.ewma + LAMBDA * min(max(z, -CLIP), CLIP)
    alarm = abs(ewma) > bound
    state.ewma = 0.0 if alarm else ewma
    return (expected, expected - Z95 * sd, expected + Z95 * sd, z, ewma, bound, heated), alarm


def _degrees_of_freedom(state: _State) -> float:
    own_df = len(state.learned) - SLOPES - 1.0
    return max(own_df, 3.0) + (SIGMA_PSEUDO_CHECKS if state.prior is not None else 0.0)


def _epoch_level_known(state: _State, check: int) -> bool:
    newest = state.learned[-EPOCH_MIN:]
    return len(newest) == EPOCH_MIN and state.epoch[newest[0]] == state.epoch[check]


def _add_check(state: _State, check: int) -> None:
    if state.normal is not None:
        row = state.whitened(check)
        state.normal += row[:, None] * (row / state.innovation)
        state.normal[0, 0] += state.density_variance[check] * (1 + state.phi**2) / state.innovation
    state.learned.append(check)
