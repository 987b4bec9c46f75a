"""What people write down by hand: refused like a file's row, joined with logs in any order.

``ARCDRIFT_LONG=1`` tries many more orders.
"""

import os
import signal
import subprocess
import sys
import tempfile
import threading
from collections import Counter
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import func, select

from arcdrift.clock_bounds import ClockBounds
from arcdrift.errors import StoreTrouble
from arcdrift.intake.storing import written_records
from arcdrift.intake.storing.conflict_decisions import decide_conflicts
from arcdrift.intake.storing.import_file import import_file
from arcdrift.intake.storing.written_records import RefusedRecord, time_cell, write_down
from arcdrift.intake.storing.written_sentences import report_text
from arcdrift.settings import Crew
from arcdrift.store import schema
from arcdrift.store.annotations.clock_shifts import set_shift
from arcdrift.store.database.connect import reading, writing
from arcdrift.store.events.event_candidates import stored_values
from arcdrift.store.imports.import_list import read_imports
from arcdrift.store.imports.import_undo import undo_import
from arcdrift.store.imports.set_aside_rows import read_conflicting, read_quarantined
from arcdrift.store.records.record_rows import read_records
from arcdrift.store.records.written_entries import written_entries
from arcdrift.store.results.store_versions import records_version, store_version
from tests.both_stores import both_stores, daily_on_postgresql, sqlite_only
from tests.empty_store import empty_store

pytestmark = [pytest.mark.usefixtures("_reads_every_row"), both_stores]

CREW = Crew(name="Invented", time_zone="Europe/Oslo")
NOW = datetime(2025, 6, 1, tzinfo=UTC)
LONG = os.environ.get("ARCDRIFT_LONG") == "1"
CHECK = {"splicer": "Heron", "checked_at": "2025-05-01 10:00", "outcome": "pass"}
LOG = "splicer,checked_at,outcome,arc_setting,arc_count,technician\n"


@pytest.fixture
def engine(tmp_path):
    return empty_store(tmp_path)


def write_check(engine, *, by="Robin", **cells):
    cells = CHECK | {"arc_setting": "12", "technician": by} | cells
    return write_down(engine, CREW, "arc-checks", cells, by=by, now=NOW)


def import_rows(engine, *rows, name="log.csv", header=LOG, kind=None):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_text(header + "\n".join(rows) + "\n")
        return import_file(engine, CREW, path, now=NOW, kind=kind)


def checks(engine):
    return [
        (row["checked_at"] // 60_000_000, row["outcome"], row["arc_setting"], row["arc_count"],
         row["technician"])
        for row in stored_values(read_records(engine, "arc-checks", order=("checked_at", "id")))
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("column", "text"),
    [
        ("arc_setting", "1000000"),
        ("arc_setting", "twelve"),
        ("arc_setting", ""),
        ("arc_count", "1.5"),
        ("checked_at", "2025-06-05 10:00"),
        ("checked_at", "2025-03-30 02:30"),
        ("checked_at", "1989-03-30 02:30"),
        ("checked_at", "yesterday"),
        ("outcome", "good"),
    ],
)
def test_what_a_file_would_quarantine_is_refused_with_the_same_sentence(engine, column, text):
    cells = CHECK | {"arc_setting": "12", column: text}
    before = store_version(engine)
    with pytest.raises(RefusedRecord) as refused:
        write_down(engine, CREW, "arc-checks", cells, by="Robin", now=NOW)
    assert store_version(engine) == before
    assert list(refused.value.problems) == [column]
    import_rows(engine, ",".join(cells.values()), header=",".join(cells) + "\n")
    assert read_quarantined(engine)["message"].tolist() == [refused.value.problems[column]]


def test_what_has_not_happened_yet_is_refused(engine):
    with pytest.raises(RefusedRecord, match="has not come yet"):
        write_check(engine, checked_at=(NOW + timedelta(minutes=6)).isoformat())
    write_check(engine, checked_at=(NOW + timedelta(minutes=4)).isoformat())


def test_both_readings_of_a_repeated_hour_are_named(engine):
    with pytest.raises(RefusedRecord) as refused:
        write_check(engine, checked_at="2024-10-27 02:30")
    assert str(refused.value).endswith(
        "Write 2024-10-27T02:30+02:00 for the first (CEST), 2024-10-27T02:30+01:00 for the second "
        "(CET)."
    )
    write_check(engine, checked_at="2024-10-27T02:30+01:00")
    assert (
        read_records(engine, "arc-checks")["checked_at"][0]
        .isoformat()
        .startswith("2024-10-27T01:30")
    )


