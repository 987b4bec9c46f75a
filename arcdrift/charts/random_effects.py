"""Random-effects model of cells, and Bayes factors of a shift of a set of cells against none.

Cells of the set that did not shift lower its Bayes factor; if cells outside it shifted as well, a
larger set has a higher one.
"""

from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass, field

import numpy as np
from scipy.sparse import csr_array, diags_array
from scipy.special import log_ndtr

from arcdrift.arrays import Bools, Floats, Ints
from arcdrift.charts.bordered_cholesky import BorderedCholesky, EffectOrder, later_sums


@dataclass(frozen=True)
class Shift:
    """Estimated shift of one set of cells.

    Attributes
    ----------
    size : float
        Posterior mean, in the unit of the values.
    log_bayes_factor : float
        Natural log of the Bayes factor of a shift to the given side against no shift.
    information : float
        Inverse variance of the generalized least-squares estimate; 0 without information.
    """

    size: float
    log_bayes_factor: float
    information: float


NO_SHIFT = Shift(0.0, 0.0, 0.0)


def shift_log_bayes_factor(score: Floats, information: Floats, prior_sd: float) -> Floats:
    """Natural log of the Bayes factor of an upward shift of normal values against none.

    Parameters
    ----------
    score, information : array
        ``u = c'V^-1 y`` and ``I = c'V^-1 c`` of the indicator ``c`` of the shifted values ``y``,
        which have covariance ``V``.
    prior_sd : float
        The size of the shift is ``|N(0, prior_sd^2)|``.

    Notes
    -----
    ``2 Phi(u t / sqrt(1 + t^2 I)) exp(u^2 t^2 / (2 (1 + t^2 I))) / sqrt(1 + t^2 I)`` (conjugate
    normal model, t the prior standard deviation).
    """
    inflated = 1.0 + prior_sd**2 * np.maximum(information, 0.0)
    z = score * prior_sd / np.sqrt(inflated)
    return np.asarray(0.5 * z**2 - 0.5 * np.log(inflated) + np.log(2.0) + log_ndtr(z))


