"""Control chart of arc-setting residuals: an EWMA of one-step-ahead forecast errors.

Each check is forecast from earlier checks by a recursive Bayesian regression on air and wear. All
splicers of one model and unit are processed in time order together, so that a splicer's prior
never contains its peers' later checks.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.linalg.lapack import dposv
from scipy.special import ndtri, stdtr

from arcdrift.analysis.arc.arc_points import REGRESSORS
from arcdrift.analysis.arc.arc_regressors import centered_regressors
from arcdrift.analysis.arc.indoor_checks import IndoorMixture
from arcdrift.analysis.arc.level_moves import LevelMoves
from arcdrift.analysis.arc.pooled_regression import CrewFits
from arcdrift.analysis.arc.recursive_regression import RecursiveRegression
from arcdrift.analysis.common.chart_states import ChartStates, digest_of
from arcdrift.analysis.common.days import WORKDAYS_PER_MONTH, full_workdays
from arcdrift.charts.change_point import step_onset
from arcdrift.charts.ewma import settled_limits
from arcdrift.charts.intervals import Z95
from arcdrift.charts.limits import ewma_limit, rounded_run_length

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
CLIP_NEW = 2.5
"""The same for what is learned from the first checks after service: a level that moved farther than
service ever moved it must not be believed at once."""
LONGEST_CHANGE = 60
"""Most checks before an alarm at which its change is taken to have begun."""
STATE_COLUMNS = [
    "splicer", "checked_at", "arc_setting", "epoch", "room_density", *REGRESSORS,
]  # fmt: skip
"""Columns of the points on which the charts depend."""
SHORTEST_RUN = 10.0
"""Shortest run length that a chart is designed for, in checks between false alarms."""


@dataclass(frozen=True)
class DriftCharts:
    """Charts of splicers that share a model and a setting unit.

    Attributes
    ----------
    checks : DataFrame
        Same index as the points: ``expected``, ``expected_low``, ``expected_high`` (95 %
        prediction interval, setting units), ``z``, ``ewma``, ``limit``, ``alarm``; NaN where a
        check cannot be charted yet. ``heated``: probability that the check was made in a heated
        room the reading did not see; NaN where that makes no difference. Known afterward only:
        ``level``, the number of the level each check is on, and ``beyond``, for the checks of an
        unexplained change, which are left out of what is learned: the setting less what was
        expected before the change, setting units.
    moves : LevelMoves
        How far service moves the level, from all service so far.
    """

    checks: pd.DataFrame
    moves: LevelMoves


def checks_per_month(points: pd.DataFrame) -> float:
    """Passed checks of all splicers in a month of `WORKDAYS_PER_MONTH` workdays."""
    if points.empty:
        return float(WORKDAYS_PER_MONTH)
    checks = points["checked_at"].dt.date.value_counts().sort_index().to_numpy(dtype=np.int64)
    return float(WORKDAYS_PER_MONTH * len(points) / full_workdays(checks).sum())


def drift_charts(
    points: pd.DataFrame,
    checks_per_alarm: float,
    life: Mapping[str, int] | None = None,
    states: ChartStates | None = None,
    name: str = "",
) -> DriftCharts:
    """Chart the checks of splicers that share a model and a setting unit.

    Parameters
    ----------
    points : DataFrame
        From `arcdrift.analysis.arc.arc_points.arc_points`, splicers together.
    checks_per_alarm : float
        Wanted in-control run length in checks.
    life : mapping of str to int, optional
        Arcs that electrodes are set to last, by splicer; without it a replacement that nobody
        logged is recognized only where the arc count was set back.
    states : ChartStates, optional
        States from which the charts may go on.
    name : str
        Name of these charts among them.

    Returns
    -------
    DriftCharts

    Notes
    -----
    Normal prior on the slopes from the peers' earlier checks; the level of new electrodes is drawn
    around the level before (`arcdrift.analysis.arc.level_moves`); AR(1) errors with the crew's
    lag-1 correlation: the forecast uses the last residual, so the charted errors are uncorrelated
    and the limit needs no widening. z is the forecast error over its predictive sd, converted from
    Student's t to the normal scale. Two-sided EWMA, lambda 0.15, of z clipped at 3, reset at an
    alarm; a clipped check enters the regression with the clipped value. From the estimated onset
    of an alarm until the change has gone (`RecursiveRegression.close_if_gone`), or until service,
    slopes and levels are not learned: the expectation does not follow a drift, and a step that
    outlives a replacement is held against the level before its onset. Meanwhile z is the error of a
    forecast that knows of the change (`arcdrift.analysis.arc.open_change`), so an alarm is repeated
    only if it grows. A check with a weather station's reading only may have been made in a heated
    room: it is scored by the mixture of both airs (`arcdrift.analysis.arc.indoor_checks`).

    Simulated at nominal 370 (``python -m tests.recovery.drift_study``): 376 checks a false alarm on
    one pair of electrodes, 333 with a new pair every 50 checks, 324 every 30 (331 on 40 other
    crews); a step of two sd found in 6 checks (median; 95 % within 21), a drift of 0.05 sd a check
    in 24. A step of ten sd that begins one to four checks before a replacement is always found; of
    those of three sd 67 % within 10 checks, most before the replacement, and 35 % within 22 checks
    of it.

    In earlier trials lambda 0.2 took two checks more for the drift; charting the plain residual
    under a limit widened for its correlation ran 634 to 1585 checks; a level estimated without
    the last ten checks ran 45 to 167, because wear and season change the forecast meanwhile;
    and leaving out all checks of an open change without a forecast that knows of it ran 49 to
    126, because errors of the slopes last for weeks.
    """
    columns = ["expected", "expected_low", "expected_high", "z", "ewma", "limit", "heated"]
    charted = np.full((len(points), len(columns)), np.nan)
    alarmed, level = np.zeros(len(points), dtype=bool), np.zeros(len(points), dtype=np.int64)
    beyond, moves = np.full(len(points), np.nan), LevelMoves()

    def result() -> DriftCharts:
        found = pd.DataFrame(charted, points.index, columns)
        return DriftCharts(found.assign(alarm=alarmed, level=level, beyond=beyond), moves)

    places = np.flatnonzero(points["excluded"].isna())
    if not len(places):
        return result()
    at = points["checked_at"].to_numpy(dtype="datetime64[us]").astype(np.int64)[places]
    splicer, names = pd.factorize(points["splicer"].iloc[places], sort=True)
    order = np.lexsort((splicer, at))
    places, at, splicer = places[order], at[order], splicer[order]
    used = points.iloc[places]
    wanted = rounded_run_length(max(checks_per_alarm, SHORTEST_RUN))
    limit = ewma_limit(LAMBDA, wanted, sided="two")
    settled_limit = settled_limits(LAMBDA, limit)[1]
    rows_of = [np.flatnonzero(splicer == splicer_number) for splicer_number in range(len(names))]
    x, epoch = centered_regressors(used), used["epoch"].to_numpy()
    setting, room, density, arcs = (
        used[column].to_numpy(dtype=np.float64)
        for column in ("arc_setting", "room_density", "air_density", "arcs")
    )
    states_of = [
        RecursiveRegression.from_checks(
            x[rows], setting[rows], (room - density)[rows], arcs[rows], epoch[rows]
        )
        for rows in rows_of
    ]
    lives = [(life or {}).get(str(name)) for name in names]
    check_index = np.empty(len(used), dtype=np.int64)
    for rows in rows_of:
        check_index[rows] = np.arange(len(rows))
    indoor = IndoorMixture()
    values = np.full((len(used), len(columns)), np.nan)
    alarms = np.zeros(len(used), dtype=bool)
    states = ChartStates() if states is None else states

    def digest(day: int) -> bytes:
        checks = used.iloc[: np.searchsorted(at, day)]
        return digest_of([checks[STATE_COLUMNS], settled_limit, sorted((life or {}).items())])

    done, keep = 0, states.day_to_keep
    if (found := states.resume(name, digest)) is not None:
        done = int(np.searchsorted(at, found[0]))
        values[:done], alarms[:done], moves, indoor, known = found[1]
        for splicer_name, state in zip(names, states_of, strict=True):
            if splicer_name in known:
                state.restore(known[splicer_name])
    fits = CrewFits(len(names))
    for number, state in enumerate(states_of):
        fits.put(number, state.fit)
    keep_at = -1 if keep is None else int(np.searchsorted(at, keep))
    for i, (splicer_number, check) in enumerate(
        zip(splicer.tolist(), check_index.tolist(), strict=True)
    ):
        if i < done:
            continue
        if keep is not None and i == keep_at > done:
            seen = np.bincount(splicer[:i], minlength=len(names)).tolist()
            known = {
                str(splicer_name): state.after(checks)
                for splicer_name, state, checks in zip(names, states_of, seen, strict=True)
                if checks
            }
            states.keep(name, keep, digest(keep), (values[:i], alarms[:i], moves, indoor, known))
        state = states_of[splicer_number]
        if check in state.kinds:
            state.start_level(check, moves)
        elif state.move_is_due(check):
            state.finish_reference(check, moves)
        learned = len(state.learned)
        wait = max(REFIT_EVERY, learned // REFIT_SHARE)
        if learned >= REFIT_EVERY and learned >= state.refit_at + wait:
            state.refit(fits, splicer_number)
        verdict = _chart_check(state, check, settled_limit, indoor)
        if verdict is not None:
            values[i], alarms[i] = verdict
        elif not math.isnan(state.indoor_step[check]):
            values[i, -1] = indoor.share
            state.use_expected_density(check, indoor.share)
        _learn(state, check, bool(alarms[i]), lives[splicer_number], moves)
    charted[places], alarmed[places] = values, alarms
    for state, rows in zip(states_of, rows_of, strict=True):
        level[places[rows]], beyond[places[rows]] = state.level, state.beyond
    return result()


def _learn(
    state: RecursiveRegression, check: int, alarm: bool, life: int | None, moves: LevelMoves
) -> None:
    """Learn from a check, or open, keep open or close an unexplained change."""
    if alarm:
        since = max(state.run_start, check + 1 - LONGEST_CHANGE)
        onset = since + step_onset(np.clip(state.z[since : check + 1], -CLIP, CLIP)).index
        state.leave_out_since(onset, check)
        state.run_start = check + 1
        first = state.change_start(check)
        if life is not None and state.looks_replaced(first, check, life / 1000.0, moves):
            state.assume_replacement(first, check, moves)
    elif state.change is None:
        state.add(check)
    else:
        state.close_if_gone(check)


def _chart_check(
    state: RecursiveRegression, check: int, bound: float, indoor: IndoorMixture
) -> tuple[tuple[float, ...], bool] | None:
    start = START_ALONE if state.prior is None else START_POOLED
    if state.normal is None or (len(state.learned) < start and state.change is None):
        return None
    row = state.whitened(check)
    x = row[:-1]
    # positive definite and small: calling LAPACK directly is several times faster than numpy
    solution = dposv(state.normal[:-1, :-1], np.array((state.normal[:-1, -1], x)).T)[1]
    mean, solved_x = solution[:, 0], solution[:, 1]
    error = float(row[-1] - x @ mean)
    change = state.change
    if change is None:
        sd = math.sqrt(state.innovation + float(x @ solved_x))
    else:
        error -= change.forecast(state.phi)
        sd = math.sqrt(state.innovation + change.forecast_variance(state.phi))
    # the variance is an estimate: convert t to the normal value with the same tail probability
    df = state.degrees_of_freedom
    heated = math.nan
    if math.isnan(state.indoor_step[check]):
        z = float(ndtri(stdtr(df, error / sd))) if abs(error / sd) < 6 else error / sd
    else:
        indoor_shift = float(mean[0]) * state.indoor_step[check]
        heated, z = indoor.score(error / sd, (error - indoor_shift) / sd, df)
        error -= heated * indoor_shift
        state.use_expected_density(check, heated)
    state.z[check] = z
    if change is not None:
        change.learn(min(max(error, -CLIP * sd), CLIP * sd), sd**2, state.phi)
        expected, sd = state.reference_forecast(check)
        state.beyond[check] = state.observed[check] - expected
    else:
        expected = float(state.rows[check, -1]) - error
        most = CLIP_NEW if state.is_new_level(check) else CLIP
        if abs(z) > most:
            state.clip_setting(check, expected + math.copysign(most * sd, error))
    ewma = (1.0 - LAMBDA) * state.ewma + LAMBDA * min(max(z, -CLIP), CLIP)
    alarm = abs(ewma) > bound
    state.ewma = 0.0 if alarm else ewma
    return (expected, expected - Z95 * sd, expected + Z95 * sd, z, ewma, bound, heated), alarm
