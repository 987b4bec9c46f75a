"""One log in every container and encoding: the same rows stored; and hostile archives."""

import gzip
import hashlib
import io
import struct
import zipfile
from contextlib import closing
from datetime import UTC, date, datetime

import openpyxl
import pandas as pd
import pytest
from sqlalchemy import select

from arcdrift.intake.containers import archives, sources
from arcdrift.intake.containers.sources import Log, PassedOver, Refused, logs_in, named_as_log
from arcdrift.intake.storing.import_file import import_file
from arcdrift.settings import Crew
from arcdrift.store import schema
from tests.both_stores import both_stores
from tests.empty_store import empty_store

pytestmark = both_stores

CREW = Crew(name="Invented", time_zone="Europe/Oslo")
NOW = datetime(2026, 6, 1, tzinfo=UTC)
HEAD = ("splicer", "spliced_at", "loss_db", "technician", "arc_count", "remark")
ROWS = [
    ("Heron", datetime(2026, 5, 4, 7, 30), 0.02, "Løvetann", 100, "22 °C"),
    ("Heron", datetime(2026, 5, 4, 7, 31, 5), 0.1, "Løvetann", 101, None),
    ("Kestrel", datetime(2026, 5, 5), 0.0, "Bjørk", 5, "a, b; “c”"),
    None,  # an empty row
    ("Kestrel", datetime(2026, 5, 5, 8, 0), "lost", "Bjørk", 6, None),
]
QUARANTINED_LINE = 6
OTHERS = 3


def csv_text(delimiter=",", end="\n", times=str):
    lines = [HEAD]
    for row in ROWS:
        cells = row or [None] * len(HEAD)
        shown = [times(c) if isinstance(c, datetime) else "" if c is None else c for c in cells]
        lines.append([f'"{c}"' if delimiter in str(c) else str(c) for c in shown])
    return "".join(delimiter.join(line) + end for line in lines)


def xlsx(rows=ROWS, head=HEAD, others=()):
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "May"
    sheet.append(head)
    for row in rows:
        sheet.append(row or [])
    for title, cells in others:
        more = book.create_sheet(title)
        for line in cells:
            more.append(line)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


ODS_NAMES = " ".join(
    f'xmlns:{short}="urn:oasis:names:tc:opendocument:xmlns:{long}:1.0"'
    for short, long in (("office", "office"), ("table", "table"), ("text", "text"))
)
ODS_KIND = "application/vnd.oasis.opendocument.spreadsheet"


def ods_cell(value):
    if value is None:
        return "<table:table-cell/>"
    if isinstance(value, datetime):
        said = f'office:value-type="date" office:date-value="{value.isoformat()}"'
    elif isinstance(value, (int, float)):
        said = f'office:value-type="float" office:value="{value}"'
    else:
        said = 'office:value-type="string"'
    return f"<table:table-cell {said}><text:p>{value}</text:p></table:table-cell>"


