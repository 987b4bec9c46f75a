"""Headers found, rows passed over and counted, cells of several values parted."""

from datetime import UTC, datetime

import pandas as pd
import pytest
from sqlalchemy import select

from arcdrift.errors import BadInput
from arcdrift.intake.layout.layouts import load_layout
from arcdrift.intake.storing.import_file import import_file
from arcdrift.settings import Crew
from arcdrift.store import schema
from arcdrift.store.database.fetch import fetch
from tests.both_stores import both_stores
from tests.empty_store import empty_store

pytestmark = both_stores

NOW = datetime(2026, 12, 1, tzinfo=UTC)
CREW = Crew(name="Invented", time_zone="Europe/Oslo")
START = """\
kind = "splices"
delimiter = "semicolon"
"""
COLUMNS = """
[columns]
splicer = "Machine"
spliced_at = "Time"
loss_db = "Loss"
"""


class Bench:
    def __init__(self, folder):
        self.folder = folder
        self.engine = empty_store(folder)
        self.layout_text = ""

    def layout(self, text):
        path = self.folder / "own.toml"
        path.write_text(text, encoding="utf-8")
        return load_layout(path)

    def bring(self, content, layout, name="log.csv"):
        self.layout_text = layout
        path = self.folder / name
        path.write_bytes(content.encode("utf-8"))
        return import_file(self.engine, CREW, path, layout=self.layout(layout), now=NOW)

    def stored(self, kind="splices"):
        return fetch(self.engine, select(schema.RECORDS[kind]), order=["id"])


@pytest.fixture
def bench(tmp_path):
    made = Bench(tmp_path)
    yield made
    made.engine.dispose()


def counts(report):
    went = report.balance
    return {
        name: getattr(went, name)
        for name in ("lines", "header", "blank", "skipped", "row_lines", "accepted", "quarantined")
    }


def test_rows_are_passed_over_by_a_cell_and_by_the_start_of_a_line(bench):
    report = bench.bring(
        "Machine;Type;Time;Loss\n"
        "Heron;SPLICE;2026-05-04 10:00;0.03\n"
        "Heron;HEAT;2026-05-04 10:01;\n"
        "Heron;heat;2026-05-04\n"
        "\n"
        "Heron;SPLICE;2026-05-04 10:02;0.05\n"
        "Heron;TEST 7;2026-05-04 10:03;0.9\n"
        "total 2\n"
        '"Total";2;;\n'
        "Heron;SPLICE;2026-05-04 10:04;x\n",
        START
        + '[[skip]]\nheader = "Type"\nequals = "HEAT"\n'
        + '[[skip]]\nheader = "Type"\nmatches = "^test [0-9]"\n'
        + '[[skip]]\nstarts_with = ["Total", "End"]\n'
        + COLUMNS,
    )
    assert counts(report) == {
        "lines": 10,
        "header": 1,
        "blank": 1,
        "skipped": 5,
        "row_lines": 3,
        "accepted": 2,
        "quarantined": 1,
    }
    assert report.to_json()["skipped"] == 5
    assert bench.stored()["loss_db"].tolist() == [0.03, 0.05]
    again = bench.bring((bench.folder / "log.csv").read_text(), bench.layout_text)
    assert (again.balance.accepted, again.balance.already_stored) == (0, 3)


def test_a_rule_of_several_starts(bench):
    report = bench.bring(
        "Machine;Type;Time;Loss\n"
        "Heron;A1;2026-05-04 10:00;0.03\n"
        "Heron;b2;2026-05-04 10:01;0.04\n"
        "Heron;C3;2026-05-04 10:02;0.05\n",
        START + '[[skip]]\nheader = "Type"\nstarts_with = ["B", "c"]\n' + COLUMNS,
    )
    assert (report.balance.skipped, report.balance.accepted) == (2, 1)


def test_header_below_a_preamble_and_a_footer(bench):
    report = bench.bring(
        "Export of the crew\r\n"
        "\r\n"
        "Machine Heron, made on Monday\r\n"
        '"Machine";"Time";"Loss"\r\n'
        "Heron;2026-05-04 10:00;0.03\r\n"
        "Heron;2026-05-04 10:02;0.05\r\n"
        "2 splices\r\n"
        "\r\n"
        "end\r\n"
        "\r\n",
        START + 'header_starts_with = "Machine;Time"\nskip_footer = 2\n' + COLUMNS,
    )
    assert counts(report) == {
        "lines": 10,
        "header": 1,
        "blank": 2,
        "skipped": 5,
        "row_lines": 2,
        "accepted": 2,
        "quarantined": 0,
    }


