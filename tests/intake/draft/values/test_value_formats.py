"""How the numbers of a sample are written, from all of its values."""

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from arcdrift.intake.draft.values.value_formats import marks_of, pair_mark


def texts(*values):
    return pd.Series(values, dtype="str")


@pytest.mark.parametrize(
    ("values", "decimal", "thousands", "decided"),
    [
        (("0.03", "1"), ".", None, True),
        (("0,03", "1"), ",", None, True),
        (("0,045",), ",", None, True),
        (("1.234,5", "12"), ",", ".", True),
        (("1,234.5",), ".", ",", True),
        (("1 234,5", "1\u202f234,5"), ",", " ", True),
        (("1'234.5",), ".", "'", True),
        (("1.234", "12.345"), ".", None, False),
        (("12", "13"), ".", None, False),
    ],
)
def test_marks_in_numbers(values, decimal, thousands, decided):
    found = marks_of(texts(*values))
    assert (found.decimal, found.thousands, found.decided) == (decimal, thousands, decided)
    assert found.readable == 1


def test_cells_of_two_numbers():
    assert pair_mark(texts("0.4/0.7", "1 / 2", "0,5/0,6")) == "/"
    assert pair_mark(texts("0.4-0.7", "1-2")) == "-"
    assert pair_mark(texts("0.4/", "/0.7", "1/2")) == "/"
    assert pair_mark(texts("0.4", "-0.7", "a/b")) is None


@given(st.lists(st.floats(-9e6, 9e6), min_size=1), st.sampled_from([",", "."]), st.booleans())
def test_numbers_are_read_as_they_were_written(values, decimal, grouped):
    other = "." if decimal == "," else ","
    plain_text = [f"{value:{',' if grouped else ''}.2f}" for value in values]
    swapped = {ord(","): other, ord("."): decimal}
    found = marks_of(texts(*dict.fromkeys(text.translate(swapped) for text in plain_text)))
    assert found.decided
    assert found.decimal == decimal
    assert found.thousands in (None, other)
    assert found.readable == 1
