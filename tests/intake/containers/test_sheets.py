"""Workbooks and Parquet: what cells become, and files that would need more than there is."""

import io
import zipfile
from datetime import date, datetime, time, timedelta
from decimal import Decimal

import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from arcdrift.errors import BadInput
from arcdrift.intake.containers import workbooks
from arcdrift.intake.containers.parquet import parquet_text
from arcdrift.intake.containers.sheets import sheet_text, sheets

ODS_KIND = "application/vnd.oasis.opendocument.spreadsheet"
ODS_NAMES = " ".join(
    f'xmlns:{short}="urn:oasis:names:tc:opendocument:xmlns:{short}:1.0"'
    for short in ("office", "table", "text")
)


def saved(book):
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def column(*values):
    book = openpyxl.Workbook()
    for value in values:
        book.active.append(["x", value])
    return saved(book)


def ods(rows, *, manifest="", more=""):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as book:
        book.writestr("mimetype", ODS_KIND, zipfile.ZIP_STORED)
        book.writestr(
            "META-INF/manifest.xml",
            '<manifest:manifest xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest'
            f':1.0"><manifest:file-entry manifest:full-path="/" manifest:media-type="{ODS_KIND}"/>'
            f"{manifest}</manifest:manifest>",
        )
        book.writestr(
            "content.xml",
            f'<office:document-content {ODS_NAMES} xmlns:calcext="urn:calcext"><office:body>'
            f'<office:spreadsheet><table:table table:name="S">{rows}</table:table>{more}'
            "</office:spreadsheet></office:body></office:document-content>",
        )
    return out.getvalue()


def cells(content):
    lines = sheet_text(content, "book.xlsx", None).decode().splitlines()
    return [line.removeprefix("x,") for line in lines]


def test_numbers_words_and_truth():
    values = [100.0, 0.1, -0.0, 1e-7, 123456789012345, 1e20, True, "0,5", 'say "hi"']
    shown = [
        "100",
        "0.1",
        "0",
        "1e-07",
        "123456789012345",
        "1e+20",
        "TRUE",
        '"0,5"',
        '"say ""hi"""',
    ]
    assert cells(column(*values)) == shown


def test_a_percentage_is_what_the_cell_shows():
    formats = {
        "0%": "45%", "0.00%": "45%", "0.0 %": "45%", '0"% of"': "0.45", "General": "0.45",
        "0;0%": "0.45", "[Red]0%;-0%": "45%", r"0\%": "0.45",
    }  # fmt: skip
    book = openpyxl.Workbook()
    for number_format in formats:
        book.active.append(["x", 0.45])
        book.active.cell(book.active.max_row, 2).number_format = number_format
    assert cells(saved(book)) == list(formats.values())


def test_a_percentage_keeps_all_its_digits():
    values = [0.07, 1, 0.123456789, -0.005, 1e-9, 0, "word", None, True, "#N/A"]
    book = openpyxl.Workbook()
    for value in values:
        book.active.append(["x", value])
        book.active.cell(book.active.max_row, 2).number_format = "0%"
    shown = ["7%", "100%", "12.3456789%", "-0.5%", "0.0000001%", "0%", "word", "", "TRUE", "#N/A"]
    assert cells(saved(book)) == shown
    text = sheet_text(saved(book), "b", None, delimiter=";", decimal=",").decode()
    assert text.splitlines()[2] == "x;12,3456789%"


def test_a_percentage_of_an_ods():
    row = (
        "<table:table-row><table:table-cell office:value-type='string'><text:p>x</text:p>"
        '</table:table-cell><table:table-cell office:value-type="{}" office:value="0.453" '
        'calcext:value-type="{}"><text:p>45 %</text:p></table:table-cell></table:table-row>'
    )
    rows = row.format("percentage", "percentage") + row.format("float", "float")
    assert cells(ods(rows)) == ["45.3%", "0.453"]


def test_a_layout_may_want_another_decimal_sign_and_delimiter():
    text = sheet_text(column(0.5, 7, "a;b"), "b", None, delimiter=";", decimal=",")
    assert text == b'x;0,5\nx;7\nx;"a;b"\n'


def test_dates_and_times_lose_nothing():
    moments = [
        datetime(2026, 5, 4, 7, 30),
        datetime(2026, 5, 4),
        datetime(2026, 5, 4, 23, 59, 59),
        datetime(2026, 5, 4, 7, 30, 0, 123000),
    ]
    assert cells(column(*moments)) == [
        "2026-05-04 07:30:00",
        "2026-05-04 00:00:00",  # midnight, in a column of moments
        "2026-05-04 23:59:59",
        "2026-05-04 07:30:00.123000",
    ]
    assert cells(column(date(2026, 5, 4), date(2026, 5, 5))) == ["2026-05-04", "2026-05-05"]
    assert cells(column(time(7, 30), timedelta(hours=30, minutes=5))) == ["07:30:00", "30:05:00"]