def test_a_header_that_is_not_there(bench):
    with pytest.raises(BadInput) as caught:
        bench.bring("Machine;Time;Loss\n", START + 'header_starts_with = "Apparatus"\n' + COLUMNS)
    assert str(caught.value) == (
        "log.csv has no line that starts with 'Apparatus' among its first 200, as the layout "
        "own.toml has it; correct header_starts_with or choose another layout."
    )


def test_everything_passed_over_is_no_import(bench):
    with pytest.raises(BadInput, match="has a header but no rows"):
        bench.bring(
            "Machine;Time;Loss\nHeron;2026-05-04 10:00;0.03\n",
            START + '[[skip]]\nheader = "Machine"\nequals = "heron"\n' + COLUMNS,
        )


def test_one_cell_of_two_values(bench):
    report = bench.bring(
        "Machine;Time;Loss;Angles\n"
        "Heron;2026-05-04 10:00;0.03;0,4 / 0,7\n"
        "Heron;2026-05-04 10:01;0.03;/1,2\n"
        "Heron;2026-05-04 10:02;0.03;\n"
        "Heron;2026-05-04 10:03;0.03;0,4\n"
        "Heron;2026-05-04 10:04;0.03;0,4/0,5/0,6\n"
        "Heron;2026-05-04 10:05;0.03;a/0,5\n",
        START
        + COLUMNS
        + 'cleave_left_deg = {header = "Angles", split = "/", part = 1, decimal = ","}\n'
        + 'cleave_right_deg = {header = "Angles", split = "/", part = 2, decimal = ","}\n',
    )
    stored = bench.stored()
    assert stored["cleave_left_deg"].tolist()[0] == 0.4
    assert stored["cleave_right_deg"].tolist()[:2] == [0.7, 1.2]
    assert stored["cleave_left_deg"].isna().tolist() == [False, True, True]
    assert stored["cleave_right_deg"].isna().tolist() == [False, False, True]
    assert [(p.code, p.column, p.count, p.first_line) for p in report.problems] == [
        ("cell-not-parted", "cleave_left_deg", 2, 5),
        ("cell-not-parted", "cleave_right_deg", 2, 5),
        ("number-unreadable", "cleave_left_deg", 1, 7),
    ]
    assert str(report.problems[0]) == (
        "2 rows, first at line 5: Cleave angle, left '0,4' does not hold what the layout expects "
        "in one cell; correct it, or split or pattern in the layout."
    )


def test_a_value_picked_out_by_a_pattern(bench):
    report = bench.bring(
        "Machine;Time;Loss;Who\n"
        "Heron;2026-05-04 10:00;0.03 dB;Birch (night)\n"
        "Heron;2026-05-04 10:01;0.04dB;Alder (day)\n"
        "Heron;2026-05-04 10:02;dB;Cedar (day)\n",
        START
        + "[columns]\n"
        + 'splicer = "Machine"\nspliced_at = "Time"\n'
        + "loss_db = {header = 'Loss', pattern = '([0-9.]+) ?dB'}\n"
        + "technician = {header = 'Who', pattern = '(.*) \\((?:day|night)\\)'}\n",
    )
    assert bench.stored()["loss_db"].tolist() == [0.03, 0.04]
    assert bench.stored()["technician"].tolist() == ["Birch", "Alder"]
    assert [(p.code, p.column) for p in report.problems] == [("cell-not-parted", "loss_db")]


