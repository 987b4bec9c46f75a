"""Equations with a diagonal part, against the matrix written out."""

import numpy as np
import pytest
from scipy.sparse import csr_array

from arcdrift.charts import partly_diagonal
from arcdrift.charts.partly_diagonal import PartlyDiagonal, largest_diagonal_group


def crossed_moments(rows: int = 200) -> tuple[np.ndarray, np.ndarray]:
    """Moments of 12 people and 7 machines, one of each a row, and the group of each."""
    rng = np.random.default_rng(5)
    person, machine = rng.integers(0, 12, rows), 12 + rng.integers(0, 7, rows)
    columns = np.zeros((rows, 19))
    columns[np.arange(rows), person] = columns[np.arange(rows), machine] = 1.0
    weight = rng.uniform(0.5, 2.0, rows)
    return columns.T @ (weight[:, None] * columns), np.repeat([0, 1], [12, 7])


@pytest.mark.parametrize("group", [0, 1, None])
def test_solutions_and_inverse_are_those_of_the_matrix_written_out(group: int | None) -> None:
    moments, group_of = crossed_moments()
    matrix, alone = moments + np.eye(19), group_of == group
    factor = PartlyDiagonal(matrix.copy(), alone)
    inverse = np.linalg.inv(matrix)
    right = np.random.default_rng(6).normal(size=(19, 3))
    np.testing.assert_allclose(factor.solve(right), inverse @ right, rtol=1e-10)
    np.testing.assert_allclose(factor.solve(right[:, 0]), inverse @ right[:, 0], rtol=1e-10)
    assert factor.log_determinant == pytest.approx(np.linalg.slogdet(matrix)[1], rel=1e-12)
    left_out = alone[:, None] & alone & ~np.eye(19, dtype=bool)
    np.testing.assert_allclose(factor.inverse(), np.where(left_out, 0.0, inverse), rtol=1e-10)


def test_the_largest_group_that_shares_no_row_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(partly_diagonal, "FEWEST_UNKNOWNS", 1)
    moments, group = crossed_moments()
    assert np.flatnonzero(largest_diagonal_group(group, moments)).tolist() == list(range(12))
    tied = csr_array(([1.0, 1.0], ([0, 1], [1, 0])), shape=(19, 19)).toarray()
    found = largest_diagonal_group(group, moments, tied)
    assert np.flatnonzero(found).tolist() == list(range(12, 19))
    assert not largest_diagonal_group(group, np.ones((19, 19))).any()
