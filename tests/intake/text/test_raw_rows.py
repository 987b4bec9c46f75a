"""Bytes to rows: every line in one place, and no damage that spreads."""

import numpy as np
import pytest

from arcdrift.errors import BadInput
from arcdrift.intake.text import physical_lines as lines_module
from arcdrift.intake.text.multiline_rows import MAX_ROW_LINES
from arcdrift.intake.text.physical_lines import MAX_LINE_BYTES, check_lines, split
from arcdrift.intake.text.raw_rows import numbered, read_rows


def read(content: bytes, **options):
    rows = read_rows(content, "log.csv", **options)
    row_lines = int((rows.last - rows.first + 1).sum())
    row_lines += sum(row.last - row.first + 1 for row in rows.broken)
    assert rows.header_lines + rows.blank_lines + rows.skipped_lines + row_lines == len(rows.lines)
    return rows


def cells(rows):
    return [tuple(row.values()) for row in rows.cells.to_pylist()]


def broken(rows):
    return [(row.first + 1, row.last + 1, row.code) for row in rows.broken]


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"a,b,c\n1,2,3\n", [("1", "2", "3")]),
        (b"\xef\xbb\xbfa,b,c\n1,2,3", [("1", "2", "3")]),
        (b"a;b;c\r\n1;2,5;3\r\n", [("1", "2,5", "3")]),
        (b"a\tb\tc\n1\t2\t3\n", [("1", "2", "3")]),
        (b"a,b,c\r1,2,3\r4,5,6", [("1", "2", "3"), ("4", "5", "6")]),
        (b'"a","b",c\n"1","2,5",3\n', [("1", "2,5", "3")]),
        (b'a,b,c\n1,"say ""hi""",3\n', [("1", 'say "hi"', "3")]),
        (b'a,b,c\n1,"",3\n', [("1", "", "3")]),
        (b'a,b,c\n1,5" pipe,3\n', [("1", '5" pipe', "3")]),
        (b'a,b,c\n1,"two\nlines",3\n', [("1", "two\nlines", "3")]),
        (b'a,b,c\n1,"two\r\n\r\nlines",3\n', [("1", "two\n\nlines", "3")]),
        (b"a,b,c,\n1,2,3,\n4,5,6\n7,8,9, \n", [tuple("123"), tuple("456"), tuple("789")]),
        ("a,b,c\nØ,é,3\n".encode(), [("Ø", "é", "3")]),
    ],
)
def test_sound_files(content, expected):
    content = content.removeprefix(b"\xef\xbb\xbf")
    rows = read(content)
    assert cells(rows) == expected
    assert not rows.broken
    assert rows.header == ("a", "b", "c")


@pytest.mark.parametrize(
    ("damage", "code"),
    [
        (b"1,2", "cells-missing"),
        (b"1,2,3,4", "cells-extra"),
        (b'1,2,"open', "quote-unclosed"),
        (b'1,"open,3', "quote-unclosed"),
        (b'1,"a"b,3', "quote-stray"),
        (b"1,\0,3", "nul-byte"),
        (b"1,\xe9,3", "not-utf8"),
        (b"1," + b"x" * MAX_LINE_BYTES + b",3", "line-long"),
        (b'"' * 3 + b",2,3", "quote-unclosed"),
    ],
)
@pytest.mark.parametrize("delimiter", [b",", b";"])
def test_damage_stays_on_its_line(damage, code, delimiter):
    before, after = b"p,q,r", b"x,y,z"
    content = b"\n".join([b"a,b,c", before, damage, after, before]).replace(b",", delimiter)
    rows = read(content)
    assert broken(rows) == [(3, 3, code)]
    assert cells(rows) == [tuple("pqr"), tuple("xyz"), tuple("pqr")]
    assert list(rows.first + 1) == [2, 4, 5]