def test_every_minute_of_a_day_survives_its_fraction():
    # a day's fraction such as 0.00069... has no exact binary form
    moments = [datetime(2026, 5, 4) + timedelta(seconds=67 * n) for n in range(1290)]
    assert cells(column(*moments)) == [moment.isoformat(" ") for moment in moments]


def test_an_error_keeps_its_text():
    book = openpyxl.Workbook()
    book.active.append(["x", "#N/A"])
    book.active.append(["x", "#DIV/0!"])
    assert {cell.data_type for cell in book.active["B"]} == {"e"}
    assert cells(saved(book)) == ["#N/A", "#DIV/0!"]
    row = (
        '<table:table-row><table:table-cell office:value-type="string"><text:p>x</text:p>'
        '</table:table-cell><table:table-cell office:value-type="string" office:string-value="" '
        'calcext:value-type="error"><text:p>#N/A</text:p></table:table-cell></table:table-row>'
    )
    assert cells(ods(row)) == ["#N/A"]


def test_rows_keep_their_numbers():
    book = openpyxl.Workbook()
    book.active["C3"], book.active["D5"] = "a\r\nb", 1
    assert sheet_text(saved(book), "b", None) == b"\n\na b,\n\n,1\n"
    row = "<table:table-row{}><table:table-cell/></table:table-row>"
    filled = (
        '<table:table-row><table:table-cell office:value-type="string"><text:p>a</text:p>'
        "<text:p>b</text:p></table:table-cell></table:table-row>"
    )
    repeated = row.format(' table:number-rows-repeated="2"')
    end = row.format(' table:number-rows-repeated="1048570"')
    assert sheet_text(ods(repeated + filled + end), "b", None) == b"\n\na b\n"


def test_sheets_are_listed():
    book = openpyxl.Workbook()
    book.active.title = "May"
    book.active.append([])
    book.active.append(["a", 1])
    book.active.append(["", None])
    book.active.append(["b", 2])
    book.create_sheet("Empty")
    book.create_sheet("Out of sight").sheet_state = "hidden"
    found = sheets(saved(book), "book.xlsx")
    assert [(one.name, one.hidden, one.first_rows) for one in found] == [
        ("May", False, (("a", "1"), ("b", "2"))),
        ("Empty", False, ()),
        ("Out of sight", True, ()),
    ]


def two_sheets():
    book = openpyxl.Workbook()
    book.active.append(["a"])
    book.create_sheet("More").append(["b"])
    return saved(book)


def far_apart():
    book = openpyxl.Workbook()
    book.active["A1"], book.active["XFD1048576"] = 1, 2
    return saved(book)


def changed(content, part, change):
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as book, zipfile.ZipFile(out, "w") as copy:
        for name in book.namelist():
            data = book.read(name)
            copy.writestr(name, change(data) if name == part else data)
    return out.getvalue()


def without_places(sheet):
    wide = b"<row>" + b"<c><v>1</v></c>" * 5000 + b"</row>"
    one = b"<row><c><v>1</v></c></row>"
    begin, end = sheet.split(b"<sheetData", 1)
    end = end[end.index(b">") + 1 :].removeprefix(b"</sheetData>")
    return begin + b"<sheetData>" + wide + b"<row/>" * 7000 + one + b"</sheetData>" + end


SHEET = "xl/worksheets/sheet1.xml"
EMPTY = saved(openpyxl.Workbook())
CELL = '<table:table-cell office:value-type="float" office:value="1"{}/>'
WIDE = CELL.format(' table:number-columns-repeated="16384"')
MANY = '<table:table-row table:number-rows-repeated="{}">{}</table:table-row>'
NOTHING = "<table:table-cell/>"
SPREAD = "b is spread over"


@pytest.mark.parametrize(
    ("content", "said"),
    [
        pytest.param(far_apart(), SPREAD, id="two cells far apart"),
        pytest.param(
            changed(far_apart(), SHEET, lambda s: s.replace(b'"XFD1048576"', b"'xfd1048576'")),
            SPREAD,
            id="the same otherwise written",
        ),
        pytest.param(
            changed(
                far_apart(), SHEET, lambda s: s.replace(b'"XFD1048576"', b'"XFD1048576" x="/>"')
            ),
            SPREAD,
            id="the same with a trap",
        ),
        pytest.param(changed(EMPTY, SHEET, without_places), SPREAD, id="cells without a place"),
        pytest.param(ods(MANY.format(1048576, WIDE)), SPREAD, id="one cell repeated"),
        pytest.param(
            ods(
                MANY.format(1, WIDE)
                + MANY.format(100_000, NOTHING)
                + "<!-- <table:table> -->"
                + MANY.format(1, WIDE)
            ),
            SPREAD,
            id="rows between, with a trap",
        ),
        pytest.param(
            ods(
                MANY.format(
                    1000,
                    '<table:table-cell table:number-columns-repeated="900" office:value-type='
                    f'"string"><text:p>{"x" * 2000}</text:p></table:table-cell>',
                )
            ),
            "b unpacks to more than 1024 MiB of text; split it.",
            id="a long text repeated",
        ),
        pytest.param(
            ods("", manifest="<manifest:encryption-data/>"),
            "b is protected by a password; save it without one.",
            id="password",
        ),
        pytest.param(two_sheets(), "b has several sheets (Sheet, More); save", id="which sheet"),
        pytest.param(EMPTY, "b is empty.", id="empty"),
        pytest.param(
            changed(EMPTY, SHEET, lambda s: s[:200]), "b is damaged; open it", id="cut sheet"
        ),
        pytest.param(
            changed(EMPTY, "xl/workbook.xml", lambda s: s[:200]), "b is damaged", id="cut book"
        ),
    ],
)
def test_workbooks_that_cannot_be_read(content, said):
    with pytest.raises(BadInput) as caught:
        sheet_text(content, "b", None)
    assert str(caught.value).startswith(said)