@pytest.mark.parametrize(
    ("kind", "cells", "by", "column"),
    [
        ("arc-checks", CHECK | {"arc_setting": "12"}, " ", "by"),
        ("arc-checks", CHECK | {"arc_setting": "12"}, "x" * 101, "by"),
        ("remarks", {"asset": "Heron", "serviced_at": "2025-05-01 10:00"}, "Robin", "remark"),
        ("service", {"asset": "C1", "serviced_at": "2025-05-01", "action": "cleaned",
                     "remark": "x" * 2001}, "Robin", "remark"),
    ],
)  # fmt: skip
def test_who_and_what_are_needed(engine, kind, cells, by, column):
    with pytest.raises(RefusedRecord) as refused:
        write_down(engine, CREW, kind, cells, by=by, now=NOW)
    assert list(refused.value.problems) == [column]
    assert read_imports(engine).empty


def test_an_entry_is_accounted_for_and_can_be_undone(engine):
    report = write_check(engine, arc_count="1040")
    (entry,) = read_imports(engine).to_dict("records")
    assert (entry["file_name"], entry["kind"]) == ("written by Robin", "arc-checks")
    assert [entry[name] for name in ("lines", "rows", "accepted")] == [1, 1, 1]
    assert report.outcome == "accepted"
    assert [row[1:] for row in checks(engine)] == [("pass", 12.0, 1040.0, "Robin")]
    assert written_entries(engine)[0].values["arc_count"] == 1040
    undo_import(engine, report.import_id)
    assert checks(engine) == []
    assert written_entries(engine) == []


def test_the_same_check_twice_is_one(engine):
    first = write_check(engine)
    again = write_check(engine, checked_at="2025-05-01 10:00:40", by="Kim")
    assert again.repeated
    assert again.import_id == first.import_id
    assert len(read_imports(engine)) == 1
    assert "nothing was stored" in report_text(again, None)
    assert not write_check(engine, arc_setting="13").repeated


@daily_on_postgresql
def test_the_log_of_a_check_joins_what_was_written_down(engine):
    hand = write_check(engine)
    report = import_rows(engine, "Heron,2025-05-01 09:52:11,pass,12,1040,")
    assert report.balance.accepted == 1
    assert report.joined == 1
    (row,) = checks(engine)
    assert row[1:] == ("pass", 12.0, 1040.0, "Robin")
    (entry,) = written_entries(engine)
    assert entry.in_log
    assert not entry.differs
    undo_import(engine, report.import_id)
    assert [row[3] for row in checks(engine)] == [None]
    undo_import(engine, hand.import_id)
    assert checks(engine) == []


def test_written_after_its_log_it_is_already_stored(engine):
    import_rows(engine, "Heron,2025-05-01 09:52:11,pass,12,1040,Kim")
    report = write_check(engine)
    assert (report.outcome, report.log) == ("already_stored", "log.csv")
    assert "Already stored: log.csv has it already" in report_text(report, None)
    imports = read_imports(engine).iloc[0]
    assert (imports["accepted"], imports["already_stored"]) == (0, 1)
    assert len(checks(engine)) == 1
    undo_import(engine, report.import_id)
    assert [row[4] for row in checks(engine)] == ["Kim"]


@pytest.mark.parametrize("hand_first", [True, False])
def test_values_that_differ_are_for_a_person_to_choose(engine, hand_first):
    if hand_first:
        hand = write_check(engine, arc_setting="13", checked_at="2025-05-01 09:53")
    log = import_rows(engine, "Heron,2025-05-01 09:52:11,pass,12,1040,Kim")
    if not hand_first:
        hand = write_check(engine, arc_setting="13", checked_at="2025-05-01 09:53")
        assert hand.outcome == "conflicting"
        assert "arc setting is 12 there and 13 here" in report_text(hand, None)
    assert [row[2] for row in checks(engine)] == [12.0]
    (conflict,) = read_conflicting(engine).to_dict("records")
    assert conflict["import_id"] == hand.import_id
    decide_conflicts(engine, "new", [conflict["id"]], by="lead")
    assert [row[1:] for row in checks(engine)] == [("pass", 13.0, 1040.0, "Kim")]
    undo_import(engine, hand.import_id)
    assert [row[1:] for row in checks(engine)] == [("pass", 12.0, 1040.0, "Kim")]
    undo_import(engine, log.import_id)
    assert checks(engine) == []


