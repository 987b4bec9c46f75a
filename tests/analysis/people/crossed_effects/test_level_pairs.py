"""Matrices held by pairs of levels, against the same matrices written out."""

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.common.mixed_columns import MixedColumns, indicators
from arcdrift.analysis.people.crossed_effects.level_pairs import LevelPairs
from arcdrift.charts import partly_diagonal


@pytest.mark.parametrize("fewest", [1, 200])
@pytest.mark.parametrize("unvaried", [(), ("technician",), ("splicer",), ("technician", "splicer")])
def test_they_are_the_matrices_written_out(
    fewest: int, unvaried: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    """With and without people eliminated, and with groupings whose variance is zero."""
    monkeypatch.setattr(partly_diagonal, "FEWEST_UNKNOWNS", fewest)
    rng = np.random.default_rng(8)
    groups = pd.DataFrame(
        {name: rng.integers(0, count, 30).astype(str)
         for name, count in (("technician", 9), ("splicer", 5), ("cleaver", 4))}
    )  # fmt: skip
    marks, kind, labels = indicators(groups)
    columns = MixedColumns(np.empty((30, 0)), marks)
    weight = rng.uniform(0.5, 2.0, 30)
    moments = marks.toarray().T @ (weight[:, None] * marks.toarray())
    pairs = LevelPairs(kind, columns)
    assert pairs.alone.any() == (fewest == 1)
    values = pairs.spread(columns, columns.pairs @ weight)
    np.testing.assert_allclose(values, moments[pairs.first, pairs.second])
    np.testing.assert_allclose(pairs.diagonal(values), np.diag(moments))
    vector = rng.normal(size=len(kind))
    np.testing.assert_allclose(pairs.product(values, vector), moments @ vector)
    scale = np.array([0.0 if name in unvaried else 0.3 + rng.uniform() for name, _ in labels])
    whole = np.eye(len(kind)) + scale[:, None] * moments * scale
    factor = pairs.factor(values, scale)
    np.testing.assert_allclose(factor.solve(vector), np.linalg.solve(whole, vector))
    inverse = pairs.of_blocks(factor.inverse())
    np.testing.assert_allclose(inverse, np.linalg.inv(whole)[pairs.first, pairs.second], atol=1e-14)
    half = scale[:, None] * moments
    left = np.diag(moments - half.T @ np.linalg.solve(whole, half))
    found = pairs.reduced_diagonal(values, scale, factor, inverse)
    np.testing.assert_allclose(found, left, rtol=1e-9)


def test_pairs_of_several_columns_are_put_together() -> None:
    """A week may hold two cleavers that no row holds together."""
    groups = pd.DataFrame({"technician": list("aab"), "cleaver": list("xyy")})
    marks, kind, _ = indicators(groups)
    rows = MixedColumns(np.empty((3, 0)), marks)
    weeks = rows.sums_by(indicators(pd.DataFrame({"week": [1, 1, 2]}))[0].T.tocsr(), np.ones(3))
    pairs = LevelPairs(kind, rows, weeks)
    together = marks.toarray().T @ marks.toarray()
    of_weeks = weeks.sparse.toarray().T @ weeks.sparse.toarray()
    assert of_weeks[2, 3] == 1.0
    assert together[2, 3] == 0.0
    for columns, matrix in ((rows, together), (weeks, of_weeks)):
        values = pairs.spread(columns, columns.pairs @ np.ones(columns.pairs.shape[1]))
        np.testing.assert_array_equal(values, matrix[pairs.first, pairs.second])
        np.testing.assert_array_equal(
            pairs.chosen(columns, values), matrix[columns.first, columns.second]
        )