def test_thousands(bench):
    report = bench.bring(
        "Machine;Time;Loss;Arcs;Air\n"
        "Heron;2026-05-04 10:00;0,03;1.234;1.013,2\n"
        "Heron;2026-05-04 10:01;0,03;12.345.678;998,7\n"
        "Heron;2026-05-04 10:02;0.03;123;1013,2\n"
        "Heron;2026-05-04 10:03;0,03;12.34;1013,2\n",
        START
        + 'decimal = ","\nthousands = "."\n'
        + COLUMNS
        + 'arc_count = "Arcs"\npressure_hpa = "Air"\n',
    )
    # an arc count above ten million is out of bounds: the whole of 12.345.678 was read
    assert bench.stored()["arc_count"].tolist() == [1234.0]
    assert bench.stored()["pressure_hpa"].tolist() == [1013.2]
    assert sorted((p.code, p.column, p.first_line) for p in report.problems) == [
        ("number-separator", "arc_count", 5),
        ("number-separator", "loss_db", 4),
        ("value-too-high", "arc_count", 3),
    ]


@pytest.mark.parametrize(
    ("written", "mark", "value"),
    [
        ("12'345", "'", 12345.0),
        ("12\u2019345", "'", 12345.0),
        ("12 345", " ", 12345.0),
        ("12\u00a0345", " ", 12345.0),
        ("12\u202f345", " ", 12345.0),
        ("12,345", ",", 12345.0),
        ("345", ",", 345.0),
    ],
)
def test_marks_between_thousands(bench, written, mark, value):
    bench.bring(
        f'Machine;Time;Loss;Arcs\nHeron;2026-05-04 10:00;0.03;"{written}"\n',
        START + COLUMNS + f'arc_count = {{header = "Arcs", thousands = "{mark}"}}\n',
    )
    assert bench.stored()["arc_count"].tolist() == [value]


@pytest.mark.parametrize("codec", ["cp1252", "utf-8"])
def test_an_encoding_is_told_to_the_reader(bench, codec):
    named = {"cp1252": "windows-1252"}.get(codec, codec)
    path = bench.folder / "log.csv"
    path.write_bytes("Gerät;Time;Loss\nKünstlich;2026-05-04 10:00;0.03\n".encode(codec))
    text = START + f'encoding = "{named}"\n' + COLUMNS.replace("Machine", "Gerät")
    import_file(bench.engine, CREW, path, layout=bench.layout(text), now=NOW)
    assert bench.stored()["splicer"].tolist() == ["Künstlich"]


def test_a_draft_that_leaves_something_open_reads_nothing(bench):
    with pytest.raises(BadInput) as caught:
        bench.bring(
            "Machine;Time;Loss\nHeron;2026-05-04 10:00;0.03\n",
            START + 'undecided = ["time_format"]\n' + COLUMNS,
        )
    assert str(caught.value) == (
        "The layout own.toml leaves time_format open; decide it there, then take out the line "
        "that begins with undecided."
    )


@pytest.mark.parametrize(
    ("time_format", "written", "utc"),
    [
        # POSIX strptime: 69..99 are 1969..1999, 00..68 are 2000..2068; Oslo is UTC+2 in May
        ("%d.%m.%y %H:%M", "04.05.26 10:00", "2026-05-04 08:00:00"),
        ("%m/%d/%y %H:%M", "05/04/95 10:00", "1995-05-04 08:00:00"),
        ("%d.%m.%Y %H:%M", "04.05.2026 10:00", "2026-05-04 08:00:00"),
        # a year of two digits is refused where the format does not ask for one
        ("%d.%m.%Y %H:%M", "04.05.26 10:00", "time-unreadable"),
        (None, "26-05-04 10:00", "time-unreadable"),
        # outside what can be, whichever century was meant
        ("%d.%m.%y %H:%M", "04.05.68 10:00", "time-in-future"),
        ("%d.%m.%y %H:%M", "04.05.69 10:00", "time-too-old"),
        ("%d.%m.%y %H:%M", "04.05.2026 10:00", "time-unreadable"),
        ("%d.%m.%Y %H:%M", "31.06.2026 10:00", "time-unreadable"),
        ("%d.%m.%Y %H:%M", "05.13.2026 10:00", "time-unreadable"),
    ],
)
def test_years_of_two_digits(bench, time_format, written, utc):
    stated = "" if time_format is None else f'time_format = "{time_format}"\n'
    report = bench.bring(f"Machine;Time;Loss\nHeron;{written};0.03\n", START + stated + COLUMNS)
    got = [group.code for group in report.problems]
    got += [str(pd.Timestamp(at))[:19] for at in bench.stored()["spliced_at"]]
    assert got == [utc]
