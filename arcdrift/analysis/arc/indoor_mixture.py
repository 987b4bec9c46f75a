"""Indoor probability of each check from the whole history, by expectation maximization.

Only for the arc models: a chart may use nothing that was logged after a check
(`arcdrift.analysis.arc.indoor_checks`). All splicers of one model are fitted together.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

from arcdrift.analysis.arc.arc_levels import credible_changes, level_basis, level_numbers
from arcdrift.analysis.arc.arc_regressors import centered_regressors
from arcdrift.analysis.arc.indoor_checks import (
    PRIOR_COLD_CHECKS,
    PRIOR_INDOOR_CHECKS,
    PRIOR_SHARE,
    ROOM_C,
    ROOM_SD_C,
)
from arcdrift.analysis.arc.pooled_regression import (
    SLOPES,
    CrewFits,
    Fit,
    Prior,
    empirical_bayes_prior,
    fit_stack,
    whiten,
)
from arcdrift.arrays import Bools, Floats, Ints
from arcdrift.charts.intervals import Z95

MAX_ROUNDS = 12
TOLERANCE = 0.01
"""Largest change of a probability between two rounds at which the iteration stops."""
SHARE_ROUNDS, SHARE_TOLERANCE = 200, 1e-4
_OF_CHART = ("heated", "beyond", "expected_low", "expected_high")
MOST_LOG_ODDS = 50.0
"""Log-odds of a single check are cut off here, so that their exponentials stay finite."""


@dataclass
class Checks:
    """One splicer's usable checks in time order.

    Attributes
    ----------
    rows : array of shape (n,)
        Positions of the checks among the points they were built from.
    x : array of shape (n, 3)
        `centered_regressors` with the air of the reading.
    y : array of shape (n,)
        Settings.
    epoch : array of shape (n,)
        Number of the level of each check: 0, 1 ... in order.
    changed : array of bool, shape (n,)
        Checks of unexplained changes.
    levels : array of shape (n, levels)
        Columns of a regression that carry the levels, the present one last.
    step : array of shape (n,)
        Air density indoors less that of the reading, kg/m3; 0 if the check cannot be indoors.
    density : array of shape (n,)
        Air density of the reading, kg/m3.
    heated : array of shape (n,)
        Probability that the check was made indoors.
    """

    rows: Ints
    x: Floats
    y: Floats
    epoch: Ints
    changed: Bools
    levels: Floats
    step: Floats
    density: Floats
    heated: Floats

    @classmethod
    def from_points(cls, used: pd.DataFrame) -> "Checks":
        """Build from usable points of one splicer in time order.

        ``heated``, ``level`` and ``beyond`` are the drift chart's where it has been computed.
        """
        return cls._from_arrays(_arrays(used), slice(None), np.arange(len(used)))

    @classmethod
    def by_splicer(cls, points: pd.DataFrame) -> "dict[str, Checks]":
        """Build those of every splicer with usable points, by name."""
        usable_rows = np.flatnonzero(points["excluded"].isna())
        code, names = pd.factorize(points["splicer"].iloc[usable_rows], sort=True)
        time = points["checked_at"].to_numpy(dtype="datetime64[us]")[usable_rows]
        order = np.lexsort((time, code))
        rows = usable_rows[order]
        arrays = _arrays(points.iloc[rows])
        ends = np.searchsorted(code[order], np.arange(len(names) + 1))
        return {
            str(name): cls._from_arrays(arrays, slice(start, stop), rows[start:stop])
            for name, (start, stop) in zip(names, pairwise(ends.tolist()), strict=True)
        }

    @classmethod
    def _from_arrays(cls, arrays: dict[str, Any], own: slice, rows: Ints) -> "Checks":
        values = {name: array[own] for name, array in arrays.items()}
        y, density = values["arc_setting"], values["air_density"]
        level = values.get("level")
        if level is None:
            level = level_numbers(values["arcs"], values["epoch"])[0]
        epoch = np.unique(level, return_inverse=True)[1]
        changed = np.zeros(len(y), dtype=bool)
        if "beyond" in values:
            sd = (values["expected_high"] - values["expected_low"]) / (2.0 * Z95)
            changed = credible_changes(values["beyond"], level, sd, values["alarm"])
        return cls(
            rows=rows,
            x=values["x"],
            y=y,
            epoch=epoch,
            changed=changed,
            levels=level_basis(epoch, changed),
            step=np.nan_to_num(values["room_density"] - density),
            density=density,
            heated=np.nan_to_num(values.get("heated", np.zeros(len(y)))),
        )

    @property
    def expected_regressors(self) -> Floats:
        """Regressors with the expected air density, shape (n, 3)."""
        x = self.x.copy()
        x[:, 0] += self.heated * self.step
        return x

    @property
    def density_variance(self) -> Floats:
        """Variance of the air density, which is one of two values; (kg/m3)^2, shape (n,)."""
        return self.heated * (1.0 - self.heated) * self.step**2

    def design(self, x: Floats) -> Floats:
        """Regressors followed by the columns of the levels."""
        return np.hstack([x, self.levels])


def fit_all(crew: Sequence[Checks], phi: float) -> list[Fit | None]:
    """Fit each splicer's checks with the expected air density; None where they are too few.

    Splicers with equally many levels are fitted together.
    """
    fits: list[Fit | None] = [None] * len(crew)
    columns = np.array([checks.levels.shape[1] for checks in crew])
    for levels in np.unique(columns):
        alike = np.flatnonzero(columns == levels).tolist()
        count = np.array([len(crew[number].y) for number in alike])
        rows = np.zeros((len(alike), count.max(), SLOPES + levels + 1))
        same = np.zeros(rows.shape[:2], dtype=bool)
        for place, number in enumerate(alike):
            checks, n = crew[number], count[place]
            rows[place, :n, :SLOPES] = checks.x
            rows[place, :n, 0] += checks.heated * checks.step
            rows[place, :n, SLOPES:-1], rows[place, :n, -1] = checks.levels, checks.y
            same[place, 1:n] = checks.epoch[1:] == checks.epoch[:-1]
        added = [float(crew[number].density_variance.sum()) for number in alike]
        for number, fit in zip(alike, fit_stack(rows, same, count, phi, added), strict=True):
            fits[number] = fit
    return fits


def _arrays(used: pd.DataFrame) -> dict[str, Any]:
    """Columns of usable points that `Checks` are built from."""
    names = ["arc_setting", "air_density", "room_density", *(n for n in _OF_CHART if n in used)]
    arrays: dict[str, Any] = {name: used[name].to_numpy(dtype=np.float64) for name in names}
    arrays["x"] = centered_regressors(used)
    if "alarm" in used:
        arrays["alarm"] = used["alarm"].to_numpy(dtype=bool)
    if "level" in used:
        arrays["level"] = used["level"].to_numpy()
    else:
        arrays["arcs"] = used["arcs"].to_numpy(dtype=np.float64)
        arrays["epoch"] = used["epoch"].to_numpy()
    return arrays


def estimate_heated(crew: dict[str, Checks], phi: float) -> None:
    """Estimate from the whole history which checks of one splicer model were made indoors.

    Parameters
    ----------
    crew : dict of Checks
        Checks of each splicer of the model. Their ``heated``, which comes from the drift chart, is
        replaced by the probability that each was made in a heated room.
    phi : float
        Lag-1 correlation of checks.

    Notes
    -----
    Expectation maximization (Dempster, Laird and Rubin 1977). Neighboring checks are correlated,
    so each is compared with its forecast from its neighbors' expected residuals (mean-field
    approximation); without the neighbors the effect of the air density was estimated 4 % too
    small in simulation, with them 0.3 %. All splicers share one prior share of indoor checks.

    For simulated crews with a weather station only, the advised settings were off by 0.34
    standard errors when checks with an indoor probability over 0.3 were left out, and by 0.10
    with this method.
    """
    share = PRIOR_SHARE
    ambiguous = [name for name, checks in crew.items() if checks.step.any()]
    number, fits = {name: place for place, name in enumerate(crew)}, CrewFits(len(crew))
    if ambiguous:
        for place, fit in enumerate(fit_all(list(crew.values()), phi)):
            fits.put(place, fit)
    for _ in range(MAX_ROUNDS if ambiguous else 0):
        before = np.concatenate([crew[name].heated for name in ambiguous])
        odds = {}
        fitted = fit_all([crew[name] for name in ambiguous], phi)
        for name, fit in zip(ambiguous, fitted, strict=True):
            fits.put(number[name], fit)
            if fit is None:
                continue
            prior = empirical_bayes_prior(fits.others(number[name]))
            odds[name] = _indoor_odds(crew[name], fit, prior, phi)
        if odds:
            share = indoor_share(np.concatenate(list(odds.values())), share)
        for name in odds:
            crew[name].heated = _posterior(odds[name], share)
        after = np.concatenate([crew[name].heated for name in ambiguous])
        if np.abs(after - before).max() < TOLERANCE:
            break
    for checks in crew.values():
        checks.heated = np.where(checks.step != 0, checks.heated, 0.0)


def heated_rows(crew: dict[str, Checks], count: int) -> Floats:
    """``heated`` of the checks by their ``rows`` among so many; NaN where it does not matter."""
    heated = np.full(count, np.nan)
    for checks in crew.values():
        possible = checks.step != 0
        heated[checks.rows[possible]] = checks.heated[possible]
    return heated


def crew_indoor_share(heated: pd.Series) -> float:
    """Share of indoor checks among cold ones, from `estimate_heated`, with its prior."""
    indoors = PRIOR_INDOOR_CHECKS + float(heated.sum())
    return indoors / (PRIOR_COLD_CHECKS + int(heated.notna().sum()))


def indoor_share(odds: Floats, start: float) -> float:
    """Most probable share of indoor checks among cold ones, given all else.

    Parameters
    ----------
    odds : array of shape (n,)
        Density of each check's setting indoors over that outdoors; 0 if it cannot be indoors.
    start : float
        First value of the iteration.

    Notes
    -----
    Expectation maximization of the share alone, which costs little: taken one step in each round
    of the whole iteration, the share stayed near its prior in mild weather, where a check says
    little about its place (.09 where .28 of the checks were indoors).
    """
    cold = odds[odds > 0]
    share = start
    for _ in range(SHARE_ROUNDS):
        before = share
        indoors = PRIOR_INDOOR_CHECKS + float(_posterior(cold, share).sum())
        share = indoors / (PRIOR_COLD_CHECKS + len(cold))
        if abs(share - before) < SHARE_TOLERANCE:
            break
    return share


def _posterior(odds: Floats, share: float) -> Floats:
    """Probability of indoors at prior probability ``share``, shape (n,)."""
    indoors = share * odds
    return np.asarray(indoors / (indoors + 1.0 - share))


def _indoor_odds(checks: Checks, fit: Fit, prior: Prior | None, phi: float) -> Floats:
    """Density of each setting indoors over that outdoors, given all other checks; shape (n,)."""
    beta, sigma = _pooled_coefficients(checks, fit, prior, phi), float(np.sqrt(fit.variance))
    residual = checks.y - checks.design(checks.x) @ beta
    indoor_shift = beta[0] * checks.step
    predicted, sd = _error_given_neighbors(
        residual - checks.heated * indoor_shift, checks.epoch, phi, sigma
    )
    # room temperature is uncertain by a degree or two, and density is proportional to 1/T
    indoor_sd = beta[0] * (checks.density + checks.step) * ROOM_SD_C / (ROOM_C + 273.15)
    log_odds = _log_normal_density(
        residual - predicted - indoor_shift, np.hypot(sd, indoor_sd)
    ) - _log_normal_density(residual - predicted, sd)
    odds = np.exp(np.clip(log_odds, -MOST_LOG_ODDS, MOST_LOG_ODDS))
    return np.where(checks.step != 0, odds, 0.0)


def _log_normal_density(x: Floats, sd: Floats) -> Floats:
    """Logarithm of the normal density, less a constant; many times faster than scipy.stats."""
    return np.asarray(-0.5 * (x / sd) ** 2 - np.log(sd))


def _pooled_coefficients(checks: Checks, fit: Fit, prior: Prior | None, phi: float) -> Floats:
    """Slopes and intercepts from the splicer's checks and the peers' prior together."""
    full = checks.design(checks.expected_regressors)
    whitened = whiten(np.column_stack([full, checks.y]), checks.epoch, phi)
    innovation = fit.variance * (1.0 - phi**2)
    gram, moment = np.split(whitened[:, :-1].T @ whitened / innovation, [-1], axis=1)
    gram[0, 0] += checks.density_variance.sum() * (1.0 + phi**2) / innovation
    if prior is not None:
        precision = np.linalg.inv(prior.cov)
        gram[:SLOPES, :SLOPES] += precision
        moment[:SLOPES, 0] += precision @ prior.mean
    return np.asarray(np.linalg.solve(gram, moment)[:, 0])


def _error_given_neighbors(
    residual: Floats, epoch: Ints, phi: float, sigma: float
) -> tuple[Floats, Floats]:
    """Mean and sd of each AR(1) error given the errors before and after it in its epoch."""
    same = np.diff(epoch) == 0
    before, after = np.append(0.0, same), np.append(same, 0.0)
    total = before * np.roll(residual, 1) + after * np.roll(residual, -1)
    precision = 1.0 + phi**2 * (before + after - 1.0)  # in units of an innovation's precision
    return phi * total / precision, sigma * np.sqrt((1.0 - phi**2) / precision)


def lost_information(checks: Checks, beta: Floats, sigma: float) -> Floats:
    """Information on the coefficients lost because the air is uncertain, shape (p, p).

    Notes
    -----
    Louis (1982): the variance of the score over the two possible airs; a check's score is its
    regressors times its residual over the variance. Checks are treated as independent; with
    correlated ones slightly less is lost, so the intervals are slightly too wide.
    """
    outdoors = checks.design(checks.x)
    indoors = outdoors.copy()
    indoors[:, 0] += checks.step
    score = (
        indoors * (checks.y - indoors @ beta)[:, None]
        - outdoors * (checks.y - outdoors @ beta)[:, None]
    )
    weight = checks.heated * (1.0 - checks.heated) / sigma**4
    return np.asarray((score * weight[:, None]).T @ score)
