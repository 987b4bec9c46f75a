"""A file that comes again is known by its digest, and counts as if its rows had been read again.

``ARCDRIFT_LONG=1`` tries many more sequences.
"""

import os
import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path
from unittest.mock import patch

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from arcdrift.intake.layout.layouts import load_layout
from arcdrift.intake.storing import import_file as module
from arcdrift.intake.storing.conflict_decisions import decide_conflicts
from arcdrift.intake.storing.import_file import import_file
from arcdrift.intake.storing.log_import import LogImport
from arcdrift.settings import Crew
from arcdrift.store import schema
from arcdrift.store.database.connect import reading
from arcdrift.store.imports.import_list import read_imports
from arcdrift.store.imports.import_undo import undo_import
from arcdrift.store.imports.set_aside_rows import read_quarantined
from arcdrift.store.records.record_rows import read_records
from tests.both_stores import both_stores, daily_on_postgresql
from tests.empty_store import empty_store
from tests.intake.storing.test_import_order import FILES

pytestmark = both_stores

LONG = os.environ.get("ARCDRIFT_LONG") == "1"
NOW = datetime(2025, 6, 1, tzinfo=UTC)
OSLO = Crew(name="Invented", time_zone="Europe/Oslo")
BOTH_CREWS = (OSLO, Crew(name="Invented", time_zone="UTC"))
TIMES = (NOW, datetime(2025, 2, 27, 12, tzinfo=UTC))
"""At the earlier one some rows of the files lie in the future."""

STEP = st.one_of(
    st.tuples(st.just("bring"), st.sampled_from([0, 0, 1, 2]), st.sampled_from([0, 0, 0, 1]),
              st.sampled_from([0, 0, 0, 1]), st.sampled_from(["a.csv", "b.csv"])),
    st.tuples(st.just("undo"), st.integers(0, 5)),
    st.tuples(st.just("decide"), st.sampled_from(["old", "new"])),
)  # fmt: skip


def said(report):
    return report.balance, report.mended, report.problems, report.kind, report.import_id


def contents(engine, kind):
    """What people see of a store, without the ids of records."""
    with reading(engine) as connection:
        held = {
            table.name: sorted(
                repr([value for name, value in row._mapping.items() if name not in left_out])
                for row in connection.execute(table.select())
            )
            for table, left_out in (
                (schema.RECORDS[kind], {"id"}),
                (schema.quarantine, {"id", "closed_at"}),
                (schema.conflicts, {"id", "stored_id", "raw", "record", "decided_at"}),
            )
        }
    listed = read_imports(engine).drop(columns=["seconds", "started_at", "same_as", "undone_at"])
    return held, listed.astype(object).where(listed.notna(), None).to_dict("records")


def play(engine, folder, kind, files, steps):
    """Take the steps, and say what each of them answered and left behind."""
    answers = []
    for action, *more in steps:
        standing = read_imports(engine)
        standing = standing[standing["undone_at"].isna()]["id"].tolist()
        if action == "bring":
            number, crew, now, name = more
            (folder / name).write_text(files[number], encoding="utf-8")
            report = import_file(engine, BOTH_CREWS[crew], folder / name, now=TIMES[now])
            answers.append(said(report))
        elif action == "undo" and standing:
            undo_import(engine, standing[more[0] % len(standing)])
        elif action == "decide":
            decide_conflicts(engine, more[0], None, by="Cedar")
        answers.append(contents(engine, kind))
    return answers


@pytest.mark.parametrize(
    "kind",
    [
        kind if kind == "splices" else pytest.param(kind, marks=pytest.mark.long)
        for kind in sorted(FILES)
    ],
)
def test_a_known_file_counts_as_if_its_rows_were_read(kind):
    @settings(
        max_examples=150 if LONG else 1,
        deadline=None,
        derandomize=not LONG,
        suppress_health_check=[HealthCheck.too_slow],
    )
    @given(
        files=st.lists(FILES[kind], min_size=3, max_size=3),
        steps=st.lists(STEP, min_size=3, max_size=9),
    )
    def check(files, steps):
        with tempfile.TemporaryDirectory() as fast, tempfile.TemporaryDirectory() as slow:
            known, read = empty_store(Path(fast)), empty_store(Path(slow))
            # each file twice, so that some are known
            first = [("bring", 0, 0, 0, "a.csv"), ("bring", 0, 0, 0, "a.csv")]
            answers = play(known, Path(fast), kind, files, [*first, *steps])
            with patch.object(module, "_is_known", return_value=False):
                expected = play(read, Path(slow), kind, files, [*first, *steps])
            known.dispose()
            read.dispose()
            for answer, other in zip(answers, expected, strict=True):
                assert answer == other

    check()


