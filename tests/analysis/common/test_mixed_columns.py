"""Weighted moments of dense columns and indicators, against the dense matrices written out."""

import numpy as np
import pandas as pd
from scipy.sparse import csr_array

from arcdrift.analysis.common.mixed_columns import MixedColumns, indicators, pair_products


def crew():
    rng = np.random.default_rng(4)
    groups = pd.DataFrame(
        {"technician": rng.choice(list("dcba"), 50), "splicer": rng.choice(["s10", "s9"], 50)}
    )
    dense = np.column_stack([np.ones(50), rng.normal(size=50)])
    return rng, groups, dense


def test_indicators_mark_the_levels_in_alphabetical_order():
    _, groups, _ = crew()
    marks, kind, labels = indicators(groups)
    expected = np.hstack([pd.get_dummies(groups[name]).to_numpy(float) for name in groups])
    np.testing.assert_array_equal(marks.toarray(), expected)
    assert kind.tolist() == [0, 0, 0, 0, 1, 1]
    assert labels[3:5] == [("technician", "d"), ("splicer", "s10")]
    unused = groups.assign(splicer=pd.Categorical(groups["splicer"], ["none", "s10", "s9"]))
    assert indicators(unused)[2] == labels


def test_moments_sums_and_variances_are_those_of_the_dense_columns():
    rng, groups, dense = crew()
    marks, _, _ = indicators(groups)
    columns, written_out = MixedColumns(dense, marks), np.hstack([dense, marks.toarray()])
    weight, effects = rng.uniform(size=50), rng.normal(size=8)
    np.testing.assert_allclose(
        columns.moments(weight), written_out.T @ np.diag(weight) @ written_out, atol=1e-12
    )
    np.testing.assert_allclose(columns.values(effects), written_out @ effects)
    np.testing.assert_allclose(columns.sums(weight), written_out.T @ weight)
    root = rng.normal(size=(6, 6))
    covariance = root @ root.T
    z = marks.toarray()
    of_pairs = covariance[columns.first, columns.second]
    np.testing.assert_allclose(columns.sparse_variances(of_pairs), np.diag(z @ covariance @ z.T))
    np.testing.assert_allclose(
        columns.dense_moments(weight), written_out.T @ np.diag(weight) @ dense, atol=1e-12
    )
    members = indicators(pd.DataFrame({"week": rng.choice(list("uvwxyz"), 50)}))[0].T.tocsr()
    weeks = columns.sums_by(members, weight)
    sums = members.toarray() @ np.diag(weight) @ written_out
    by_week = rng.uniform(size=6)
    np.testing.assert_allclose(weeks.moments(by_week), sums.T @ np.diag(by_week) @ sums)


def test_rows_of_many_few_or_no_values_have_all_their_pairs():
    rows = csr_array(np.array([[1.0, 2.0, 3.0], [0.0, 0.0, 0.0], [0.0, 4.0, 0.0]]))
    weight = np.array([2.0, 7.0, 0.5])
    dense = rows.toarray()
    first, second, products = pair_products(rows)
    found = np.zeros((3, 3))
    found[first, second] = products @ weight
    np.testing.assert_array_equal(found, np.triu(dense.T @ np.diag(weight) @ dense))
    assert (first <= second).all()
    assert len(first) == 6
