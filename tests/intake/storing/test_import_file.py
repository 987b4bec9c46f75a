"""Whole files into the store: accounting, duplicates, conflicts, undoing."""

import gzip
import hashlib
import json
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd
import pytest
from sqlalchemy import text

from arcdrift.errors import BadInput
from arcdrift.intake.layout.layouts import load_layout
from arcdrift.intake.storing import log_import
from arcdrift.intake.storing.import_file import import_file
from arcdrift.settings import Crew, Site
from arcdrift.store import schema
from arcdrift.store.database.connect import reading
from arcdrift.store.imports.import_list import read_imports
from arcdrift.store.imports.import_undo import undo_import
from arcdrift.store.imports.set_aside_rows import read_conflicting, read_quarantined
from arcdrift.store.records.logged_reasons import logged_reasons
from arcdrift.store.records.record_rows import read_records
from tests.both_stores import both_stores, daily_on_postgresql, sqlite_only
from tests.empty_store import empty_store

pytestmark = both_stores

NOW = datetime(2025, 6, 1, tzinfo=UTC)
CREW = Crew(name="Invented", time_zone="Europe/Oslo", sites={"Harbor": Site()})
HEADER = "splicer,spliced_at,loss_db,technician\n"
LAYOUTS = Path(__file__).parents[3] / "data" / "layouts"


@pytest.fixture
def engine(tmp_path):
    return empty_store(tmp_path)


@pytest.fixture
def bring(engine, tmp_path):
    def bring(content, file="log.csv", crew=CREW, **options):
        path = tmp_path / file
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return import_file(engine, crew, path, now=NOW, **options)

    return bring


def counts(report):
    went = report.balance
    return went.accepted, went.already_stored, went.conflicting, went.quarantined


def contents(engine):
    """Everything in the store but the list of imports, what they repeat and when rows changed."""
    with reading(engine) as connection:
        return {
            table.name: [tuple(row) for row in connection.execute(table.select())]
            for table in (*schema.metadata.sorted_tables, *schema.RESULTS.values())
            if table.name not in ("imports", "source_rows", "changed_days")
        }


@daily_on_postgresql
def test_what_is_stored_and_reported(engine, bring):
    content = (
        "Splicer,spliced_at,loss_db,outcome,splice_number,remark\n"
        ' Heron ,2025-03-01 10:00:05,0.03,Done,1,"two\nlines"\n'
        "\n"
        "Heron,2025-03-01 10:01:10,,error,2,\n"
        "Heron,2025-03-01 10:02:20,0.04,,3,\n"
        "Heron,2025-03-01 10:03:20,99,redo,4,\n"
        "Heron,2025-03-01 10:04:20,0.05,done\n"
    )
    report = bring(content)
    assert report.to_json() == {
        "file": "log.csv",
        "kind": "splices",
        "import_id": 1,
        "lines": 8,
        "skipped": 0,
        "rows": 5,
        "accepted": 3,
        "already_stored": 0,
        "conflicting": 0,
        "quarantined": 2,
        "left_out": [],
        "seconds": round(report.seconds, 3),
    }
    assert [str(group) for group in report.problems] == [
        "Line 7: Estimated loss 99 dB is above 0..10 dB; check the unit and the sensor.",
        "Line 8: The row has fewer cells than the header; it may be cut short.",
    ]
    frame = read_records(engine, "splices")
    assert list(frame["splicer"]) == ["Heron"] * 3
    assert list(frame["outcome"]) == ["done", "error", "done"]
    assert list(frame["purpose"]) == ["production"] * 3
    assert list(frame["line"]) == [2, 5, 6]
    assert frame.loc[0, "remark"] == "two\nlines"
    assert frame.loc[0, "spliced_at"] == pd.Timestamp("2025-03-01 09:00:05", tz="UTC")
    kept = read_quarantined(engine)
    assert list(kept["raw"]) == content.splitlines()[6:]
    assert list(kept["code"]) == ["value-too-high", "cells-missing"]
    assert list(kept["line"]) == [7, 8]
    listed = read_imports(engine).loc[0]
    assert listed["sha256"] == hashlib.sha256(content.encode()).hexdigest()
    assert listed["size_bytes"] == len(content)
    assert listed["lines"] == listed["rows"] + listed["other_lines"]
    assert listed["seconds"] > 0
    assert pd.isna(listed["layout"])