def test_service_of_a_log_with_dates_alone_joins_and_keeps_the_time(engine):
    cells = {"asset": "C1", "serviced_at": "2025-05-02 14:10", "action": "blade rotated"}
    rows = ["C1,2025-05-02,blade rotated", "C1,2025-05-03,blade rotated"]
    report = import_rows(engine, *rows, header="asset,serviced_at,action\n")
    hand = write_down(engine, CREW, "service", cells, by="Robin", now=NOW)
    assert hand.outcome == "already_stored"
    times = read_records(engine, "service", order=("serviced_at",))["serviced_at"]
    assert [time.strftime("%d %H:%M") for time in times] == ["02 12:10", "02 22:00"]
    again = import_rows(engine, rows[0], name="part.csv", header="asset,serviced_at,action\n")
    assert again.balance.already_stored == 1
    for number in (hand.import_id, again.import_id, report.import_id):
        undo_import(engine, number)
    assert read_records(engine, "service").empty


def test_a_remark_is_an_entry_that_changes_no_record(engine):
    write_check(engine)
    before = records_version(engine)
    cells = {"asset": "Heron", "serviced_at": "2025-05-01 10:00", "remark": 'fell, "hard"\nagain'}
    report = write_down(engine, CREW, "remarks", cells, by="Robin", now=NOW)
    assert records_version(engine) == before
    remark = next(entry for entry in written_entries(engine) if entry.kind == "remarks")
    assert remark.values == {"remark": 'fell, "hard"\nagain'}
    assert read_records(engine, "service").empty
    undo_import(engine, report.import_id)
    assert records_version(engine) == before
    assert [entry.kind for entry in written_entries(engine)] == ["arc-checks"]


def test_an_entry_makes_results_out_of_date_and_its_undo_too(engine):
    versions = [records_version(engine)]
    report = write_check(engine)
    versions.append(records_version(engine))
    undo_import(engine, report.import_id)
    versions.append(records_version(engine))
    assert len(set(versions)) == 3


def test_a_clock_shift_moves_what_the_splicer_logged_not_what_a_person_wrote(engine):
    import_rows(engine, "Heron,2025-05-01 06:00:11,pass,14,1040,Kim")
    write_check(engine)
    day = datetime(2025, 5, 1, tzinfo=UTC)
    bounds = ClockBounds("Heron", day, day + timedelta(days=1))
    set_shift(engine, bounds, timedelta(hours=2), said_by="Kim", why="slow")
    times = read_records(engine, "arc-checks", order=("id",))["checked_at"]
    assert [time.strftime("%H:%M") for time in times] == ["06:00", "08:00"]


def test_times_are_completed():
    now = datetime(2025, 5, 1, 22, 30, 5, tzinfo=UTC)
    assert time_cell("", now, None) == "2025-05-01T22:30:05+00:00"
    assert time_cell("7:30", now, written_records.ZoneInfo("Europe/Oslo")) == "2025-05-02 07:30"
    assert time_cell("2025-04-01 07:30", now, None) == "2025-04-01 07:30"


@sqlite_only  # a server makes writers wait without end
def test_a_writer_waits_for_another_or_says_that_the_store_is_busy(engine):
    entered, leave, told = threading.Event(), threading.Event(), []

    def occupy():
        with writing(engine):
            entered.set()
            leave.wait(10)

    other = threading.Thread(target=occupy)
    other.start()
    entered.wait(10)
    cells = CHECK | {"arc_setting": "12"}
    with pytest.raises(StoreTrouble, match="busy"):
        write_down(engine, CREW, "arc-checks", cells, by="Robin", now=NOW, max_wait_s=0.05)

    def tell():
        told.append(1)
        leave.set()

    report = write_down(engine, CREW, "arc-checks", cells, by="Robin", now=NOW, waiting=tell)
    other.join()
    assert report.outcome == "accepted"
    assert told