def ods_of(rows):
    """A workbook by the OpenDocument standard, part 3 (its cells: 19.385, value types)."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as book:
        book.writestr("mimetype", ODS_KIND, zipfile.ZIP_STORED)
        book.writestr(
            "META-INF/manifest.xml",
            '<manifest:manifest xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest'
            f':1.0"><manifest:file-entry manifest:full-path="/" manifest:media-type="{ODS_KIND}"/>'
            "</manifest:manifest>",
        )
        book.writestr(
            "content.xml",
            f"<office:document-content {ODS_NAMES}><office:body><office:spreadsheet>"
            f'<table:table table:name="May">{rows}</table:table>'
            "</office:spreadsheet></office:body></office:document-content>",
        )
    return out.getvalue()


def ods():
    rows = [HEAD, *(row or [None] for row in ROWS)]
    return ods_of(
        "".join(f"<table:table-row>{''.join(map(ods_cell, row))}</table:table-row>" for row in rows)
    )


def parquet(zone=None):
    rows = [row or [None] * len(HEAD) for row in ROWS]
    frame = pd.DataFrame(rows, columns=HEAD)
    frame["loss_db"] = frame["loss_db"].map(lambda v: None if v is None else str(v), "ignore")
    frame["arc_count"] = frame["arc_count"].astype("Int64")
    if zone:
        frame["spliced_at"] = frame["spliced_at"].dt.tz_localize("Europe/Oslo").dt.tz_convert(zone)
    out = io.BytesIO()
    frame.to_parquet(out, index=False)
    return out.getvalue()


def zipped(members, method=zipfile.ZIP_DEFLATED):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as archive:
        for name, content in members.items():
            # of no time: names of tests that hold it are the same in every process
            archive.writestr(zipfile.ZipInfo(name), content, method)
    return out.getvalue()


PLAIN = csv_text().encode()
KEPT_IN = {
    "semicolon": csv_text(";").encode(),
    "tab": csv_text("\t").encode(),
    "windows lines": csv_text(end="\r\n").encode(),
    "utf-8 with mark": csv_text().encode("utf-8-sig"),
    "utf-16": csv_text().encode("utf-16"),
    "utf-16-le": csv_text("\t").encode("utf-16-le"),
    "utf-16-be": csv_text().encode("utf-16-be"),
    "windows-1252": csv_text(";", "\r\n").encode("windows-1252"),
    "gz": gzip.compress(PLAIN),
    "gz of utf-16": gzip.compress(csv_text().encode("utf-16")),
    "zip": zipped({"log.csv": PLAIN}),
    "zip of gz": zipped({"log.csv.gz": gzip.compress(PLAIN)}),
    "zip by another method": zipped({"log.csv": PLAIN}, zipfile.ZIP_LZMA),
    "xlsx": xlsx(),
    "zip of xlsx": zipped({"book.xlsx": xlsx()}),
    "gz of xlsx": gzip.compress(xlsx()),
    "ods": ods(),
    "parquet": parquet(),
    "parquet, other zone": parquet("America/Denver"),
}
LIKE_OTHERS = {"tab", "windows lines", "utf-16-be", "gz of utf-16", "gz of xlsx"}
IMPORTED_TWICE = {"utf-16", "zip", "xlsx", "ods", "parquet"}


def found(path, name=None):
    with closing(logs_in(path, name)) as logs:
        return list(logs)


def brought_in(engine, path):
    reports = []
    for log in logs_in(path):
        assert isinstance(log, Log), log
        reports.append(import_file(engine, CREW, log.path, name=log.name, sheet=log.sheet, now=NOW))
    return reports


def stored(engine):
    table = schema.splices
    left_out = ("import_id",)
    columns = [column for column in table.columns if column.name not in left_out]
    with engine.connect() as connection:
        rows = [tuple(row) for row in connection.execute(select(*columns).order_by(table.c.id))]
        apart = schema.quarantine.c
        lines = connection.execute(select(apart.line, apart.column, apart.code)).all()
        return rows, [tuple(line) for line in lines]


@pytest.fixture(scope="module")
def as_csv(store_database, tmp_path_factory):
    folder = tmp_path_factory.mktemp("plain")
    (folder / "log.csv").write_bytes(PLAIN)
    with_store = empty_store(folder)
    brought_in(with_store, folder / "log.csv")
    rows, apart = stored(with_store)
    assert len(rows) == OTHERS
    assert apart == [(QUARANTINED_LINE, "loss_db", "number-unreadable")]
    return rows, apart


@pytest.mark.parametrize(
    "case",
    [
        pytest.param(case, marks=pytest.mark.long) if case in LIKE_OTHERS else case
        for case in KEPT_IN
    ],
)
def test_the_same_rows_however_a_log_is_kept(tmp_path, as_csv, case):
    path = tmp_path / "log.of-no-known-kind"  # the name is not asked
    path.write_bytes(KEPT_IN[case])
    engine = empty_store(tmp_path)
    (report,) = brought_in(engine, path)
    assert stored(engine) == as_csv
    assert report.balance.lines == len(ROWS) + 1
    if case not in IMPORTED_TWICE:
        return
    again = brought_in(engine, path)[0].balance
    assert (again.accepted, again.quarantined, again.already_stored) == (0, 0, again.rows)


@pytest.mark.parametrize(
    ("content", "name", "bytes_"),
    [
        (KEPT_IN["zip"], "week.zip/log.csv", PLAIN),
        (KEPT_IN["zip of gz"], "week.zip/log.csv.gz", gzip.compress(PLAIN)),
        (KEPT_IN["utf-16"], "week.zip", KEPT_IN["utf-16"]),
        (KEPT_IN["xlsx"], "week.zip/May", KEPT_IN["xlsx"]),
    ],
    ids=["zip", "zip of gz", "utf-16", "xlsx"],
)
def test_what_is_stored_about_a_log_is_the_file_as_it_was(tmp_path, content, name, bytes_):
    path = tmp_path / "week.zip"
    path.write_bytes(content)
    engine = empty_store(tmp_path)
    brought_in(engine, path)
    about = schema.imports.c
    with engine.connect() as connection:
        row = connection.execute(select(about.file_name, about.sha256, about.size_bytes)).one()
    assert row.file_name == name
    if not name.endswith(".gz"):  # its header holds the time of packing
        assert (row.sha256, row.size_bytes) == (hashlib.sha256(bytes_).hexdigest(), len(bytes_))


def test_each_member_and_each_sheet_is_a_log(tmp_path):
    path = tmp_path / "week.zip"
    book = xlsx(others=[("Notes", [["to do"]]), ("June", [HEAD]), ("Empty", [])])
    path.write_bytes(
        zipped(
            {
                "days/": b"",
                "days/a.csv": PLAIN,
                "__MACOSX/days/._a.csv": b"x",
                ".hidden.csv": b"x",
                "photo.jpg": b"x",
                "book.xlsx": book,
            }
        )
    )
    logs = found(path)
    assert [log.name for log in logs if isinstance(log, Log)] == [
        "week.zip/days/a.csv",
        "week.zip/book.xlsx/May",
        "week.zip/book.xlsx/June",
    ]
    assert [log.why for log in logs if isinstance(log, PassedOver)] == [
        "Passed over the sheet 'Notes' of week.zip/book.xlsx: none of its first rows is the header "
        "of a log.",
        "Passed over the sheet 'Empty' of week.zip/book.xlsx: it is empty.",
        "Passed over in week.zip: 2 hidden (__MACOSX/days/._a.csv, .hidden.csv).",
        "Passed over in week.zip: 1 not named like logs (photo.jpg).",
    ]


def test_sheets_none_of_which_has_a_known_header_are_all_tried(tmp_path):
    path = tmp_path / "book.xlsx"
    path.write_bytes(xlsx([], ["one", "two"], [("Other", [["three"]])]))
    assert [log.name for log in found(path)] == ["book.xlsx/May", "book.xlsx/Other"]


def refusals(path):
    return [str(log.problem) for log in found(path) if isinstance(log, Refused)]


def patched(content, flag_at, value):
    """Change one field in every entry of an archive's directory and before its members."""
    changed = bytearray(content)
    for mark, shift in ((b"PK\x03\x04", 0), (b"PK\x01\x02", 2)):
        at = changed.find(mark)
        while at >= 0:
            struct.pack_into("<H", changed, at + flag_at + shift, value)
            at = changed.find(mark, at + 4)
    return bytes(changed)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (zipped({"../a.csv": PLAIN}), "a.zip/../a.csv points out of the archive and was left"),
        (zipped({"/a.csv": PLAIN}), "a.zip//a.csv points out of the archive"),
        (zipped({"C:\\a.csv": PLAIN}), "points out of the archive"),
        (zipped({"x\\..\\..\\a.csv": PLAIN}), "points out of the archive"),
        (zipped({"b.zip": zipped({"a.csv": PLAIN})}), "a.zip/b.zip is an archive within an"),
        (zipped({"b.csv": zipped({"a.csv": PLAIN})}), "a.zip/b.csv is an archive within an"),
        (patched(zipped({"a.csv": PLAIN}), 6, 1), "a.zip/a.csv is protected by a password"),
        (patched(zipped({"a.csv": PLAIN}), 8, 97), "a.zip/a.csv is packed in a way that is not"),
        (zipped({"a.csv": PLAIN}, zipfile.ZIP_STORED).replace(b"Her", b"Hex"), "a.csv is damaged"),
        (zipped({"a.csv": PLAIN})[:-30], "a.zip is damaged; copy the file again."),
        (zipped({}), "a.zip holds no file that is named like a log"),
        (zipped({"photo.jpg": b"x"}), "a.zip holds no file that is named like a log"),
        (zipped({f"{n}.csv": b"" for n in range(11)}), "a.zip holds more than 10 files"),
        (zipped({"a.csv": b"0" * (3 << 20)}), "a.zip unpacks to more than 2 MiB; split it."),
        (zipped({f"{n}.csv": b"0" * (1 << 20) for n in range(3)}), "unpacks to more than 2 MiB"),
        (zipped({"xl/workbook.bin": b"x"}), "a.zip is a workbook of the binary kind"),
        (zipped({"xl/workbook.xml": b"x"}), "a.zip is damaged"),
    ],
)
def test_archives_that_mean_harm_get_a_sentence(tmp_path, monkeypatch, content, said):
    monkeypatch.setattr(archives, "MAX_MEMBERS", 10)
    monkeypatch.setattr(sources, "MAX_ARCHIVE_BYTES", 2 << 20)
    monkeypatch.setattr(sources, "MAX_BOOK_BYTES", 2 << 20)
    path = tmp_path / "a.zip"
    path.write_bytes(content)
    (refusal,) = refusals(path)
    assert said in refusal
    assert refusal.endswith(".")
    assert "\n" not in refusal
    assert sorted(tmp_path.iterdir()) == [path]