@daily_on_postgresql
def test_every_kind_comes_in(engine, bring):
    bring(
        "splicer,checked_at,outcome,arc_setting,arc_count\n"
        "Heron,2025-03-01 07:00,pass,12,1500\nHeron,2025-03-02 07:00,fail,,1600\n",
        "checks.csv",
    )
    bring("read_at,site,temperature_c,pressure_hpa\n2025-03-01T07:00Z,Harbor,3.5,1003\n", "air.csv")
    bring("asset,serviced_at,action\nHeron,2025-03-01,Electrodes replaced\n", "service.csv")
    assert list(read_records(engine, "arc-checks")["outcome"]) == ["pass", "fail"]
    assert list(read_records(engine, "readings")["temperature_c"]) == [3.5]
    service = read_records(engine, "service")
    assert list(service["action"]) == ["electrodes replaced"]
    assert service.loc[0, "serviced_at"] == pd.Timestamp("2025-02-28 23:00", tz="UTC")
    assert list(read_imports(engine)["kind"]) == ["service", "readings", "arc-checks"]


@daily_on_postgresql
def test_the_same_file_twice_adds_nothing(engine, bring):
    content = (
        HEADER
        + "Heron,2025-03-01 10:00:05,0.03,Alder\nHeron,2025-03-01 10:00:05,0.04,Alder\n"
        + "Heron,2025-03-01 10:01:00,99,Alder\nHeron,2025-03-01 10:01,x\nbroken\n"
        + "Heron,2025-03-01 10:02:00,0.05,Alder\nHeron,2025-03-01 10:02:00,0.05,Alder\n"
    )
    assert counts(bring(content)) == (2, 1, 1, 3)
    before = contents(engine)
    for name in ("log.csv", "other name.csv", "log.csv.gz"):
        again = gzip.compress(content.encode()) if name.endswith("gz") else content
        report = bring(again, name)
        assert counts(report) == (0, 7, 0, 0)
        assert report.problems == ()
        assert contents(engine) == before
    assert len(read_imports(engine)) == 4


def test_overlapping_exports_add_only_what_is_new(engine, bring):
    rows = [f"Heron,2025-03-01 10:{n:02}:30,0.0{n % 9},Alder\n" for n in range(20)]
    assert counts(bring(HEADER + "".join(rows[:12]))) == (12, 0, 0, 0)
    assert counts(bring(HEADER + "".join(reversed(rows[8:])))) == (8, 4, 0, 0)
    assert read_records(engine, "splices")["spliced_at"].is_unique
    assert len(read_records(engine, "splices")) == 20


def test_a_file_with_gaps_finds_what_is_stored(engine, bring):
    rows = "".join(f"Heron,20{n:02}-03-01 10:00:30,0.03,Alder\n" for n in range(25))
    rows += "".join(
        f"Heron,2024-{n:02}-{d:02} 08:00:30,0.03,Alder\n" for n in range(1, 13) for d in (1, 11, 21)
    )
    assert counts(bring(HEADER + rows)) == (61, 0, 0, 0)
    assert counts(bring(HEADER + rows)) == (0, 61, 0, 0)


def test_other_splicers_and_times_are_not_touched(bring):
    assert counts(bring(HEADER + "Heron,2025-03-01 10:00:30,0.03,Alder\n")) == (1, 0, 0, 0)
    other = "Kestrel,2025-03-01 10:00:30,0.03,Alder\nHeron,2025-03-01 10:00:31,0.03,Alder\n"
    assert counts(bring(HEADER + other)) == (2, 0, 0, 0)


def test_a_minute_log_keeps_equal_rows_apart(engine, bring):
    same = "Heron,2025-03-01 10:00,0.03,Alder\n"
    assert counts(bring(HEADER + same * 2)) == (2, 0, 0, 0)
    assert counts(bring(HEADER + same * 2)) == (0, 2, 0, 0)
    assert counts(bring(HEADER + same * 3)) == (1, 2, 0, 0)
    assert len(read_records(engine, "splices")) == 3


def test_a_minute_log_keeps_different_rows_of_a_minute(engine, bring):
    a, b, c = (f"Heron,2025-03-01 10:00,{loss},Alder\n" for loss in (0.01, 0.02, 0.03))
    assert counts(bring(HEADER + a + b)) == (2, 0, 0, 0)
    assert counts(bring(HEADER + a + b + c)) == (1, 2, 0, 0)
    assert list(read_records(engine, "splices")["loss_db"]) == [0.01, 0.02, 0.03]


def test_a_changed_row_of_a_minute_is_a_conflict(engine, bring):
    a, b, changed = (f"Heron,2025-03-01 10:00,{loss},Alder\n" for loss in (0.01, 0.02, 0.09))
    bring(HEADER + a + b)
    assert counts(bring(HEADER + a + changed)) == (0, 1, 1, 0)
    kept = read_conflicting(engine).loc[0]
    assert json.loads(kept["differs"]) == {"loss_db": [0.02, 0.09]}
    assert kept["stored_id"] == 2