def test_an_open_quote_does_not_reach_over_a_whole_row():
    # read by the letter of the format, lines 2 to 4 would be one row of three cells
    rows = read(b'a,b,c\n1,2,"open\n4,5,6\n",x,y\n')
    assert cells(rows) == [("4", "5", "6")]
    assert broken(rows) == [(2, 2, "quote-unclosed"), (4, 4, "quote-unclosed")]


@pytest.mark.parametrize("delimiter", [b",", b";", b"\t"])
def test_a_line_break_in_the_first_cell(delimiter):
    content = b'a,b,c\n"two\nlines",2,3\n"an\n""odd""\none",5,"6\n7"\n8,9",x\n'
    rows = read(content.replace(b",", delimiter))
    assert cells(rows) == [
        ("two\nlines", "2", "3"),
        ('an\n"odd"\none', "5", "6\n7"),
        ("8", '9"', "x"),
    ]
    assert list(rows.first + 1) == [2, 4, 8]
    assert not rows.broken


def test_the_end_of_a_damaged_first_cell_is_no_row():
    # by the rule that a whole row is never inside a cell, line 3 parts the first cell
    rows = read(b'a,b,c\n"two\nx,y,z\nlines",2,3\n')
    assert cells(rows) == [("x", "y", "z")]
    assert broken(rows) == [(2, 2, "quote-unclosed"), (4, 4, "quote-unopened")]


def test_an_open_quote_does_not_reach_over_a_quoted_row():
    rows = read(b'a,b,c\n1,2,"open\n4,"say ""5""",6\nclosed"\n')
    assert cells(rows) == [("4", 'say "5"', "6")]
    assert [row[0] for row in broken(rows)] == [2, 4]


def test_an_open_quote_does_not_reach_over_damage():
    rows = read(b'a,b,c\n1,2,"open\n\0\nclosed"\n')
    assert broken(rows) == [
        (2, 2, "quote-unclosed"),
        (3, 3, "nul-byte"),
        (4, 4, "quote-unopened"),
    ]


def test_a_quoted_cell_has_a_longest():
    longest = b"a,b\n1," + b'"' + b"x\n" * (MAX_ROW_LINES - 1) + b'"\n'
    assert len(cells(read(longest))) == 1
    assert broken(read(longest.replace(b"x", b"x\nx", 1)))[0] == (2, 2, "quote-unclosed")


def test_blank_lines_repeated_headers_and_skipped_lines_are_counted():
    rows = read(
        b"Export of the log\nmade today\n\na,b\n(text),(text)\n1,2\n\n , \n,\na,b\n3,4\n\n",
        skip_lines=2,
        skip_after_header=1,
    )
    assert cells(rows) == [("1", "2"), ("3", "4")]
    assert (rows.header_lines, rows.blank_lines, rows.skipped_lines) == (2, 5, 3)
    assert list(rows.first + 1) == [6, 11]


def test_something_beyond_the_named_columns_is_too_much():
    rows = read(b"a,b,\n1,2,\n3,4,x\n5,6\n")
    assert cells(rows) == [("1", "2"), ("5", "6")]
    assert broken(rows) == [(3, 3, "cells-extra")]


@pytest.mark.parametrize("mark", [";", "\t"])
def test_a_column_at_the_end_without_a_name_is_left_out(mark):
    content = 'a,b,,\n1,2,x,\n3,4\n5,6,,\n7,8,,,y\n"u\nv",9,z,\n'.replace(",", mark)
    rows = read(content.encode())
    assert cells(rows) == [("1", "2"), ("3", "4"), ("5", "6"), ("u\nv", "9")]
    assert broken(rows) == [(5, 5, "cells-extra")]
    assert rows.filled_unnamed == (3,)


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_line_breaks_in_the_names_of_a_header(end):
    content = 'a,"b\n(dB)","c\n\nd",e\n1,2,3,4\n"u\nv",6,7,8\n'.replace("\n", end)
    rows = read(content.encode())
    assert rows.header == ("a", "b (dB)", "c  d", "e")
    assert cells(rows) == [tuple("1234"), ("u\nv", "6", "7", "8")]
    assert rows.header_lines == 4


