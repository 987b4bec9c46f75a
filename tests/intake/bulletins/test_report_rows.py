"""Every line of a bulletin is a report, part of one, a heading, blank, or kept apart."""

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from arcdrift.intake.bulletins.report_rows import REPORT, is_bulletin, report_rows


def found(text, name="ENXX.txt"):
    return report_rows(text.encode(), name)


def texts(rows):
    return rows.cells.column(0).to_pylist()


def places(rows):
    return list(zip((rows.first + 1).tolist(), (rows.last + 1).tolist(), strict=True))


def accounted(rows):
    of_rows = int((rows.last - rows.first + 1).sum()) + len(rows.broken)
    return of_rows + rows.header_lines + rows.blank_lines == len(rows.lines)


BULLETIN = """\
\x01123
SANO31 ENMI 300020
METAR
ENXX 300020Z 24008KT 9999 12/08 Q1013=
ENYY 300020Z 24008KT 9999
     BKN020
     M02/M05 Q0998
     NOSIG=

ENZZ 300020Z NIL=
\x03NNNN
"""


def test_a_bulletin_with_headings_and_reports_over_several_lines():
    rows = found(BULLETIN)
    assert texts(rows) == [
        "ENXX 300020Z 24008KT 9999 12/08 Q1013",
        "ENYY 300020Z 24008KT 9999 BKN020 M02/M05 Q0998 NOSIG",
        "ENZZ 300020Z NIL",
    ]
    assert places(rows) == [(4, 4), (5, 8), (10, 10)]
    assert (rows.header_lines, rows.blank_lines, rows.broken) == (4, 1, ())
    assert accounted(rows)


def test_several_reports_on_a_line_get_lines_of_their_own():
    one = "METAR ENXX 300020Z 12/08 Q1013="
    two = "SPECI ENYY 300020Z 13/09 Q1010="
    rows = found(f"{one} {two}202611300050 METAR ENZZ 300050Z 14/10 Q1009=\n{one}\n")
    assert places(rows) == [(1, 1), (2, 2), (3, 3), (4, 4)]
    assert texts(rows)[2] == "2026-11-29..2026-12-01 METAR ENZZ 300050Z 14/10 Q1009"
    assert rows.lines.raw(1, 1).strip() == two
    unmarked = found("METAR ENXX 300020Z 12/08 Q1013 METAR ENYY 300020Z 13/09 Q1010\n")
    assert texts(unmarked) == [
        "METAR ENXX 300020Z 12/08 Q1013", "METAR ENYY 300020Z 13/09 Q1010"
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("line", "days"),
    [
        ("202611300020 METAR ENXX 300020Z 12/08=", "2026-11-29..2026-12-01"),
        ("ENXX,2026,11,30,00,20,METAR ENXX 300020Z 12/08=", "2026-11-29..2026-12-01"),
        ('ENXX,2026-11-30 00:20,"ENXX 300020Z 12/08"', "2026-11-29..2026-12-01"),
        ("2026/11/30 00:20\nENXX 300020Z 12/08", "2026-11-29..2026-12-01"),
        ("# 2026-11\nENXX 300020Z 12/08", "2026-11-01..2026-11-30"),
        ("# made 2026-12-05, from 2026-11-01 on\nENXX 300020Z 12/08", None),
        ("ENXX 300020Z 12/08", None),
    ],
)
def test_dates_in_front_of_a_report_and_on_lines_of_their_own(line, days):
    (text,) = texts(found(line))
    assert text.split(" ")[0] == (days or "ENXX")
    assert text.endswith("ENXX 300020Z 12/08")


def test_a_date_in_front_counts_before_that_of_the_file():
    rows = found("2026-11-30 METAR ENXX 300020Z 12/08=\nMETAR ENXX 010020Z 12/08=\n", "2026-12.txt")
    assert [text.split()[0] for text in texts(rows)] == [
        "2026-11-29..2026-12-01", "2026-12-01..2026-12-31"
    ]  # fmt: skip