def test_a_number_tells_splices_of_a_minute_apart(engine, bring):
    header = "splicer,spliced_at,loss_db,splice_number\n"
    one, two = (f"Heron,2025-03-01 10:00,0.03,{n}\n" for n in (1, 2))
    assert counts(bring(header + one + two + one)) == (2, 1, 0, 0)
    changed = "Heron,2025-03-01 10:00,0.07,2\n"
    assert counts(bring(header + one + changed)) == (0, 1, 1, 0)
    assert json.loads(read_conflicting(engine).loc[0, "differs"]) == {"loss_db": [0.03, 0.07]}


def test_a_log_with_seconds_has_one_splice_at_a_time(engine, bring):
    row = "Heron,2025-03-01 10:00:30,{},Alder\n"
    content = HEADER + row.format(0.03) * 2 + row.format(0.04) + row.format(0.05)
    assert counts(bring(content)) == (1, 1, 2, 0)
    kept = read_conflicting(engine)
    assert [json.loads(d)["loss_db"] for d in kept["differs"]] == [[0.03, 0.04], [0.03, 0.05]]
    assert list(kept["stored_id"]) == [1, 1]
    assert list(kept["line"]) == [4, 5]
    assert counts(bring(content)) == (0, 4, 0, 0)


@daily_on_postgresql
def test_a_conflict_keeps_both_versions(engine, bring):
    bring(HEADER + "Heron,2025-03-01 10:00:30,0.03,Alder\n")
    changed = "Heron,2025-03-01 10:00:30,0.03,Birch\n"
    assert counts(bring(HEADER + changed)) == (0, 0, 1, 0)
    assert list(read_records(engine, "splices")["technician"]) == ["Alder"]
    kept = read_conflicting(engine).loc[0]
    assert json.loads(kept["differs"]) == {"technician": ["Alder", "Birch"]}
    record = json.loads(kept["record"])
    assert record["technician"] == "Birch"
    assert record["spliced_at"] == "2025-03-01T09:00:30.000000Z"
    assert record["program"] is None
    assert kept["raw"] == changed.strip()
    assert kept["file_name"] == "log.csv"


def test_a_column_that_a_file_has_not_contradicts_nothing(engine, bring):
    bring(HEADER + "Heron,2025-03-01 10:00:30,0.03,Alder\n")
    less = "splicer,spliced_at,loss_db\nHeron,2025-03-01 10:00:30,0.03\n"
    assert counts(bring(less)) == (0, 1, 0, 0)
    more = "splicer,spliced_at,loss_db,site\nHeron,2025-03-01 10:00:30,0.03,Harbor\n"
    assert counts(bring(more)) == (0, 1, 0, 0)
    assert list(read_records(engine, "splices")["site"]) == ["Harbor"]
    assert list(read_records(engine, "splices")["technician"]) == ["Alder"]
    undo_import(engine, 3)
    assert read_records(engine, "splices")["site"].isna().all()


@pytest.mark.parametrize(
    ("header", "row", "changed", "other"),
    [
        (
            "splicer,checked_at,outcome,arc_setting",
            "Heron,2025-03-01 07:00:30,pass,10",
            "Heron,2025-03-01 07:00:30,pass,11",
            "Heron,2025-03-01 07:01:30,pass,10",
        ),
        (
            "read_at,site,source,temperature_c",
            "2025-03-01 07:00,Harbor,logger,3",
            "2025-03-01 07:00,Harbor,logger,4",
            "2025-03-01 07:00,Harbor,station,4",
        ),
        (
            "read_at,site,splicer,humidity_pct",
            "2025-03-01 07:00,,Heron,30",
            "2025-03-01 07:00,,Heron,40",
            "2025-03-01 07:00,Harbor,,30",
        ),
        (
            "asset,serviced_at,action,remark",
            "Heron,2025-03-01 07:00,cleaned,brush",
            "Heron,2025-03-01 07:00,cleaned,cloth",
            "Heron,2025-03-01 07:00,electrodes replaced,",
        ),
    ],
)
def test_identity_of_each_kind(bring, header, row, changed, other):
    assert counts(bring(f"{header}\n{row}\n{other}\n")) == (2, 0, 0, 0)
    assert counts(bring(f"{header}\n{row}\n{other}\n")) == (0, 2, 0, 0)
    assert counts(bring(f"{header}\n{changed}\n")) == (0, 0, 1, 0)


