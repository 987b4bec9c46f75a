"""Cells of text to numbers and names."""

import unicodedata

import numpy as np
import pyarrow as pa
import pytest

from arcdrift.intake.typing.cells import mapped, numbers, text, trimmed, without_less_than


def column(*cells: str | None) -> pa.ChunkedArray:
    return pa.chunked_array([pa.array(cells, pa.string())])


@pytest.mark.parametrize(
    ("written", "value"),
    [
        ("0.03", 0.03),
        ("-0.5", -0.5),
        ("+7", 7.0),
        (".5", 0.5),
        ("5.", 5.0),
        ("1e3", 1000.0),
        ("1.5E-2", 0.015),
        ("007", 7.0),
    ],
)
@pytest.mark.parametrize("beside", [(), ("x",)], ids=["all numbers", "one is none"])
def test_numbers(written, value, beside):
    read = numbers(column(written, *beside))
    assert read.values[0] == value
    assert list(read.unreadable) == [False, *(True for _ in beside)]


@pytest.mark.parametrize(
    "written", ["nan", "NaN", "inf", "-inf", "infinity", "x", "1 dB", "0x10", "1e999", "--1", "١"]
)
def test_what_is_no_number(written):
    read = numbers(column("1", written))
    assert np.isnan(read.values[1])
    assert list(read.unreadable) == [False, True]
    assert not read.separated.any()


@pytest.mark.parametrize(
    "written", ["1,234", "1,234.5", "1.234.567", "1 234", "1'234", "1\u00a0234,5", "0,03"]
)
def test_separators_are_not_guessed_at(written):
    read = numbers(column("1", written))
    assert np.isnan(read.values[1])
    assert list(read.separated) == [False, True]
    assert not read.unreadable.any()


def test_decimal_commas():
    read = numbers(column("0,03", "-1,5", "+2", None, "0.03", "1.234,5", "x"), ",")
    assert list(read.values[:3]) == [0.03, -1.5, 2.0]
    assert np.isnan(read.values[3:]).all()
    assert list(read.separated) == [False] * 4 + [True, True, False]
    assert list(read.unreadable) == [False] * 6 + [True]


def test_blank_cells_and_words_for_nothing_are_missing():
    assert trimmed(column(" a ", "", "  ", "NA", "na"), ["NA"]).to_pylist() == [
        "a",
        None,
        None,
        None,
        "na",
    ]
    assert not numbers(column(None, None)).unreadable.any()


def test_equal_names_are_equal():
    composed, decomposed = "Bj\u00f8rk \u00e9", "Bj\u00f8rk e\u0301"
    assert composed != decomposed
    names = text(column(composed, decomposed, None))
    assert names[0] == names[1] == unicodedata.normalize("NFC", decomposed)
    assert names.isna().tolist() == [False, False, True]


def test_words_of_a_file_become_ours():
    cells = column("OK", "ok", "NG", "else", None)
    assert mapped(cells, {"OK": "pass", "ng": "fail"}).to_pylist() == [
        "pass",
        "pass",
        "fail",
        "else",
        None,
    ]
    assert mapped(cells, {}) is cells
    assert mapped(column("OK", "Dust"), {"ok": ""}).to_pylist() == [None, "Dust"]


def test_less_than_is_taken_from_the_start_of_cells():
    cells = pa.chunked_array([pa.array(["<0.01", "0.02", "\u2264 0,05", "<= .1", None])])
    bare, signed = without_less_than(cells)
    assert bare.to_pylist() == ["0.01", "0.02", "0,05", ".1", None]
    assert signed.tolist() == [True, False, True, True, False]