def test_a_day_in_the_name_that_does_not_fit_every_report_counts_for_none():
    # the day of the download: those of the 5th would otherwise move to December
    reports = "".join(f"METAR ENXX {day:02d}0020Z 12/08 Q1013=\n" for day in (4, 5, 6, 20))
    assert all(".." not in text for text in texts(found(reports, "ENXX-20261205.txt")))
    near = "".join(f"METAR ENXX {day:02d}0020Z 12/08 Q1013=\n" for day in (4, 5))
    assert all(".." in text for text in texts(found(near, "ENXX-20261205.txt")))


def test_a_report_that_never_ends_does_not_swallow_the_file():
    rows = found("METAR ENYY 300020Z 12/08=\nMETAR ENXX 300020Z\n" + "BKN020 12/08\n" * 5000)
    assert len(rows.first) == 2
    assert max(map(len, texts(rows))) < 2100
    assert len(rows.broken) > 4800
    assert accounted(rows)


def test_forecasts_are_no_reports():
    rows = found(
        "METAR ENXX 300020Z 12/08 Q1013=\nTAF ENXX 301100Z 3012/0112 24008KT\n  TEMPO 3013/3015=\n"
        "ENXX 301100Z 3012/0112 24008KT=\nMETAR ENXX 300050Z 12/08 Q1013=\n"
    )
    assert places(rows) == [(1, 1), (5, 5)]
    assert rows.header_lines == 3
    assert accounted(rows)


def test_lines_that_should_be_reports_are_kept_apart():
    rows = found(
        "METAR ENXX 300020Z 12/08 Q1013\nMTAR ENXX 3000Z 12/08 Q1013\n"
        "The station closes at night.\nMETAR ENYY 12/08 Q1013\n"
    )
    assert [row.first for row in rows.broken] == [1]
    assert texts(rows) == ["METAR ENXX 300020Z 12/08 Q1013", "METAR ENYY 12/08 Q1013"]
    assert accounted(rows)


def test_what_counts_as_a_bulletin():
    assert is_bulletin(BULLETIN.encode())
    assert is_bulletin(b"station,valid,metar\nENXX,2026-11-30 00:20,ENXX 300020Z 12/08 Q1013\n")
    assert not is_bulletin(b"splicer,spliced_at,loss_db,remark\nHeron,x,0.1,ENXX 300020Z 12/08\n")
    table = b"machine;when;loss;note\n" + b"H;2026-11-30 01:00;0.02;\n" * 9
    assert not is_bulletin(table + b"H;2026-11-30 02:00;0.02;ENXX 300020Z 12/08\n")
    assert not is_bulletin(b"TAF ENXX 301100Z 3012/0112 24008KT=\n")
    assert not is_bulletin(b"")


PIECES = st.sampled_from(
    ["METAR ENXX 300020Z 12/08 Q1013", "ENYY 300020Z 13/09", "SPECI ENZZ NIL", "=", "\n", "\r\n",
     " ", "TAF ENXX 301100Z 3012/0112", "2026-11-30 00:20", "202611300020", "NNNN",
     "SANO31 ENMI 300020", "METAR", "MTAR 12", "text", ",", '"', "\x01", "\x0c", "\ufffd", "\u2028",
     "#", "BKN020 Q1013"]
)  # fmt: skip


@example(["METAR ENXX 300020Z 12/08 Q1013", "\n", "MTAR 12", "\n", "\x0c", "BKN020 Q1013"])
@given(st.lists(PIECES, max_size=25))
def test_every_line_is_accounted_for(pieces):
    text = "".join(pieces)
    rows = found(text)
    assert accounted(rows)
    assert len(rows.first) == len(texts(rows))
    assert (rows.first[1:] > rows.last[:-1]).all()
    for first, last, cell in zip(rows.first, rows.last, texts(rows), strict=True):
        begin = REPORT.search(cell)
        assert begin is not None
        assert begin[0] in rows.lines.raw(int(first), int(last))