@daily_on_postgresql
def test_undoing_restores_the_store_exactly(engine, bring):
    first = HEADER + "Heron,2025-03-01 10:00:30,0.03,Alder\nHeron,2025-03-01 10:01:30,99,Alder\n"
    bring(first)
    before = contents(engine)
    second = first.replace("0.03", "0.04") + "Heron,2025-03-01 10:02:30,0.05,Birch\nbroken\n"
    report = bring(second)
    assert counts(report) == (1, 1, 1, 1)
    undo_import(engine, report.import_id)
    assert contents(engine) == before
    listed = read_imports(engine).set_index("id")
    assert pd.notna(listed.loc[report.import_id, "undone_at"])
    assert pd.isna(listed.loc[1, "undone_at"])
    assert counts(bring(second)) == (1, 1, 1, 1)


@daily_on_postgresql
def test_nothing_is_stored_when_writing_fails(engine, bring, monkeypatch):
    before = contents(engine)

    def fail(*_):
        raise RuntimeError

    monkeypatch.setattr(log_import, "close_corrected", fail)
    with pytest.raises(RuntimeError):
        bring(HEADER + "Heron,2025-03-01 10:00:30,0.03,Alder\n")
    assert contents(engine) == before
    assert read_imports(engine).empty


@daily_on_postgresql
def test_another_import_meanwhile_is_seen(engine, bring, monkeypatch):
    content = HEADER + "Heron,2025-03-01 10:00:30,0.03,Alder\n"
    compare, seen = log_import.classify_rows, []

    def overtaken(*rows, **options):
        outcomes = compare(*rows, **options)
        seen.append(outcomes)
        if len(seen) == 1:  # between the comparison and the lock, another process imports it
            bring(content, "first.csv")
        return outcomes

    monkeypatch.setattr(log_import, "classify_rows", overtaken)
    assert counts(bring(content, "second.csv")) == (0, 1, 0, 0)
    assert len(read_records(engine, "splices")) == 1


def test_progress_ends_with_all_rows(bring):
    told = []
    bring(
        HEADER + "Heron,2025-03-01 10:00:30,0.03,Alder\n" * 3,
        progress=lambda done, total: told.append((done, total)),
    )
    assert told[-1] == (3, 3)
    assert told == sorted(told)


def test_a_layout_reads_a_foreign_file(engine, bring):
    content = (
        "Splice log\r\nExported 02.03.2025\r\n"
        "Machine;No.;Date;Time;Loss;Left;Right;By;Recipe;Result;Checksum\r\n"
        "Heron;17;01.03.2025;10:00;0,03;8,7;17,453292519943;Alder;single-mode adaptive;OK;x1\r\n"
        "Heron;18;01.03.2025;10:00;0,45;8,7;8,7;Alder;single-mode adaptive;Again;x2\r\n"
        "Heron;19;01.03.2025;;0,05;8,7;8,7;Alder;single-mode adaptive;OK;x3\r\n"
        "Heron;20;01.03.2025;10:02;0.05;8,7;8,7;Alder;single-mode adaptive;Done?;x3\r\n"
    )
    path = LAYOUTS / "splice-log-semicolon.toml"
    report = bring(content, layout=path)
    assert counts(report) == (2, 0, 0, 2)
    assert report.balance.skipped == 2
    frame = read_records(engine, "splices")
    assert list(frame["loss_db"]) == [0.03, 0.45]
    assert list(frame["outcome"]) == ["done", "redo"]
    assert list(frame["splice_number"]) == [17, 18]
    assert frame.loc[0, "cleave_right_deg"] == 1.0
    assert list(frame["spliced_at"].dt.hour) == [9, 9]
    kept = read_quarantined(engine)
    assert list(kept["code"]) == ["value-missing", "number-separator"]
    assert kept.loc[1, "message"] == (
        "Estimated loss '0.05' has a separator that may part thousands or decimals; write it like "
        "1234.5, or set decimal in a layout. outcome 'done?' is not one of done, redo, error; "
        "correct it, or map it in a layout."
    )
    assert (
        read_imports(engine).loc[0, "layout"].startswith("# splice-log-semicolon.toml\n# A splice")
    )
    with pytest.raises(BadInput) as caught:
        bring(content, layout=load_layout(path), kind="readings")
    assert str(caught.value) == (
        "The layout splice-log-semicolon.toml is for splices, not for readings as asked."
    )