def test_a_member_that_unpacks_to_more_than_it_said(tmp_path):
    content = bytearray(zipped({"a.csv": PLAIN * 1000}))
    struct.pack_into("<I", content, content.find(b"PK\x01\x02") + 24, 100)
    path = tmp_path / "a.zip"
    path.write_bytes(bytes(content))
    assert refusals(path) == ["a.zip/a.csv is damaged; copy the archive again."]


def test_a_directory_that_would_fill_memory_is_not_read(tmp_path):
    path = tmp_path / "a.zip"
    end = struct.pack("<4s4H2LH", b"PK\x05\x06", 0, 0, 65_535, 65_535, 0xF000_0000, 0, 0)
    path.write_bytes(b"PK\x03\x04" + end)
    assert refusals(path) == ["a.zip holds more than 5000 files; split it."]


def test_a_bad_member_leaves_the_others(tmp_path):
    path = tmp_path / "a.zip"
    path.write_bytes(zipped({"../x.csv": b"", "y.zip": zipped({}), "z.csv": PLAIN}))
    assert [type(log) for log in found(path)] == [Refused, Refused, Log]


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("a.csv", True),
        ("A.CSV", True),
        ("a.csv.gz", True),
        ("a.gz", False),
        ("a.xlsx", True),
        ("a.zip", True),
        ("a.toml", False),
        ("csv", False),
    ],
)
def test_names_that_logs_go_by(name, expected):
    assert named_as_log(name) is expected


def test_a_date_alone_stays_one(tmp_path):
    from arcdrift.intake.containers.sheets import sheet_text

    book = xlsx([("Heron", date(2026, 5, 4), True, 1e15, 1234567.0, "two\nlines")])
    text = sheet_text(book, "book.xlsx", None).decode().splitlines()
    assert text[1] == "Heron,2026-05-04,TRUE,1000000000000000.0,1234567,two lines"