HEADER = "splicer,spliced_at,loss_db\n"
LOG = HEADER + "".join(f"Heron,2025-03-01 10:00:{n:02},0.0{n % 10}\n" for n in range(20))
LOG += "Heron,2025-03-01 10:01:00,lots\n\n" + HEADER


@pytest.fixture
def engine(tmp_path):
    return empty_store(tmp_path)


@pytest.fixture
def path(tmp_path):
    (tmp_path / "log.csv").write_text(LOG)
    return tmp_path / "log.csv"


def is_read(engine, path, crew=OSLO, now=NOW, **options):
    """Whether an import reads the rows of a file."""
    with patch.object(module, "LogImport", wraps=LogImport) as reader:
        import_file(engine, crew, path, now=now, **options)
    return reader.called


@daily_on_postgresql
def test_the_same_file_is_not_read_again(engine, path, tmp_path):
    first = import_file(engine, OSLO, path, now=NOW)
    with patch.object(module, "open_text", side_effect=AssertionError):
        again = import_file(engine, OSLO, path, now=NOW, name="copy.csv")
    assert again.balance.already_stored == again.balance.rows == 21
    assert (first.balance.header, first.balance.blank) == (2, 1)
    assert (again.balance.header, again.balance.blank) == (2, 1)
    assert again.problems == ()
    assert read_imports(engine)["file_name"].tolist() == ["copy.csv", "log.csv"]


@pytest.mark.parametrize("now", [NOW, None])
def test_of_two_imports_of_a_file_at_once_one_is_a_repeat(engine, path, now):
    real, begun = LogImport.compare, []

    def overtaken(log, store):
        real(log, store)
        if not begun:  # both have found the file new
            begun.append(log)
            import_file(engine, OSLO, path, now=now, name="quicker.csv")

    with patch.object(LogImport, "compare", overtaken):
        report = import_file(engine, OSLO, path, now=now)
    assert report.balance.already_stored == report.balance.rows == 21
    listed = read_imports(engine).set_index("file_name")
    assert listed.loc["log.csv", "same_as"] == listed.loc["quicker.csv", "id"]


def test_what_makes_a_file_another_one(engine, path, tmp_path):
    import_file(engine, OSLO, path, now=NOW)
    assert is_read(engine, path, BOTH_CREWS[1])
    assert is_read(engine, path, kind="splices")
    layout = tmp_path / "own.toml"
    columns = {name: name for name in HEADER.strip().split(",")}
    text = 'kind = "splices"\n[columns]\n' + "".join(f'{a} = "{b}"\n' for a, b in columns.items())
    layout.write_text(text)
    assert is_read(engine, path, layout=load_layout(layout))
    assert not is_read(engine, path, layout=load_layout(layout))
    layout.write_text("missing = ['x']\n" + text)
    assert is_read(engine, path, layout=load_layout(layout))
    assert not is_read(engine, path)
    # what says nothing about the rows
    assert not is_read(engine, path, OSLO.model_copy(update={"false_alarms_per_month": 9.0}))
    path.write_text(LOG + "Heron,2025-03-01 10:02:00,0.02\n")
    assert is_read(engine, path)


def test_a_file_is_read_again_after_the_last_undo(engine, path):
    ids = [import_file(engine, OSLO, path, now=NOW).import_id for _ in range(4)]
    for number in (ids[0], ids[2]):
        undo_import(engine, number)
        assert not is_read(engine, path)
    stored = read_records(engine, "splices")
    assert len(stored) == 20
    assert set(stored["import_id"]) == {ids[1]}
    assert read_quarantined(engine)["import_id"].tolist() == [ids[1]]
    for number in read_imports(engine).query("undone_at.isna()")["id"]:
        undo_import(engine, number)
    assert read_records(engine, "splices").empty
    assert read_quarantined(engine).empty
    assert is_read(engine, path)


def test_rows_of_the_future_are_judged_again(engine, path):
    before = datetime(2025, 2, 25, tzinfo=UTC)
    assert is_read(engine, path, now=before)
    assert is_read(engine, path, now=before)
    report = import_file(engine, OSLO, path, now=NOW)
    assert report.balance.accepted == 20
    assert not is_read(engine, path, now=NOW + timedelta(days=1))
    assert is_read(engine, path, now=before)
