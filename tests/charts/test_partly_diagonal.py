"""Equations with a diagonal part, against the matrix written out."""

import numpy as np
import pytest

from arcdrift.charts import partly_diagonal
from arcdrift.charts.partly_diagonal import Blocks, PartlyDiagonal, largest_diagonal_group


def crossed_moments(rows: int = 200) -> tuple[np.ndarray, np.ndarray]:
    """Moments of 12 people and 7 machines, one of each a row, and the group of each."""
    rng = np.random.default_rng(5)
    person, machine = rng.integers(0, 12, rows), 12 + rng.integers(0, 7, rows)
    columns = np.zeros((rows, 19))
    columns[np.arange(rows), person] = columns[np.arange(rows), machine] = 1.0
    weight = rng.uniform(0.5, 2.0, rows)
    return columns.T @ (weight[:, None] * columns), np.repeat([0, 1], [12, 7])


def blocks(matrix: np.ndarray, alone: np.ndarray) -> Blocks:
    return Blocks(
        np.diag(matrix)[alone], matrix[np.ix_(~alone, alone)], matrix[np.ix_(~alone, ~alone)]
    )


@pytest.mark.parametrize("group", [0, 1, None])
def test_solutions_and_inverse_are_those_of_the_matrix_written_out(group: int | None) -> None:
    moments, group_of = crossed_moments()
    matrix, alone = moments + np.eye(19), group_of == group
    given = blocks(matrix, alone)
    factor = PartlyDiagonal(given, alone)
    inverse = np.linalg.inv(matrix)
    right = np.random.default_rng(6).normal(size=(19, 3))
    np.testing.assert_allclose(factor.solve(right), inverse @ right, rtol=1e-10)
    np.testing.assert_allclose(factor.solve(right[:, 0]), inverse @ right[:, 0], rtol=1e-10)
    np.testing.assert_allclose(factor.squares(right), np.diag(right.T @ inverse @ right))
    right[alone] = 0.0
    np.testing.assert_allclose(factor.squares(right), np.diag(right.T @ inverse @ right))
    assert factor.log_determinant == pytest.approx(np.linalg.slogdet(matrix)[1], rel=1e-12)
    for found, part in zip(factor.inverse(), blocks(inverse, alone), strict=True):
        np.testing.assert_allclose(found, part, rtol=1e-10)
    np.testing.assert_allclose(factor.whole_inverse(), inverse, rtol=1e-10)
    for mine, part in zip(given, blocks(matrix, alone), strict=True):
        np.testing.assert_array_equal(mine, part)  # what was given is as it was


def test_the_largest_group_that_shares_no_row_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    moments, group = crossed_moments()
    entries = np.nonzero(moments)
    assert not largest_diagonal_group(group, *entries).any()  # too few to pay
    monkeypatch.setattr(partly_diagonal, "FEWEST_UNKNOWNS", 1)
    assert np.flatnonzero(largest_diagonal_group(group, *entries)).tolist() == list(range(12))
    tied = [np.append(places, more) for places, more in zip(entries, ([0], [1]), strict=True)]
    assert np.flatnonzero(largest_diagonal_group(group, *tied)).tolist() == list(range(12, 19))
    assert not largest_diagonal_group(group, *np.nonzero(np.ones((19, 19)))).any()
