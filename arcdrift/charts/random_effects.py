"""Random-effects model of cells, and Bayes factors of a shift of a set of cells against none.

Cells of the set that did not shift lower its Bayes factor; if cells outside it shifted as well, a
larger set has a higher one.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cholesky, solve_triangular
from scipy.sparse import csr_array, hstack
from scipy.special import log_ndtr

from arcdrift.arrays import Bools, Floats, Ints

CHUNK = 64
"""Subjects whose onsets are solved for at once; it bounds the memory."""


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
    shifts : sequence of (cells, sd)
        Sets of cells (array of bool) with one random effect each; sets may overlap.

    Notes
    -----
    Values are normal with covariance ``V = B + Z G Z'``, with ``B`` block-diagonal. ``V^-1`` comes
    from the matrix inversion lemma, first within the blocks (where it is one division), then for
    the groups, so the cost is that of one matrix of the size of the group effects, whatever the
    number of cells. Its Cholesky factor ``L`` is enough, as only products of the form
    ``a' (L L')^-1 b`` are needed.
    """

    def __init__(
        self,
        values: Floats,
        variance: Floats,
        groups: Sequence[tuple[Ints, float]],
        *,
        blocks: tuple[Ints, Floats] | None = None,
        shifts: Sequence[tuple[Bools, float]] = (),
    ) -> None:
        self._values = values
        self._w = 1.0 / variance
        self._blocks: tuple[Ints, Floats] | None = None
        if blocks is not None:
            block = np.unique(blocks[0], return_inverse=True)[1].astype(np.int64)
            size = int(block.max(initial=-1)) + 1
            effect = np.zeros(size)
            effect[block] = blocks[1]
            weight = np.bincount(block, self._w, minlength=size)
            self._blocks = block, effect / (1.0 + effect * weight)
            self._member = _indicators(block, np.arange(len(block)), (size, len(block)))
        parts, precision = [], []
        for codes, sd in groups:
            member = np.flatnonzero(codes >= 0)
            names, dense = np.unique(codes[member], return_inverse=True)
            parts.append(_indicators(member, dense, (len(values), len(names))))
            precision.append(np.full(len(names), 1.0 / sd**2))
        self._set_effects(parts, precision, shifts)

    def _set_effects(
        self,
        parts: list[csr_array],
        precision: list[Floats],
        shifts: Sequence[tuple[Bools, float]],
    ) -> None:
        self._parts, self._precision, self._shifts = parts, precision, tuple(shifts)
        all_parts, all_precision = list(parts), list(precision)
        for cells, sd in shifts:
            member = np.flatnonzero(cells)
            all_parts.append(_indicators(member, np.zeros_like(member), (len(self._w), 1)))
            all_precision.append(np.array([1.0 / sd**2]))
        effects = csr_array(hstack(all_parts, format="csr"))
        self._weighted_effects = self._within_blocks(effects)
        self._transposed_effects = csr_array(self._weighted_effects.T)
        matrix = (effects.T @ self._weighted_effects).toarray()
        matrix[np.diag_indices_from(matrix)] += np.concatenate(all_precision)
        self._factor = cholesky(matrix, lower=True, overwrite_a=True, check_finite=False)
        values = csr_array(self._values[:, None])
        weighted = self._within_blocks(values).toarray()[:, 0]
        projected = self._solve(self._transposed_effects @ self._values)
        rest = solve_triangular(self._factor, projected, lower=True, trans="T", check_finite=False)
        self._solved_values: Floats = weighted - self._weighted_effects @ rest

    def with_shifts(self, shifts: Sequence[tuple[Bools, float]]) -> "RandomEffectsModel":
        """The same model with these shifts beside its own."""
        model = object.__new__(RandomEffectsModel)
        model._values, model._w, model._blocks = self._values, self._w, self._blocks
        if self._blocks is not None:
            model._member = self._member
        model._set_effects(self._parts, self._precision, [*self._shifts, *shifts])
        return model

    def _within_blocks(self, columns: csr_array) -> csr_array:
        """``B^-1`` times some columns."""
        weighted = columns * self._w[:, None]
        if self._blocks is None:
            return csr_array(weighted)
        shared = self._member @ weighted * self._blocks[1][:, None]
        return csr_array(weighted - self._member.T @ shared * self._w[:, None])

    def _solve(self, sums: Floats) -> Floats:
        """``L^-1`` times sums by group, for the inner matrix ``L L'``."""
        return np.asarray(
            solve_triangular(self._factor, sums, lower=True, check_finite=False), dtype=np.float64
        )

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
        weighted = indicators * self._w[:, None]
        information = indicators.T @ weighted
        if self._blocks is not None:
            shared = self._member @ weighted
            information -= shared.T @ (shared * self._blocks[1][:, None])
        solved = self._solve(self._transposed_effects @ indicators)
        information -= solved.T @ solved
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

    def scores_by_onset(
        self, subject: Ints, subjects: int, day: Ints, days: int, least: float = -np.inf
    ) -> tuple[Floats, Floats]:
        """Score and information of ``1{subject, day >= t}`` for each subject and day ``t``.

        Parameters
        ----------
        subject : array, shape (cells,)
            Number of each cell's subject, -1 for none.
        subjects, days : int
            Numbers of subjects and of days that may be an onset.
        day : array, shape (cells,)
            Number of each cell's day, negative before the first possible onset. A block lies
            within one day.
        least : float
            The information is computed only where the score is above this.

        Returns
        -------
        score, information : array, shape (subjects, days)
            Information is 0 where it was not computed.
        """
        rows = np.flatnonzero((subject >= 0) & (day >= 0))
        cell = subject[rows] * days + day[rows]
        chosen = _indicators(rows, cell, (len(subject), subjects * days))
        scores: Floats = np.bincount(
            cell, self._solved_values[rows], minlength=subjects * days
        ).astype(np.float64)
        within = (chosen * self._within_blocks(chosen)).sum(axis=0)
        score, within = (
            _since(np.asarray(values, dtype=np.float64).reshape(subjects, days), axis=1)
            for values in (scores, within)
        )
        shared = csr_array(chosen.T @ self._weighted_effects)
        wanted = score > least
        active = np.flatnonzero(wanted.any(axis=1))
        for first in range(0, len(active), CHUNK):
            some = active[first : first + CHUNK]
            cells = (some[:, None] * days + np.arange(days)).ravel()
            part = shared[cells].toarray().reshape(len(some), days, -1)
            solved = self._solve(_since(part, axis=1)[wanted[some]].T)
            subject, onset = np.nonzero(wanted[some])
            within[some[subject], onset] -= (solved**2).sum(axis=0)
        return score, np.where(wanted, np.maximum(within, 0.0), 0.0)


def _indicators(rows: Ints, columns: Ints, shape: tuple[int, int]) -> csr_array:
    return csr_array((np.ones(len(rows)), (rows, columns)), shape=shape)


def _since(values: Floats, axis: int) -> Floats:
    """Sums from each position to the end of an axis."""
    return np.asarray(np.flip(np.cumsum(np.flip(values, axis), axis=axis), axis))