def test_problems_are_grouped(bring):
    row = "2025-03-01 {:02}:00,Harbor,3.5,{}\n"
    rows = [row.format(hour, 0.0 if hour % 2 else 1003) for hour in range(10)]
    report = bring("read_at,site,temperature_c,pressure_hpa\n" + "".join(rows) + "x,Harbor,3,\n")
    assert [str(group) for group in report.problems] == [
        "5 rows, first at line 3: Pressure 0 hPa is below 450..1100 hPa; check the unit and the "
        "sensor.",
        "Line 12: read_at 'x' is not a time; write it like 2025-03-01 14:05.",
    ]
    assert [(g.code, g.column, g.count, g.first_line) for g in report.problems] == [
        ("value-too-low", "pressure_hpa", 5, 3),
        ("time-unreadable", "read_at", 1, 12),
    ]


def test_one_wrong_cell_is_one_problem(engine, bring):
    # an unreadable setting is not also a missing one
    bring("splicer,checked_at,outcome,arc_setting\nHeron,2025-03-01 07:00,pass,x\n")
    assert list(read_quarantined(engine)["message"]) == [
        "Arc setting 'x' is not a number; write it like 12.5."
    ]


def test_a_file_name_given_is_the_one_kept(engine, bring):
    report = bring(HEADER + "Heron,2025-03-01 10:00,0.03,Alder\n", name="x")
    assert report.file == "x"


@sqlite_only
def test_foreign_keys_hold(engine, bring):
    bring(HEADER + "Heron,2025-03-01 10:00,0.03,Alder\n")
    with reading(engine) as connection:
        assert connection.execute(text("PRAGMA foreign_key_check")).all() == []


def test_columns_without_a_name_are_left_out_with_a_word(bring):
    header = "splicer,,spliced_at,loss_db\n"
    report = bring(header + "Heron,a,2025-03-01 10:00:00,0.02\nHeron,,2025-03-01 10:01:00,lots\n")
    assert counts(report) == (1, 0, 0, 1)
    assert report.left_out == (2,)
    again = bring(header + "Heron,a,2025-03-01 10:00:00,0.02\nHeron,,2025-03-01 10:01:00,lots\n")
    assert (counts(again), again.left_out) == ((0, 2, 0, 0), (2,))


def test_a_name_that_comes_again_needs_a_layout(engine, bring, tmp_path):
    content = "splicer,spliced_at,loss_db,Loss_DB\nHeron,2025-03-01 10:00:00,0.02,0.03\n"
    with pytest.raises(BadInput, match="'loss_db' more than once"):
        bring(content)
    content = content.replace("Loss_DB", "loss_db")
    with pytest.raises(BadInput, match=r"its column 'loss_db 2' is not known"):
        bring(content)
    path = tmp_path / "own.toml"
    path.write_text(
        'kind = "splices"\nignore = ["loss_db"]\n[columns]\nsplicer = "splicer"\n'
        'spliced_at = "spliced_at"\nloss_db = "loss_db 2"\n'
    )
    bring(content, layout=load_layout(path))
    assert read_records(engine, "splices")["loss_db"].tolist() == [0.03]


LATE = "splicer,spliced_at,loss_db,outcome,error_reason,holding\n"


@daily_on_postgresql
def test_a_later_log_tells_why_splices_failed(engine, bring):
    """Columns that a log has later complete its records, and a reason contradicts another one."""
    before = "splicer,spliced_at,loss_db,outcome\n"
    bring(before + "Heron,2025-03-01 10:00:05,,error\nHeron,2025-03-01 10:01:05,0.03,done\n")
    late = bring(
        LATE
        + "Heron,2025-03-01 10:00:05,,error,FIBER POS,Clamp\n"
        + "Heron,2025-03-01 10:01:05,0.03,done,,holder\n"
        + "Heron,2025-03-01 10:02:05,,error,DUST,hook\n"
    )
    assert counts(late) == (0, 2, 0, 1)
    assert [group.code for group in late.problems] == ["word-unknown"]
    frame = read_records(engine, "splices")
    assert list(frame["error_reason"].fillna("")) == ["FIBER POS", ""]
    assert list(frame["holding"]) == ["clamp", "holder"]
    assert logged_reasons(engine) == {"FIBER POS": 1}
    assert logged_reasons(engine, late.import_id) == {}  # it only completed a record
    other = bring(LATE + "Heron,2025-03-01 10:00:05,,error,DUST,clamp\n", "other.csv")
    assert counts(other) == (0, 0, 1, 0)
    assert json.loads(read_conflicting(engine).loc[0, "differs"]) == {
        "error_reason": ["FIBER POS", "DUST"]
    }
    undo_import(engine, late.import_id)
    assert list(read_records(engine, "splices")["error_reason"].fillna("")) == ["DUST", ""]
