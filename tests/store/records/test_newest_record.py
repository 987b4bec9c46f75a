"""The newest record that can be believed, by which results may be frozen."""

from datetime import UTC, datetime
from pathlib import Path

import pytest
from sqlalchemy import Engine, delete

from arcdrift.intake.storing.import_file import import_file
from arcdrift.settings import Crew
from arcdrift.store import schema
from arcdrift.store.database.connect import writing
from arcdrift.store.records.record_overview import are_mostly_after, newest_record
from tests.both_stores import both_stores
from tests.empty_store import empty_store

pytestmark = both_stores

CREW = Crew(name="invented", time_zone="UTC")
NOW = datetime(2025, 3, 20, 12, tzinfo=UTC)
HEADER = "splicer,spliced_at,technician,program,loss_db"


def log(name: str, *months: int) -> list[str]:
    return [f"{name},2025-{month:02d}-10 08:{i:02d},Ada,A,0.03" for i, month in enumerate(months)]


def store(folder: Path, rows: list[str]) -> Engine:
    engine = empty_store(folder)
    path = folder / "splices.csv"
    path.write_text("\n".join([HEADER, *rows]) + "\n", encoding="utf-8")
    import_file(engine, CREW, path)
    return engine


@pytest.mark.parametrize(
    ("rows", "mostly", "newest"),
    [
        (log("Heron", 1, 2, 3) + log("Tern", 2, 6), False, "2025-03-10T08:02"),
        (log("Heron", 1, 2, 5) + log("Tern", 2, 6, 7), False, "2025-02-10T08:01"),
        (log("Heron", 1, 7, 5) + log("Tern", 2, 6, 7), True, "2025-07-10T08:02"),
        (log("Heron", 5, 6, 7) + log("Tern", 1), True, "2025-07-10T08:02"),
    ],
)
def test_records_of_the_future_count_only_where_they_are_most(tmp_path, rows, mostly, newest):
    engine = store(tmp_path, rows)
    assert are_mostly_after(engine, NOW) is mostly
    found = newest_record(engine, NOW)
    assert found is not None
    assert found.isoformat().startswith(newest)


def test_records_that_are_gone_do_not_count(tmp_path):
    engine = store(tmp_path, log("Heron", 1, 2, 2, 2, 5) + log("Tern", 1, 6, 7))
    assert not are_mostly_after(engine, NOW)
    with writing(engine) as connection:
        t = schema.splices.columns
        early = int(datetime(2025, 2, 20, tzinfo=UTC).timestamp() * 1e6)
        connection.execute(delete(schema.splices).where(t.spliced_at < early, t.splicer == "Heron"))
    assert are_mostly_after(engine, NOW)
