"""Recursive Bayesian regression of one splicer's arc setting, check by check.

Coefficients are the slopes on air and wear and one level for each pair of electrodes. Levels are
linked: each is drawn around the one before (`arcdrift.analysis.arc.level_moves`), so a new pair
is judged from its first check on.
"""

import math
from dataclasses import dataclass, field, fields, replace

import numpy as np

from arcdrift.analysis.arc.arc_levels import CREDIBLE_SD, GONE_CHECKS, GONE_SD, level_numbers
from arcdrift.analysis.arc.level_moves import (
    FEWEST_CHECKS,
    MOVE_CHECKS,
    OTHER_SERVICE,
    REPLACEMENT,
    LevelLink,
    LevelMoves,
    Reference,
)
from arcdrift.analysis.arc.open_change import STEP_SD, OpenChange
from arcdrift.analysis.arc.pooled_regression import (
    PHI_ASSUMED,
    SLOPES,
    CrewFits,
    Fit,
    Prior,
    design,
    empirical_bayes_prior,
    fit_known_phi,
    pooled_lag1,
    whiten,
)
from arcdrift.arrays import Floats, Ints

SIGMA_PSEUDO_CHECKS = 20.0
"""Weight, in checks, of the peers' residual variance."""
TINY_PRECISION = 1e-9
"""Prior precision of a level, in units of that of a check."""
CHECK_ARRAYS = ("x", "setting", "density_variance", "beyond", "z")
GIVEN = ("observed", "indoor_step", "kinds", "rows")
"""What follows from the checks alone, but for the levels."""
WEAR = 2
"""Column of wear among the regressors."""
WORN_OUT = 0.8
"""Share of the life from which electrodes may have been replaced without a record."""


