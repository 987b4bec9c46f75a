"""Records come back as they were stored, on every path the same."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
from pandas.testing import assert_frame_equal
from sqlalchemy import create_engine, select

from arcdrift.errors import StoreTrouble
from arcdrift.instants import microseconds
from arcdrift.store import schema
from arcdrift.store.database import insert_rows
from arcdrift.store.database.connect import place, reading, writing
from arcdrift.store.database.fetch import fetch, fetch_within
from arcdrift.store.imports.import_list import add_import
from arcdrift.store.records.record_overview import newest_reading
from arcdrift.store.records.record_rows import read_records
from tests.both_stores import both_stores, daily_on_postgresql, sqlite_only
from tests.store.stored_examples import START, splices
from tests.stored_rows import import_values

pytestmark = both_stores


@daily_on_postgresql
def test_records_come_back_as_they_were(filled):
    frame = read_records(filled, "splices")
    given = splices(3000)
    assert frame["spliced_at"].dtype == "datetime64[us, UTC]"
    assert frame["remark"].dtype == "str"
    assert frame["loss_db"].dtype == "float64"
    assert list(frame["id"]) == list(range(1, 3001))
    for name in given.columns:
        expected = given[name].astype(frame[name].dtype)
        assert frame[name].equals(expected), name
    assert frame["technician"].isna().all()


@daily_on_postgresql
@pytest.mark.parametrize("kind", list(schema.RECORDS))
def test_arrow_and_the_ordinary_way_agree(filled, kind):
    through_arrow = read_records(filled, kind)
    with reading(filled) as connection:
        row_by_row = fetch_within(connection, select(schema.RECORDS[kind]), order=["id"])
    assert_frame_equal(through_arrow, row_by_row)


@sqlite_only
def test_a_shared_database_gives_the_same_frame(filled):
    # the ordinary way on an engine that knows nothing of crew folders
    other = create_engine(f"sqlite:///{place(filled)}")
    query = select(schema.splices)
    with reading(other) as connection:
        frame = fetch_within(connection, query, order=["id"])
    other.dispose()
    assert_frame_equal(frame, fetch(filled, query, order=["id"]))


def test_records_are_chosen_by_splicer_and_time(filled):
    since = (START + timedelta(minutes=10)).to_pydatetime()
    until = (START + timedelta(minutes=20)).to_pydatetime()
    frame = read_records(
        filled,
        "splices",
        splicers=["Heron"],
        since=since,
        until=until,
        columns=["loss_db", "spliced_at"],
    )
    assert list(frame.columns) == ["loss_db", "spliced_at"]
    minutes = (frame["spliced_at"] - START).dt.total_seconds() / 60
    assert list(minutes) == [10, 12, 14, 16, 18]
    assert read_records(filled, "splices", splicers=[]).empty


def test_readings_are_chosen_by_site_splicer_or_station(engine):
    at = [START + timedelta(minutes=m) for m in range(4)]
    frame = pd.DataFrame(
        {
            "line": [2, 3, 4, 5],
            "read_at": pd.Series(at).astype("datetime64[us, UTC]"),
            "site": ["Harbor", None, "Pass", None],
            "splicer": [None, "Heron", None, None],
            "station": [None, None, None, "ENXX"],
            "temperature_c": [1.0, 2.0, 3.0, 4.0],
        }
    )
    with writing(engine) as connection:
        import_id = add_import(connection, import_values(kind="readings"))
        insert_rows.add_rows(connection, schema.readings, frame.assign(import_id=import_id))
    chosen = read_records(engine, "readings", sites=["Harbor"], splicers=["Heron"])
    assert list(chosen["temperature_c"]) == [1.0, 2.0]
    assert list(read_records(engine, "readings", sites=["Pass"])["temperature_c"]) == [3.0]
    chosen = read_records(engine, "readings", sites=["Pass"], stations=["ENXX"])
    assert list(chosen["temperature_c"]) == [3.0, 4.0]
    until = START + timedelta(hours=1)
    assert newest_reading(engine, "Heron", "Harbor", None, until) == at[1]
    assert newest_reading(engine, "Heron", None, None, until) == at[1]
    assert newest_reading(engine, "Heron", "Harbor", "ENXX", until) == at[3]


def test_a_naive_instant_is_refused(filled):
    with pytest.raises(ValueError, match="without a time zone"):
        read_records(filled, "splices", since=datetime(2025, 3, 1))


@sqlite_only
def test_a_store_damaged_while_open_is_said_so(filled, tmp_path):
    path = tmp_path / "arcdrift.db"
    content = bytearray(path.read_bytes())
    content[8192:] = b"\xff" * (len(content) - 8192)
    path.write_bytes(bytes(content))
    with pytest.raises(StoreTrouble, match=f"The store {path} "):
        read_records(filled, "splices")
    with pytest.raises(StoreTrouble, match=f"The store {path} "), reading(filled):
        read_records(filled, "splices")


def test_bulk_numbers_survive(filled):
    frame = read_records(filled, "splices", columns=["loss_db"])
    assert np.isnan(frame["loss_db"]).sum() == 429  # every seventh of 3,000


def test_instants_are_kept_to_the_microsecond():
    assert microseconds(datetime(1970, 1, 1, 0, 0, 1, 7, UTC)) == 1_000_007
    assert microseconds(datetime(1969, 12, 31, 23, 59, 59, 999_999, UTC)) == -1