def test_columns_without_a_name_and_names_that_come_again():
    rows = read(b"a,,a,b, ,a,a 2\n1,2,3,4,5,6,7\na,,a,b,,a,a 2\n,,,,x,,\n")
    assert rows.header == ("a", "", "a 3", "b", "", "a 4", "a 2")
    assert rows.written == ("a", "", "a", "b", "", "a", "a 2")
    # a header that comes again is known by what is written
    assert cells(rows) == [tuple("1234567"), ("", "", "", "", "x", "", "")]
    assert rows.header_lines == 2


@pytest.mark.parametrize(
    ("written", "names"),
    [
        (["a", "a", "a"], ["a", "a 2", "a 3"]),
        (["a 2", "a", "a"], ["a 2", "a", "a 3"]),
        (["a", "a 2", "a", "a 2"], ["a", "a 2", "a 3", "a 2 2"]),
        (["", "", "a"], ["", "", "a"]),
    ],
)
def test_numbers_of_names_that_come_again(written, names):
    assert list(numbered(written)) == names


def test_raw_text_is_fit_to_keep():
    rows = read(b'a,b,c\n1,\0,\xe93\n1,"x\r\ny",3\n' + b"z" * (2 * MAX_LINE_BYTES))
    assert rows.lines.raw(1, 1) == "1,\u2400,\\xe93"
    assert rows.lines.raw(2, 3) == '1,"x\r\ny",3'
    assert rows.lines.raw(4, 4) == "z" * MAX_LINE_BYTES + " ... (cut)"


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (b"", []),
        (b"\n", [b""]),
        (b"a", [b"a"]),
        (b"a\nb", [b"a", b"b"]),
        (b"a\r\nb\r\n", [b"a", b"b"]),
        (b"a\rb\r", [b"a", b"b"]),
        (b"a\r\r\nb", [b"a", b"", b"b"]),
        (b"\r\n\r\n", [b"", b""]),
        (b"\n\r", [b"", b""]),
        (b"\r\n", [b""]),
    ],
)
def test_physical_lines_are_those_of_an_editor(data, expected):
    assert expected == data.splitlines()  # the standard library agrees, for these line ends
    lines = split(data)
    found = [data[a:b] for a, b in zip(lines.starts[:-1], lines.ends, strict=True)]
    assert found == expected


def test_lines_are_seen_alike_in_blocks_of_any_size(monkeypatch):
    rng = np.random.default_rng(7)
    data = bytes(rng.choice(list(b'a,";\n\r\0\xc3\xa9'), 4000))
    lines = split(data)
    whole = check_lines(lines, ",", 3)
    for size in (1, 10, 64, 999):
        monkeypatch.setattr(lines_module, "_BLOCK_BYTES", size)
        again = check_lines(lines, ",", 3)
        for name in ("plain", "nul", "not_utf8", "too_long"):
            assert (getattr(whole, name) == getattr(again, name)).all()


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"", "log.csv is empty."),
        (b"\n \n", "log.csv is empty."),
        (b"a,\0,c\n", "log.csv is not a text table; export the log as CSV."),
        (b"a,\xe9\n", "The header of log.csv is not UTF-8 text; save it as CSV UTF-8."),
        (b'a,"b\n1,"2"\n', "The header of log.csv, line 1, has an unclosed quote; close it."),
        (b'a,"b\n1,2"\n', "The header of log.csv, line 1, has an unclosed quote; close it."),
        (b'a,"b\n1,2\n', "The header of log.csv, line 1, has an unclosed quote; close it."),
        (b'"",\n1,2\n', "The first line of log.csv names no columns; add the header."),
    ],
)
def test_headers_that_cannot_be_used_are_refused(content, sentence):
    with pytest.raises(BadInput) as caught:
        read_rows(content, "log.csv")
    assert str(caught.value) == sentence