def test_one_long_text_in_many_cells(monkeypatch):
    monkeypatch.setattr(workbooks, "MAX_BOOK_BYTES", 1 << 20)
    book = openpyxl.Workbook()
    for _ in range(100):
        book.active.append(["a"])
    shared = (
        b'<sst xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><si><t>'
        + b"y" * 20_000
        + b"</t></si></sst>"
    )
    in_common = changed(
        saved(book),
        SHEET,
        lambda s: s.replace(b't="inlineStr"><is><t>a</t></is>', b't="s"><v>0</v>'),
    )
    out = io.BytesIO(in_common)
    with zipfile.ZipFile(out, "a") as archive:
        archive.writestr("xl/sharedStrings.xml", shared)
    with pytest.raises(BadInput, match="b unpacks to more than 1 MiB of text; split it"):
        sheet_text(out.getvalue(), "b", "Sheet")


def test_cells_that_are_only_colored_do_not_count():
    book = openpyxl.Workbook()
    book.active["A1"] = "a"
    far = book.active["XFD1048576"]
    far.fill = openpyxl.styles.PatternFill("solid", fgColor="FFFF00")
    assert sheet_text(saved(book), "b", None) == b"a\n"


def table(**columns):
    out = io.BytesIO()
    pq.write_table(pa.table(columns), out)
    return out.getvalue()


def one_cell(values):
    content = table(a=values, b=pa.array(["end"] * len(values)))
    lines = parquet_text(content, "b", max_bytes=1 << 20).decode().splitlines()
    assert lines[0] == '"a","b"'
    return [line.removesuffix(',"end"').strip('"') for line in lines[1:]]


SUMMER, WINTER = datetime(2026, 7, 1, 5, 30), datetime(2026, 12, 1, 5, 30, 0, 5)


@pytest.mark.parametrize(
    ("values", "shown"),
    [
        (pa.array([100.0, 0.1, None, float("nan")]), ["100", "0.1", "", ""]),
        (pa.array([0.1], pa.float32()), ["0.1"]),
        (pa.array([1, None], pa.int32()), ["1", ""]),
        (pa.array([Decimal("0.020")]), ["0.020"]),
        (pa.array([True, False, None]), ["TRUE", "FALSE", ""]),
        (pa.array(["a\r\nb", None, ""]), ["a b", "", ""]),
        (pa.array([b"abc"]), ["abc"]),
        (pa.array(["x", "y", None]).dictionary_encode(), ["x", "y", ""]),
        (pa.array([date(2026, 5, 4)]), ["2026-05-04"]),
        (pa.array([time(7, 30)]), ["07:30:00.000000"]),
        (pa.array([SUMMER], pa.timestamp("s")), ["2026-07-01 05:30:00.000"]),
        (pa.array([WINTER], pa.timestamp("us")), ["2026-12-01 05:30:00.000005"]),
        # Oslo keeps UTC + 2 in summer and + 1 in winter
        (
            pa.array([SUMMER, WINTER], pa.timestamp("us", "Europe/Oslo")),
            ["2026-07-01T07:30:00.000000+0200", "2026-12-01T06:30:00.000005+0100"],
        ),
        (pa.nulls(2), ["", ""]),
    ],
)
def test_what_typed_columns_become(values, shown):
    assert one_cell(values) == shown


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (table(a=pa.array([[1]])), "Column 'a' of b holds list<element: int64>, not plain values"),
        (table(a=pa.array([1], pa.duration("s"))), "Column 'a' of b holds duration[s]"),
        (table(a=pa.array([b"\xff\xfe"])), "b is damaged"),
        (table(a=pa.array(["x" * 70_000])), "Column 'a' of b has a text of 70,000 bytes"),
        (table(a=pa.array(["x" * 100] * 20_000)), "b unpacks to more than 1 MiB; split it."),
        (table(a=pa.array([1, 2]))[:-20], "b is damaged; copy the file again."),
        (b"PAR1" + b"\0" * 30 + b"PAR1", "b is damaged; copy the file again."),
    ],
)
def test_parquet_that_cannot_be_read(content, said):
    with pytest.raises(BadInput) as caught:
        parquet_text(content, "b", max_bytes=1 << 20)
    assert str(caught.value).startswith(said)
