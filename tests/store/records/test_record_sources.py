"""Every splicer and source of readings, with its newest record and the file that brought it."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import Engine

from arcdrift.intake.storing.import_file import import_file
from arcdrift.settings import Crew
from arcdrift.store.records.record_sources import record_sources
from tests.both_stores import both_stores
from tests.empty_store import empty_store

pytestmark = both_stores

CREW = Crew(name="Invented", time_zone="UTC")
NOW = datetime(2025, 3, 20, 12, tzinfo=UTC)
FILES = {
    "checks.csv": "splicer,checked_at,outcome,arc_setting\n"
    "Heron,2025-03-10 07:00,pass,10\nTern,2025-01-05 07:00,pass,10\n",
    "splices.csv": "splicer,spliced_at,loss_db\n"
    "Heron,2025-03-12 10:00,0.01\nHeron,2025-03-12 11:00,0.01\nHeron,2025-03-25 11:00,0.01\n",
    "air.csv": "read_at,site,splicer,temperature_c\n"
    "2025-03-19 10:00,Harbor,,11\n2025-03-18 10:00,Harbor,,11\n2025-03-17 10:00,,Tern,11\n",
}


@pytest.fixture
def engine(tmp_path: Path) -> Engine:
    engine = empty_store(tmp_path)
    for name, text in FILES.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
        sender = "Lena" if name == "air.csv" else None
        import_file(engine, CREW, tmp_path / name, imported_by=sender)
    return engine


def test_each_source_has_its_newest_record(engine: Engine) -> None:
    found = {(source.kind, source.name): source for source in record_sources(engine, NOW, 28)}
    assert {key: source.newest.isoformat() for key, source in found.items()} == {
        ("splicer", "Heron"): "2025-03-12T11:00:00+00:00",  # the later one lies in the future
        ("splicer", "Tern"): "2025-01-05T07:00:00+00:00",
        ("site logger", "Harbor"): "2025-03-19T10:00:00+00:00",
        ("readings of splicer", "Tern"): "2025-03-17T10:00:00+00:00",
    }
    assert {key: (source.file, source.sent_by) for key, source in found.items()} == {
        ("splicer", "Heron"): ("splices.csv", ""),
        ("splicer", "Tern"): ("checks.csv", ""),
        ("site logger", "Harbor"): ("air.csv", "Lena"),
        ("readings of splicer", "Tern"): ("air.csv", "Lena"),
    }


def test_days_with_checks_and_with_splices_are_days_with_records(engine: Engine) -> None:
    found = {source[:2]: source for source in record_sources(engine, NOW, 28)}
    epoch = datetime(1970, 1, 1, tzinfo=UTC)
    days = {
        (epoch + timedelta(days=day)).strftime("%m-%d") for day in found["splicer", "Heron"].days
    }
    assert days == {"03-10", "03-12"}
    assert found["splicer", "Tern"].days == frozenset()  # longer ago than was asked


def test_a_store_without_records_has_no_source(tmp_path: Path) -> None:
    assert record_sources(empty_store(tmp_path), NOW, 28) == []