class RandomEffectsModel:
    """Residuals of cells with random effects, for testing shifts of sets of cells.

    Parameters
    ----------
    values : array, shape (cells,)
        Residuals of the cells from their expectations.
    variance : array, shape (cells,)
        Variance of each value given the random effects.
    groups : sequence of (codes, sd)
        Random effects: for each cell the code of its group (-1 for none), and the standard
        deviation of the effects, whose mean is 0.
    blocks : (codes, variance), optional
        One more random effect of many small groups: for each cell the code of its group and the
        variance of that group's effect.
    units : array of int, shape (cells,), optional
        Unit of each cell, as its splicer, in which a block lies. The more effects belong to one
        unit alone, the less work is the model; its figures are the same.
    shifts : sequence of (cells, sd)
        Sets of cells (array of bool) with one random effect each; sets may overlap.

    Notes
    -----
    Values are normal with covariance ``V = B + Z G Z'``, with ``B`` block-diagonal. ``V^-1`` comes
    from the matrix inversion lemma, first within the blocks (where it is one division), then for
    the groups, so the cost is that of one matrix of the size of the group effects, whatever the
    number of cells. Its Cholesky factor ``L`` is enough, as only products of the form
    ``a' (L L')^-1 b`` are needed; `arcdrift.charts.bordered_cholesky` leaves out its zeros. Shifts
    are allowed for by the same lemma once more, so that models that differ in their shifts share
    all else.
    """

    def __init__(
        self,
        values: Floats,
        variance: Floats,
        groups: Sequence[tuple[Ints, float]],
        *,
        blocks: tuple[Ints, Floats] | None = None,
        units: Ints | None = None,
        shifts: Sequence[tuple[Bools, float]] = (),
    ) -> None:
        self._values = values
        self._w = 1.0 / variance
        self._blocks: tuple[Ints, Floats] | None = None
        if blocks is not None:
            block, size = _dense(blocks[0])
            effect = np.zeros(size)
            effect[block] = blocks[1]
            weight = np.bincount(block, self._w, minlength=size)
            self._blocks = block, effect / (1.0 + effect * weight)
            self._member = _indicators(block, np.arange(len(block)), (size, len(block)))
        rows, columns, precision = [], [], []
        count = 0
        for codes, sd in groups:
            member = np.flatnonzero(codes >= 0)
            dense, size = _dense(codes[member])
            rows.append(member)
            columns.append(dense + count)
            precision.append(np.full(size, 1.0 / sd**2))
            count += size
        cells, columns_of_cells = _joined(rows), _joined(columns)
        unit = np.zeros(len(values), dtype=np.int64) if units is None else _dense(units)[0]
        order = EffectOrder(cells, columns_of_cells, unit, count)
        effects = _indicators(cells, order.place[columns_of_cells], (len(values), count))
        self._weighted_effects = self._within_blocks(effects)
        self._weighted_values = self._within_blocks_of(values[:, None])[:, 0]
        diagonal = np.empty(count)
        diagonal[order.place] = np.concatenate([*precision, np.zeros(0)])
        matrix = csr_array(effects.T @ self._weighted_effects) + diags_array(diagonal)
        self._factor = BorderedCholesky(csr_array(matrix), order)
        self._plain_values: Floats = self._solved(values[:, None])[:, 0]
        self._sets, self._solved_sets = np.zeros((2, len(values), 0))
        self._set_precision = np.zeros(0)
        self._add_shifts(shifts)

    def _add_shifts(self, shifts: Sequence[tuple[Bools, float]]) -> None:
        """Let each of some sets of cells have one more random effect, and solve for the values."""
        if shifts:
            sets = np.stack([cells for cells, _ in shifts], axis=1).astype(np.float64)
            self._sets = np.hstack([self._sets, sets])
            self._solved_sets = np.hstack([self._solved_sets, self._solved(sets)])
            precision = [1.0 / sd**2 for _, sd in shifts]
            self._set_precision = np.append(self._set_precision, precision)
        joint = self._sets.T @ self._solved_sets + np.diag(self._set_precision)
        self._set_covariance: Floats = np.linalg.inv(joint).astype(np.float64)
        explained = self._set_covariance @ (self._solved_sets.T @ self._values)
        self._solved_values = self._plain_values - self._solved_sets @ explained

    def _solved(self, columns: Floats) -> Floats:
        """``V^-1`` without shifts times some columns."""
        projected = self._factor.solve(self._weighted_effects.T @ columns)
        explained = self._weighted_effects @ self._factor.solve_transposed(projected)
        return np.asarray(self._within_blocks_of(columns) - explained)

    def with_shifts(self, shifts: Sequence[tuple[Bools, float]]) -> "RandomEffectsModel":
        """The same model with these shifts beside its own."""
        if not shifts:
            return self
        model = copy(self)
        model._add_shifts(shifts)
        return model

    def _within_blocks_of(self, columns: Floats) -> Floats:
        """``B^-1`` times some dense columns."""
        weighted = columns * self._w[:, None]
        if self._blocks is None:
            return weighted
        shared = (self._member @ weighted) * self._blocks[1][:, None]
        return np.asarray(weighted - (self._member.T @ shared) * self._w[:, None])

    def _within_blocks(self, columns: csr_array) -> csr_array:
        """``B^-1`` times some columns."""
        weighted = columns * self._w[:, None]
        if self._blocks is None:
            return csr_array(weighted)
        shared = self._member @ weighted * self._blocks[1][:, None]
        return csr_array(weighted - self._member.T @ shared * self._w[:, None])

    def scores_and_information(self, sets: Bools) -> tuple[Floats, Floats]:
        """Scores and joint information of several sets of cells.

        Parameters
        ----------
        sets : array of bool, shape (cells, k)

        Returns
        -------
        score : array, shape (k,)
            ``C'V^-1 y`` of the indicators ``C``.
        information : array, shape (k, k)
            ``C'V^-1 C``.
        """
        indicators = sets.astype(np.float64)
        information = indicators.T @ self._within_blocks_of(indicators)
        solved = self._factor.solve(self._weighted_effects.T @ indicators)
        information -= solved.T @ solved
        shared = self._solved_sets.T @ indicators
        information -= shared.T @ self._set_covariance @ shared
        return self._solved_values @ indicators, information

    def shift_bayes_factor(self, cells: Bools, side: float, prior_sd: float) -> Shift:
        """Estimate a shift of some cells to one side, and its Bayes factor against none.

        Parameters
        ----------
        cells : array of bool, shape (cells,)
            The cells that would have shifted.
        side : float
            1 for up, -1 for down.
        prior_sd : float
            Prior standard deviation of the shift.
        """
        if not cells.any():
            return NO_SHIFT
        scores, joint = self.scores_and_information(cells[:, None])
        score, information = float(scores[0]), max(float(joint[0, 0]), 0.0)
        size = score * prior_sd**2 / (1.0 + prior_sd**2 * information)
        log_bayes_factor = shift_log_bayes_factor(
            np.array(side * score), np.array(information), prior_sd
        )
        return Shift(size, float(log_bayes_factor), information)

    def by_onset(self, subject: Ints, subjects: int, day: Ints, days: int) -> "ShiftsByOnset":
        """Sets of the cells ``1{subject, day >= t}`` for each subject and day ``t``.

        Parameters
        ----------
        subject : array, shape (kinds, cells)
            Number of each cell's subject of each kind, -1 for none.
        subjects, days : int
            Numbers of subjects of all kinds and of days that may be an onset.
        day : array, shape (cells,)
            Number of each cell's day, negative before the first possible onset. A block lies
            within one day.
        """
        kind, rows = np.nonzero((subject >= 0) & (day >= 0))
        cell, size = subject[kind, rows] * days + day[rows], subjects * days
        sums = _indicators(cell, rows, (size, len(day)))
        within = self._information_within_blocks(cell, rows, size).reshape(subjects, days)
        return ShiftsByOnset(
            sums, csr_array(sums @ self._weighted_effects), later_sums(within, axis=1)
        )

    def scores_by_onset(
        self, sets: "ShiftsByOnset", least: Floats | None = None
    ) -> tuple[Floats, Floats]:
        """Score and information of the sets of each subject and onset.

        Parameters
        ----------
        sets : ShiftsByOnset
            `by_onset` of this model, or of one that differs in its shifts. It keeps what does not
            depend on these.
        least : array, shape (subjects,), optional
            The information is computed only where the score is above this.

        Returns
        -------
        score, information : array, shape (subjects, days)
            Information is 0 where it was not computed.
        """
        subjects, days = sets.within.shape
        score, *shared = (
            later_sums((sets.sums @ values).reshape(subjects, days), axis=1)
            for values in (self._solved_values, *self._solved_sets.T)
        )
        wanted = np.isfinite(score) if least is None else score > least[:, None]
        self._inform(sets, wanted)
        found = sets.known[wanted]
        if shared:
            parts = np.stack([values[wanted] for values in shared])
            found = found - ((self._set_covariance @ parts) * parts).sum(axis=0)
        information = np.zeros((subjects, days))
        information[wanted] = np.maximum(found, 0.0)
        return score, information

    def _inform(self, sets: "ShiftsByOnset", wanted: Bools) -> None:
        """Compute the information of some sets without shifts, where it is not known yet."""
        days = sets.within.shape[1]
        new = wanted & np.isnan(sets.known)
        active = np.flatnonzero(new.any(axis=1))
        rows = (active[:, None] * days + np.arange(days)).ravel()
        squares = self._factor.squares_of_later_sums(csr_array(sets.weighted[rows]), new[active])
        sets.known[new] = sets.within[new] - squares

    def _information_within_blocks(self, sets: Ints, rows: Ints, size: int) -> Floats:
        """Diagonal of ``C' B^-1 C`` for the sets with these rows, each row in one set."""
        weight = self._w[rows]
        information = np.bincount(sets, weight, minlength=size).astype(np.float64)
        if self._blocks is None:
            return information
        block, factor = self._blocks
        pair, code = np.unique(sets * len(factor) + block[rows], return_inverse=True)
        within = np.bincount(code, weight, minlength=len(pair))
        shared = factor[pair % len(factor)] * within**2
        return information - np.bincount(pair // len(factor), shared, minlength=size)


@dataclass
class ShiftsByOnset:
    """Sets of a subject's cells from a day on, for each subject and day.

    Attributes
    ----------
    sums : sparse array, shape (subjects * days, cells)
        Cells of each subject and day.
    weighted : sparse array, shape (subjects * days, effects)
        Their weighted sums by random effect.
    within : array, shape (subjects, days)
        Information of each set where there are no random effects but those of blocks.
    known : array, shape (subjects, days)
        Information without shifts where it was asked for, NaN elsewhere.
    """

    sums: csr_array
    weighted: csr_array
    within: Floats
    known: Floats = field(init=False)

    def __post_init__(self) -> None:
        self.known = np.full(self.within.shape, np.nan)


def _dense(codes: Ints) -> tuple[Ints, int]:
    """Codes numbered from 0 without gaps, in the same order, and how many there are."""
    used = np.bincount(codes) > 0
    return np.asarray(np.cumsum(used) - 1)[codes], int(used.sum())


def _indicators(rows: Ints, columns: Ints, shape: tuple[int, int]) -> csr_array:
    return csr_array((np.ones(len(rows)), (rows, columns)), shape=shape)


def _joined(parts: Sequence[Ints]) -> Ints:
    return np.concatenate([*parts, np.zeros(0, dtype=np.int64)])