@daily_on_postgresql
def test_two_writers_at_once_both_are_stored_and_a_double_tap_once(engine):
    cells = [CHECK | {"arc_setting": str(setting)} for setting in (11, 12, 12, 13)]
    reports = []

    def write(filled):
        reports.append(write_down(engine, CREW, "arc-checks", filled, by="Robin", now=NOW))

    threads = [threading.Thread(target=write, args=(filled,)) for filled in cells]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert Counter(report.repeated for report in reports) == {False: 3, True: 1}
    assert len(checks(engine)) == 3


def test_a_repeated_file_inherits_the_join_of_the_first(engine, monkeypatch):
    monkeypatch.undo()  # a file that comes again is recognized
    row = "Heron,2025-05-01 09:52:11,pass,12,1040,"
    first, repeat = import_rows(engine, row), import_rows(engine, row)
    hand = write_check(engine)
    assert hand.outcome == "already_stored"
    undo_import(engine, first.import_id)
    assert [row[3:] for row in checks(engine)] == [(1040.0, "Robin")]
    assert written_entries(engine)[0].in_log
    undo_import(engine, repeat.import_id)
    assert [row[3:] for row in checks(engine)] == [(None, "Robin")]
    undo_import(engine, hand.import_id)
    assert checks(engine) == []


@sqlite_only
@pytest.mark.long
def test_a_writer_that_is_killed_leaves_nothing(tmp_path):
    engine = empty_store(tmp_path)
    before = store_version(engine)
    program = (
        "import os, signal\n"
        "from pathlib import Path\n"
        "from arcdrift.intake.storing import written_records as w\n"
        "from arcdrift.settings import Crew\n"
        "from arcdrift.store.database.connect import open_store\n"
        "w._with_outcome = lambda *_: os.kill(os.getpid(), signal.SIGKILL)\n"
        f"engine = open_store(Path({str(tmp_path)!r}))\n"
        f"w.write_down(engine, Crew(name='X', time_zone='UTC'), 'arc-checks', "
        f"{CHECK | {'arc_setting': '12'}!r}, by='Robin')\n"
    )
    ended = subprocess.run([sys.executable, "-c", program], check=False)
    assert ended.returncode == -signal.SIGKILL
    assert store_version(engine) == before
    assert write_check(engine).outcome == "accepted"


