"""Tables for terminals of any width: numbers are shown whole, lines fit."""

import re

import pytest

from arcdrift.cli import output

HEADS = ("File", "Kind", "Import", "Rows", "Already\nstored", "Conflic-\nting", "95 %", "Remark")
ROWS = [
    ("arc-checks-of-the-whole-crew.csv", "arc-checks", 12, "1,234,567", "65,536", "0",
     "81.5 to 90.25", "first at line 1048576 of the log"),
    ("b.csv", "splices", 3, "9", "0", "12,345", "7 to 11", ""),
]  # fmt: skip
NUMBERS = re.compile(r"\d[\d,.]*")


def printed(width: int, monkeypatch, capsys, rows=ROWS) -> str:
    monkeypatch.setattr(output, "PIPED_WIDTH", width)
    output.print_table(HEADS, rows, numeric_columns=(2, 3, 4, 5), title="Rows by file")
    return capsys.readouterr().out


@pytest.mark.parametrize("width", [40, 60, 80, 100, 140])
def test_no_number_is_cut_and_no_line_is_too_long(width, monkeypatch, capsys):
    out = printed(width, monkeypatch, capsys)
    assert max(map(len, out.splitlines())) <= width
    told = NUMBERS.findall(out)
    for row in ROWS:
        for value in row:
            for number in NUMBERS.findall(str(value)):
                assert number in told, (width, number, out)
    assert "…" not in out


def test_a_wide_table_keeps_its_columns_and_a_narrow_one_becomes_lines(monkeypatch, capsys):
    wide = printed(140, monkeypatch, capsys).splitlines()
    assert any(line.startswith(" arc-checks-of-the-whole-crew.csv  arc-checks") for line in wide)
    assert len(wide) == 8  # title, heads on two lines, rule, a line for each row, empty lines
    narrow = printed(40, monkeypatch, capsys).splitlines()
    assert narrow[:4] == [
        "Rows by file", "File: arc-checks-of-the-whole-crew.csv", "Kind: arc-checks", "Import: 12"
    ]  # fmt: skip
    assert "Conflicting: 12,345" in narrow
    assert "Already stored: 65,536" in narrow


def test_a_table_without_rows_shows_its_heads(monkeypatch, capsys):
    assert "Kind" in printed(80, monkeypatch, capsys, rows=[])
