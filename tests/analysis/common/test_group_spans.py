"""Groups of rows, against pandas."""

import numpy as np
import pandas as pd

from arcdrift.analysis.common.grouping import count_distinct, group_index, group_span


def test_distinct_values_and_spans_of_groups_are_those_of_pandas():
    rng = np.random.default_rng(5)
    at = pd.Series(pd.to_datetime(rng.integers(0, 10**15, 40), unit="us", utc=True).as_unit("us"))
    frame = pd.DataFrame({"who": rng.choice(list("abc"), 40), "day": rng.integers(0, 9, 40),
                          "first": at, "last": at + pd.Timedelta(hours=1)})  # fmt: skip
    group, _ = group_index(frame["who"])
    expected = frame.groupby("who").agg(
        days=("day", "nunique"), first=("first", "min"), last=("last", "max")
    )
    assert count_distinct(group, frame["day"]).tolist() == expected["days"].tolist()
    first, last = group_span(group, frame["first"], frame["last"])
    assert first.tolist() == expected["first"].tolist()
    assert last.tolist() == expected["last"].tolist()