def test_a_writer_that_ends_in_the_middle_leaves_nothing(engine, monkeypatch):
    before = store_version(engine)
    monkeypatch.setattr(written_records, "_with_outcome", lambda *_: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        write_check(engine)
    assert store_version(engine) == before
    with reading(engine) as connection:
        for table in (schema.written, schema.imports, schema.arc_checks):
            assert connection.execute(select(func.count()).select_from(table)).scalar_one() == 0


# orders of writing, importing, undoing and importing again

moments = st.tuples(
    st.integers(0, 70),  # minutes
    st.sampled_from(["pass", "pass", "fail"]),
    st.sampled_from([12, 13]),
    st.sampled_from([None, 40, 41]),
)


def _cells(moment):
    minute, outcome, setting, count = moment
    at = datetime(2025, 5, 1, 8) + timedelta(minutes=minute)
    return {
        "splicer": "Heron",
        "checked_at": at.isoformat(sep=" ", timespec="minutes"),
        "outcome": outcome,
        "arc_setting": str(setting),
        "arc_count": "" if count is None else str(count),
    }


def _line(moment):
    cells = _cells(moment)
    return f"{','.join(cells.values())},".replace(
        cells["checked_at"], cells["checked_at"] + f":{moment[0] % 50 + 1:02d}"
    )


def _state(engine):
    """Records with the conflicts and hand-written rows on each, whatever their numbers are."""
    records = {
        row["id"]: (row["checked_at"], row["outcome"], row["arc_setting"], row["arc_count"])
        for row in stored_values(read_records(engine, "arc-checks", columns=(
            "id", "checked_at", "outcome", "arc_setting", "arc_count")))
    }  # fmt: skip
    rows, conflicts = schema.source_rows.columns, schema.conflicts.columns
    checks, written = schema.arc_checks.columns, schema.written.columns
    found = []
    with reading(engine) as connection:
        for column, record_id in (
            (rows.import_id, rows.record_id),
            (conflicts.import_id, conflicts.stored_id),
            (checks.import_id, checks.id),
        ):
            query = select(record_id, written.happened_at, written.record).where(
                column == written.import_id
            )
            found += [(records[row[0]], column.table.name, *row[1:]) for row in
                      connection.execute(query)]  # fmt: skip
    assert len({row[0] for row in found}) == len(found)  # at most one to an event
    return Counter(records.values()), Counter(found), Counter(read_conflicting(engine)["differs"])


@settings(
    max_examples=150 if LONG else 2,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(
    st.lists(moments, max_size=4, unique_by=lambda m: m[0]),
    st.lists(moments, max_size=3, unique_by=lambda m: m[0]),
    st.lists(moments, min_size=1, max_size=4, unique_by=lambda m: m[0]),
    st.data(),
)
def test_any_order_of_writing_importing_and_undoing_gives_the_same(first, second, hand, data):
    """What stands at the end decides, not how it came about."""
    second = [moment for moment in second if moment[0] not in {m[0] for m in first}]
    logs = {"a": first, "b": second + first[:1]}
    sources = [name for name, rows in logs.items() if rows] + list(range(len(hand)))

    def bring(engine, source):
        if isinstance(source, str):
            return import_rows(engine, *map(_line, logs[source]), name=source).import_id
        return write_down(
            engine, CREW, "arc-checks", _cells(hand[source]), by=f"Person {source}", now=NOW
        ).import_id

    with tempfile.TemporaryDirectory() as one, tempfile.TemporaryDirectory() as other:
        engine = empty_store(Path(one))
        active: dict = {}
        for source in data.draw(st.lists(st.sampled_from(sources), min_size=3, max_size=8)):
            if source in active:
                undo_import(engine, active.pop(source))
            else:
                active[source] = bring(engine, source)
        plain = empty_store(Path(other))
        for source in sources:
            if source in active:
                bring(plain, source)
        assert _state(engine) == _state(plain)
        for number in active.values():
            undo_import(engine, number)
        assert _state(engine) == (Counter(), Counter(), Counter())
        engine.dispose()
        plain.dispose()


serviced = st.tuples(
    st.integers(0, 2),  # days
    st.sampled_from([0, 7, 9, 14, 22]),  # hours
    st.sampled_from(["blade rotated", "blade replaced"]),
)


def _service_line(moment, *, date_alone):
    day, hour, action = moment
    at = datetime(2025, 5, 1 + day, hour, 20)
    return f"C1,{at.date() if date_alone else at},{action}"


@pytest.mark.long
@settings(
    max_examples=100 if LONG else 2,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(
    st.sets(serviced, max_size=3),
    st.sets(serviced, max_size=3),
    st.lists(serviced, min_size=1, max_size=3, unique=True),
    st.data(),
)
def test_any_order_of_service_gives_the_same(dated, timed, hand, data):
    logs = {
        "dated": [_service_line(moment, date_alone=True) for moment in sorted(dated)],
        "timed": [_service_line(moment, date_alone=False) for moment in sorted(timed)],
    }
    sources = [name for name, rows in logs.items() if rows] + list(range(len(hand)))

    def bring(engine, source):
        if isinstance(source, str):
            header = "asset,serviced_at,action\n"
            return import_rows(engine, *logs[source], name=source, header=header).import_id
        day, hour, action = hand[source]
        cells = {
            "asset": "C1",
            "serviced_at": f"2025-05-0{1 + day} {hour:02d}:05",
            "action": action,
        }
        report = write_down(engine, CREW, "service", cells, by=f"Person {source}", now=NOW)
        return report.import_id

    def state(engine):
        records = stored_values(read_records(engine, "service"))
        entries = written_entries(engine)
        return (
            Counter((row["serviced_at"], row["action"]) for row in records),
            Counter((entry.written_by, entry.in_log) for entry in entries),
        )

    with tempfile.TemporaryDirectory() as one, tempfile.TemporaryDirectory() as other:
        engine, plain = empty_store(Path(one)), empty_store(Path(other))
        active: dict = {}
        for source in data.draw(st.lists(st.sampled_from(sources), min_size=3, max_size=7)):
            if source in active:
                undo_import(engine, active.pop(source))
            else:
                active[source] = bring(engine, source)
        for source in sources:
            if source in active:
                bring(plain, source)
        assert state(engine) == state(plain)
        for number in active.values():
            undo_import(engine, number)
        assert state(engine) == (Counter(), Counter())
        engine.dispose()
        plain.dispose()