@dataclass
class RecursiveRegression:
    """One splicer's recursive regression and the state of its chart.

    Attributes
    ----------
    x, setting : arrays of shape (checks, 3) and (checks,)
        Regressors; settings, clipped where they were far from their forecast.
    observed : array of shape (checks,)
        Settings as found by the checks.
    indoor_step : list of float
        Air density of a heated room less that of the reading, kg/m3; NaN where not needed.
    density_variance : array of shape (checks,)
        Variance of the air density, (kg/m3)^2.
    level : array of shape (checks,)
        Number of the level each check is on.
    kinds : dict
        Kind of service by the first check of a level.
    links : dict
        Link of each level seen so far to the one before.
    rows : array of shape (checks, 3 + levels + 1)
        Regressors, one column per level, and the setting.
    learned : list of int
        Indices of the checks in the regression.
    beyond : array of shape (checks,)
        Setting less what the reference before an unexplained change expects, for the checks of
        such a change; they are left out. NaN elsewhere.
    z : array of shape (checks,)
    run_start : int
        First check since the chart was last reset.
    change : OpenChange or None
        Unexplained change that is open: checks are not learned.
    normal : array of shape (p + 1, p + 1)
        Normal equations with the right side as last column, and as last row.
    refit_at : int
        Number of learned checks at the last re-estimate.
    """

    x: Floats
    setting: Floats
    observed: Floats
    indoor_step: list[float]
    density_variance: Floats
    level: Ints
    kinds: dict[int, int]
    rows: Floats
    beyond: Floats
    z: Floats
    links: dict[int, LevelLink] = field(default_factory=dict)
    learned: list[int] = field(default_factory=list)
    run_start: int = 0
    change: OpenChange | None = None
    fit: Fit | None = None
    prior: Prior | None = None
    phi: float = PHI_ASSUMED
    variance: float = np.nan
    normal: Floats | None = None
    ewma: float = 0.0
    refit_at: int = -1
    reference: Reference | None = None

    @classmethod
    def from_checks(
        cls, x: Floats, setting: Floats, indoor_step: Floats, arcs: Floats, epoch: Ints
    ) -> "RecursiveRegression":
        """Regression of one splicer's checks in time order, before the first is learned.

        Parameters
        ----------
        x : array of shape (checks, 3)
            `centered_regressors`.
        setting, indoor_step : array of shape (checks,)
            See above.
        arcs, epoch : array of shape (checks,)
            Arcs on the electrodes, and number of the epoch.
        """
        level, set_back = level_numbers(arcs, epoch)
        first = np.flatnonzero(np.diff(level, prepend=level[0]))
        state = cls(
            x=x.copy(),
            setting=setting.copy(),
            observed=setting,
            indoor_step=indoor_step.tolist(),
            density_variance=np.zeros(len(x)),
            level=level,
            kinds={int(i): REPLACEMENT if set_back[i] else OTHER_SERVICE for i in first},
            rows=np.empty((0, 0)),
            beyond=np.full(len(x), np.nan),
            z=np.full(len(x), np.nan),
        )
        state.build_rows()
        return state

    def after(self, checks: int) -> "RecursiveRegression":
        """State after the first checks, while later ones are not learned yet."""
        of_checks = {name: getattr(self, name)[:checks] for name in (*CHECK_ARRAYS, "level")}
        none = np.empty((0, 0))
        return replace(self, **of_checks, observed=none, indoor_step=[], kinds={}, rows=none)

    def restore(self, state: "RecursiveRegression") -> None:
        """Go on from the state after the first of these checks, whose levels may be fewer."""
        known = len(state.setting)
        for name in CHECK_ARRAYS:
            getattr(self, name)[:known] = getattr(state, name)
        # replacements that were assumed since move all later levels
        self.level[known:] += state.level[-1] - self.level[known - 1]
        self.level[:known] = state.level
        for each in fields(state):
            if each.name not in (*CHECK_ARRAYS, *GIVEN, "level"):
                setattr(self, each.name, getattr(state, each.name))
        self.build_rows()
        if self.normal is not None:
            self.normal = self._with_more_levels(self.normal)

    def _with_more_levels(self, normal: Floats) -> Floats:
        """Normal equations with levels that no learned check is on, as after a re-estimate."""
        old, new = len(normal) - 1, self.rows.shape[1] - 1
        if old == new:
            return normal
        wider = np.zeros((new + 1, new + 1))
        wider[np.diag_indices(new)] = TINY_PRECISION / self.variance
        keep = np.r_[np.arange(old), new]
        wider[np.ix_(keep, keep)] = normal
        return wider

    @property
    def innovation(self) -> float:
        """Variance of what a check adds to phi times the one before."""
        return self.variance * (1 - self.phi**2)

    @property
    def degrees_of_freedom(self) -> float:
        """Degrees of freedom of the residual variance."""
        own_df = len(self.learned) - SLOPES - 1.0
        return max(own_df, 3.0) + (SIGMA_PSEUDO_CHECKS if self.prior is not None else 0.0)

    def build_rows(self) -> None:
        """Recompute the rows after a change of the levels."""
        levels = int(self.level.max()) + 1
        self.rows = np.column_stack([design(self.x, self.level, levels), self.setting])

    def whitened(self, check: int) -> Floats:
        """Prais-Winsten row of a check: the row less phi times the previous one of its level."""
        row: Floats = self.rows[check]
        if check == 0 or self.level[check] != self.level[check - 1]:
            row = row * math.sqrt(1 - self.phi**2)
        else:
            row = row - self.phi * self.rows[check - 1]
        return row

    def add(self, check: int) -> None:
        """Learn a check."""
        if self.normal is not None:
            row = self.whitened(check)
            self.normal += row[:, None] * (row / self.innovation)
            added = self.density_variance[check] * (1 + self.phi**2)
            self.normal[0, 0] += added / self.innovation
        self.learned.append(check)

    def use_expected_density(self, check: int, heated: float) -> None:
        """Replace a check's air density by its expectation over indoors and outdoors.

        Its variance is added to the precision of the slopes, as in an E step; without it the
        density slope would grow with every such check.
        """
        step = self.indoor_step[check]
        self.x[check, 0] += heated * step
        self.rows[check, 0] = self.x[check, 0]
        self.density_variance[check] = heated * (1.0 - heated) * step**2

    def clip_setting(self, check: int, setting: float) -> None:
        """Replace a setting too far from its forecast by the farthest that is learned from."""
        self.setting[check] = self.rows[check, -1] = setting

    def refit(self, crew: CrewFits, number: int) -> None:
        """Re-estimate the slopes, the peers' prior, the residual variance and lag-1.

        Parameters
        ----------
        crew : CrewFits
            Latest fits of the splicers; gets the new one of this splicer, which has the number.
        """
        rows = np.array(self.learned)
        self.refit_at = len(rows)
        self.fit = fit_known_phi(
            self.x[rows], self.setting[rows], self.level[rows], self.phi,
            self.density_variance[rows],
        )  # fmt: skip
        crew.put(number, self.fit)
        peers = crew.others(number)
        self.prior = empirical_bayes_prior(peers)
        self.phi = pooled_lag1(crew.known())
        df = float(peers.n.sum())
        if self.fit is None and not df:
            return
        pooled = float(peers.n @ peers.variance) / df if df else np.nan
        if self.fit is None:
            self.variance = pooled
        elif not df:
            self.variance = self.fit.variance
        else:
            n = self.fit.n
            self.variance = (SIGMA_PSEUDO_CHECKS * pooled + n * self.fit.variance) / (
                SIGMA_PSEUDO_CHECKS + n
            )
        self.rebuild_normal_equations()

    def rebuild_normal_equations(self) -> None:
        """Recompute the normal equations from all learned checks, the prior and the links."""
        rows = np.array(self.learned, dtype=np.int64)
        until = int(rows[-1]) + 1 if len(rows) else 1  # checks are learned in order
        whitened = whiten(self.rows[:until], self.level[:until], self.phi)[rows]
        normal = whitened.T @ whitened / self.innovation
        normal[0, 0] += self.density_variance[rows].sum() * (1 + self.phi**2) / self.innovation
        # a tiny precision, so that levels of later electrodes are not singular; flat in any unit
        normal[np.diag_indices_from(normal)] += TINY_PRECISION / self.variance
        if self.prior is not None:
            precision = np.linalg.inv(self.prior.cov)
            normal[:SLOPES, :SLOPES] += precision
            normal[:SLOPES, -1] += precision @ self.prior.mean
        for number, link in self.links.items():
            normal += self._link_information(number, link)
        self.normal = normal

    def _link_information(self, number: int, link: LevelLink) -> Floats:
        """Information of the link between level ``number`` and the one before it."""
        row = np.zeros(self.rows.shape[1])
        arcs = link.arcs - self._arcs_before(number - 1)
        row[[WEAR, SLOPES + number - 1, SLOPES + number]] = arcs, -1.0, 1.0
        row[-1] = link.move * math.sqrt(self.variance)
        return np.outer(row, row) / (link.variance * self.variance)

    def coefficients(self, number: int) -> tuple[Floats, Floats]:
        """Mean and covariance of the slopes and of level ``number``; shapes (4,) and (4, 4)."""
        normal = self.normal if self.normal is not None else np.empty((0, 0))
        inverse: Floats = np.linalg.inv(normal[:-1, :-1]).astype(np.float64)
        keep = [*range(SLOPES), SLOPES + number]
        return (inverse @ normal[:-1, -1])[keep], inverse[np.ix_(keep, keep)]

    def start_level(self, check: int, moves: LevelMoves) -> None:
        """Link the level that begins with this check to the one before; end an open change."""
        if self.change is not None:
            self._close_change(check, check - 1)
        self.finish_reference(check, moves)
        number, kind = int(self.level[check]), self.kinds[check]
        move, variance = moves.next_move(kind)
        self.links[number] = LevelLink(move, variance)
        if self.normal is not None:
            mean, cov = self.coefficients(number - 1)
            self.reference = Reference(check, kind, mean, cov)
            self.normal += self._link_information(number, self.links[number])

    def finish_reference(self, check: int, moves: LevelMoves) -> None:
        """Learn how far the last service moved the level, from the checks before ``check``."""
        reference, self.reference = self.reference, None
        if reference is None or check - reference.first < FEWEST_CHECKS:
            return
        rows = slice(reference.first, check)
        if self.change is None:
            # the level is confirmed: what was held back of its first checks is learned
            self.setting[rows] = self.observed[rows]
            self.rows[rows, -1] = self.observed[rows]
            self.rebuild_normal_equations()
        row = self._mean_regressors(rows)
        arcs = self._arcs_before(int(self.level[reference.first]) - 1)
        row[WEAR] += arcs
        move = float(self.setting[rows].mean() - row @ reference.mean)
        noise = self._mean_variance(check - reference.first) + row @ reference.cov @ row
        moves.learn(reference.kind, move / math.sqrt(self.variance), float(noise) / self.variance)

    def is_new_level(self, check: int) -> bool:
        """Whether a check is among the first `FEWEST_CHECKS` after service."""
        return self.reference is not None and check - self.reference.first < FEWEST_CHECKS

    def move_is_due(self, check: int) -> bool:
        """Whether enough checks since the last service are known to learn its move."""
        return self.reference is not None and check - self.reference.first >= MOVE_CHECKS

    def _arcs_before(self, number: int) -> float:
        """Thousands of arcs that the counter shows from pairs before level ``number``."""
        link = self.links.get(number)
        return 0.0 if link is None else link.arcs

    def _mean_regressors(self, rows: slice) -> Floats:
        """Mean regressors of some checks, and 1 for the level; shape (4,)."""
        return np.append(self.x[rows].mean(axis=0), 1.0)

    def _mean_variance(self, checks: int) -> float:
        """Variance of the mean error of some checks, correlated as AR(1)."""
        return self.variance * (1 + self.phi) / (1 - self.phi) / checks

    def leave_out_since(self, onset: int, check: int) -> None:
        """Open an unexplained change: checks from its onset on leave the regression."""
        if self.learned and self.learned[-1] >= onset:
            self.learned = [known for known in self.learned if known < onset]
            self.rebuild_normal_equations()
        for left_out in range(onset, check + 1):
            if np.isnan(self.beyond[left_out]):
                expected, _ = self.reference_forecast(left_out)
                self.beyond[left_out] = self.observed[left_out] - expected
        self.change = OpenChange(
            alarmed=check if self.change is None else self.change.alarmed,
            size=float(self.beyond[onset : check + 1].mean()),
            variance=self._mean_variance(check + 1 - onset) + self.variance,
            step_variance=STEP_SD**2 * self.variance,
        )

    def reference_forecast(self, check: int) -> tuple[float, float]:
        """Forecast of a check from the reference before the open change, and its sd."""
        mean, cov = self.coefficients(int(self.level[check]))
        row = np.append(self.x[check], 1.0)
        return float(row @ mean), math.sqrt(self.variance + float(row @ cov @ row))

    def close_if_gone(self, check: int) -> None:
        """Close a change that has gone, and learn the latest checks.

        It has gone when the mean error of the last `GONE_CHECKS` checks, all after the alarm, is
        within `GONE_SD` of its standard deviations. These count what is not known of slopes and
        level: errors of the forecast that last for weeks are no change.
        """
        first = check + 1 - GONE_CHECKS
        if self.change is None or first <= self.change.alarmed:
            return
        if self._as_expected(first, check, GONE_SD):
            self._close_change(first, check)

    def _close_change(self, first: int, check: int) -> None:
        """Close the open change, and learn the checks from ``first`` on.

        If all its checks together are within `CREDIBLE_SD` of what was expected, and the latest
        ones within `GONE_SD`, all are learned: leaving out what a false alarm picked as extreme
        would bias the level.
        """
        start, latest = self.change_start(check), check + 1 - GONE_CHECKS
        lasting = (
            self.change is not None
            and latest > self.change.alarmed
            and not self._as_expected(latest, check, GONE_SD)
        )
        if not lasting and self._as_expected(start, check, CREDIBLE_SD):
            first = start
        self.change = None
        if first > check:
            return
        self.beyond[first : check + 1] = np.nan
        self.learned = sorted({*self.learned, *range(first, check + 1)})
        self.rebuild_normal_equations()

    def _as_expected(self, first: int, check: int, limit: float) -> bool:
        """Whether the mean error from ``first`` to ``check`` is within so many of its sd."""
        rows = slice(first, check + 1)
        mean, cov = self.coefficients(int(self.level[check]))
        row = self._mean_regressors(rows)
        error = float(self.observed[rows].mean() - row @ mean)
        variance = self._mean_variance(check + 1 - first) + float(row @ cov @ row)
        return error**2 <= limit**2 * variance

    def change_start(self, check: int) -> int:
        """First check of the unexplained change that ``check`` belongs to, on the same level."""
        same = ~np.isnan(self.beyond[:check]) & (self.level[:check] == self.level[check])
        other = np.flatnonzero(~same)
        return int(other[-1]) + 1 if len(other) else 0

    def looks_replaced(self, onset: int, check: int, life: float, moves: LevelMoves) -> bool:
        """Whether the change since ``onset`` is what new electrodes would do.

        The old pair must have reached `WORN_OUT` of its life, and the change must lie within two
        standard deviations of the fall or rise by the old pair's wear.
        """
        number = int(self.level[onset])
        if onset == 0 or self.level[check] != number or self.level[onset - 1] != number:
            return False
        arcs = float(self.x[onset - 1, WEAR]) - self._arcs_before(number)
        if arcs < WORN_OUT * life:
            return False
        mean, cov = self.coefficients(number)
        rows = slice(onset, check + 1)
        row = self._mean_regressors(rows)
        change = float(self.observed[rows].mean() - row @ mean)
        by_wear = -float(mean[WEAR]) * arcs
        row[WEAR] -= arcs
        move, variance = moves.next_move(REPLACEMENT)
        spread = self._mean_variance(check + 1 - onset) + row @ cov @ row
        spread += variance * self.variance
        expected = by_wear + move * math.sqrt(self.variance)
        alike = abs(change - expected) <= 2.0 * math.sqrt(float(spread))
        return alike and change * by_wear > 0 and abs(change) >= 0.5 * abs(by_wear)

    def assume_replacement(self, onset: int, check: int, moves: LevelMoves) -> None:
        """Start a new level at ``onset``: electrodes were replaced and nobody logged it."""
        number = int(self.level[onset]) + 1
        move, variance = moves.next_move(REPLACEMENT)
        self.level[onset:] += 1
        self.links[number] = LevelLink(move, variance, float(self.x[onset - 1, WEAR]))
        self.setting[onset : check + 1] = self.observed[onset : check + 1]
        self.build_rows()
        self.beyond[onset : check + 1] = np.nan
        self.learned = sorted({*self.learned, *range(onset, check + 1)})
        self.change, self.reference = None, None
        self.rebuild_normal_equations()
