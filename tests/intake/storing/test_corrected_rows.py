"""A log mended where it came from and imported anew closes the rows that were kept apart."""

from datetime import UTC, datetime

import pytest

from arcdrift.intake.storing import staging
from arcdrift.intake.storing.import_file import import_file
from arcdrift.intake.text import chunks
from arcdrift.settings import Crew
from arcdrift.store import schema
from arcdrift.store.database.connect import reading
from arcdrift.store.imports.import_list import read_imports
from arcdrift.store.imports.import_undo import undo_import
from arcdrift.store.imports.set_aside_rows import read_quarantined
from arcdrift.store.records.record_rows import read_records
from tests.both_stores import both_stores, daily_on_postgresql
from tests.empty_store import empty_store

pytestmark = both_stores

NOW = datetime(2025, 6, 1, tzinfo=UTC)
CREW = Crew(name="Invented", time_zone="Europe/Oslo")
HEADER = "splicer,spliced_at,loss_db\n"
SOUND = [f"Heron,2025-03-01 10:{n:02d}:00,0.0{n}" for n in range(6)]
BROKEN = {1: "Heron,2025-03-01 10:01:00,lots", 3: "Heron,2025-03-01 10:03:00", 5: "Heron,once,0.05"}


def log(broken=(), day=1, rows=tuple(SOUND)):
    lines = (BROKEN[n] if n in broken else row for n, row in enumerate(rows))
    text = HEADER + "".join(line + "\n" for line in lines)
    return text.replace("2025-03-01", f"2025-03-{day:02d}")


ONE_CHUNK_EVERY_DAY = pytest.mark.parametrize(
    "bring",
    [
        pytest.param(False, id="one chunk"),
        pytest.param(True, id="many chunks", marks=pytest.mark.long),
    ],
    indirect=True,
)


@pytest.fixture(params=[False, True], ids=["one chunk", "many chunks"])
def bring(request, tmp_path, monkeypatch):
    if request.param:
        monkeypatch.setattr(chunks, "WHOLE_BYTES", 0)
        monkeypatch.setattr(chunks, "CHUNK_BYTES", 100)
        monkeypatch.setattr(staging, "BUCKET_ROWS", 2)

    def bring(content, name="log.csv"):
        path = tmp_path / name
        path.write_text(content)
        return import_file(engine, CREW, path, now=NOW)

    engine = bring.engine = empty_store(tmp_path)
    return bring


def open_lines(bring):
    return read_quarantined(bring.engine)["line"].tolist()


def contents(engine):
    with reading(engine) as connection:
        return {
            table.name: sorted((tuple(row) for row in connection.execute(table.select())), key=repr)
            for table in (*schema.metadata.sorted_tables, *schema.RESULTS.values())
            if table.name not in ("imports", "changed_days")
        }


@daily_on_postgresql
@ONE_CHUNK_EVERY_DAY
def test_a_corrected_log_closes_its_rows_and_undoing_opens_them(bring):
    bring(log(broken=(1, 3, 5)))
    assert open_lines(bring) == [3, 5, 7]
    before = contents(bring.engine)
    report = bring(log(broken=(5,)))
    assert (report.mended, report.balance.accepted, report.balance.already_stored) == (2, 2, 4)
    assert open_lines(bring) == [7]
    assert len(read_records(bring.engine, "splices")) == 5
    assert read_imports(bring.engine)["quarantined"].tolist() == [0, 3]
    assert bring(log(broken=(1, 3, 5))).balance.already_stored == 6  # opens nothing
    assert open_lines(bring) == [7]
    undo_import(bring.engine, 3)
    undo_import(bring.engine, 2)
    assert contents(bring.engine) == before


@ONE_CHUNK_EVERY_DAY
def test_a_later_import_of_the_corrected_log_closes_when_the_first_is_undone(bring):
    bring(log(broken=(1, 3)))
    assert [bring(log()).mended, bring(log()).mended] == [2, 0]
    undo_import(bring.engine, 2)
    assert open_lines(bring) == []
    assert set(read_quarantined(bring.engine, closed=True)["closed_by"]) == {3}
    undo_import(bring.engine, 3)
    assert open_lines(bring) == [3, 5]


@ONE_CHUNK_EVERY_DAY
def test_undoing_the_broken_log_leaves_what_the_corrected_one_brings(bring):
    bring(log(broken=(1, 3)))
    bring(log())
    undo_import(bring.engine, 1)
    assert read_quarantined(bring.engine, closed=True).empty
    assert len(read_records(bring.engine, "splices")) == 6


@ONE_CHUNK_EVERY_DAY
@pytest.mark.parametrize(
    ("content", "name"),
    [
        pytest.param(log(day=2), "log.csv", id="another day under the same name"),
        pytest.param(log(), "other.csv", id="another name", marks=pytest.mark.long),
        pytest.param(log(rows=SOUND[:2] + ["Heron,2025-03-01 11:00:00,0.01"] * 4), "log.csv",
                     id="half of it is something else", marks=pytest.mark.long),
        pytest.param(log(rows=["Heron,2025-03-01 09:00:00,0.01", *SOUND]), "log.csv",
                     id="lines moved"),
    ],
)  # fmt: skip
def test_nothing_else_closes_a_row(bring, content, name):
    bring(log(broken=(1, 3)))
    assert bring(content, name).mended == 0
    assert open_lines(bring) == [3, 5]


@ONE_CHUNK_EVERY_DAY
def test_a_log_of_which_nothing_was_stored_closes_nothing(bring):
    bring(HEADER + BROKEN[1] + "\n")
    assert bring(HEADER + SOUND[1] + "\n").mended == 0
    assert open_lines(bring) == [2]
