"""Classes of a column of logged reasons."""

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.common.error_classes import error_classes
from arcdrift.error_reasons import CLASSES
from arcdrift.settings import Crew

CREW = Crew(name="x", error_reasons={"E12": "arc"})


@pytest.mark.parametrize("dtype", ["str", "category"])
def test_each_row_gets_the_class_of_its_reason(dtype):
    reasons = pd.Series(["Dust", None, "E12", "whatever", "Dust"], index=[3, 4, 7, 8, 9])
    found = error_classes(reasons.astype("str").astype(dtype), CREW)
    expected = ["fiber_not_seen", np.nan, "arc", "other", "fiber_not_seen"]
    pd.testing.assert_series_equal(
        found.astype(object), pd.Series(expected, index=reasons.index, dtype=object)
    )
    assert list(found.cat.categories) == list(CLASSES)


@pytest.mark.parametrize("rows", [0, 3])
def test_a_column_without_reasons(rows):
    assert error_classes(pd.Series([None] * rows, dtype="str"), CREW).isna().all()
