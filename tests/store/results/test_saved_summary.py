"""What is kept of past days, and how changes of their records are noticed."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from sqlalchemy import Engine, delete, update

from arcdrift.store import schema
from arcdrift.store.database.connect import writing
from arcdrift.store.results.saved_summary import (
    SavedSummary,
    earliest_change,
    read_saved_summary,
    record_marks,
    replace_saved_summary,
)
from tests.both_stores import both_stores, daily_on_postgresql
from tests.empty_store import empty_store
from tests.stored_rows import store_rows

pytestmark = [both_stores, daily_on_postgresql]

DAYS = pd.date_range("2026-05-01T10:00", periods=6, tz="UTC").as_unit("us")
EMPTY: dict[str, int] = dict.fromkeys(schema.RECORDS, 0)


def add_splices(engine: Engine, times: pd.DatetimeIndex) -> None:
    rows = pd.DataFrame(
        {
            "line": np.arange(len(times)),
            "splicer": "Heron",
            "spliced_at": times,
            "outcome": "ok",
            "purpose": "production",
        }
    )
    store_rows(engine, "splices", rows)


def keep(engine: Engine) -> dict[str, int]:
    """Keep a summary that contains all changes so far; what was newest then."""
    marks = record_marks(engine)
    with writing(engine) as connection:
        replace_saved_summary(connection, SavedSummary({}, {}), marks.changes)
    return marks.newest


@pytest.fixture
def engine(tmp_path: Path) -> Engine:
    engine = empty_store(tmp_path)
    add_splices(engine, DAYS)
    return engine


def test_new_records_are_known_by_their_ids(engine: Engine) -> None:
    assert earliest_change(engine, EMPTY) == DAYS[0]
    newest = keep(engine)
    assert earliest_change(engine, newest) is None
    add_splices(engine, DAYS[2:4] + pd.Timedelta(hours=1))
    assert earliest_change(engine, newest) == DAYS[2] + pd.Timedelta(hours=1)


def test_changed_and_deleted_records_are_known_by_their_days(engine: Engine) -> None:
    newest = keep(engine)
    splices = schema.splices.columns
    with writing(engine) as connection:
        connection.execute(delete(schema.splices).where(splices.line == 4))
    assert earliest_change(engine, newest) == DAYS[4].floor("D")
    with writing(engine) as connection:
        connection.execute(update(schema.splices).where(splices.line == 3).values(loss_db=0.1))
    assert earliest_change(engine, newest) == DAYS[3].floor("D")
    with writing(engine) as connection:  # moved to a later day: gone from the earlier one
        later = int(DAYS[5].value // 1000)
        connection.execute(update(schema.splices).where(splices.line == 1).values(spliced_at=later))
    assert earliest_change(engine, newest) == DAYS[1].floor("D")
    assert earliest_change(engine, keep(engine)) is None


def test_a_change_during_an_analysis_is_not_taken_for_seen(engine: Engine) -> None:
    splices = schema.splices.columns
    for kept_at in (2, 3):
        with writing(engine) as connection:
            change = update(schema.splices).where(splices.line == 1)
            connection.execute(change.values(loss_db=kept_at / 10))
        if kept_at == 2:
            marks = record_marks(engine)
    with writing(engine) as connection:
        replace_saved_summary(connection, SavedSummary({}, {}), marks.changes)
    assert earliest_change(engine, marks.newest) == DAYS[1].floor("D")


def test_frames_come_back_as_they_were(engine: Engine) -> None:
    frame = pd.DataFrame(
        {
            "day": DAYS.tz_localize(None).floor("D"),
            "at": DAYS,
            "loss": [0.1, np.nan, 1e-300, 0.3, -0.0, 7.0],
            "count": np.arange(6),
            "name": ["Heron", None, "Ünder", "", "a", "b"],
        }
    )
    saved = SavedSummary.of({"until": "May"}, {"April": {"days": frame, "none": frame.iloc[:0]}})
    with writing(engine) as connection:
        replace_saved_summary(connection, saved, {})
    found = read_saved_summary(engine)
    assert found is not None
    assert found.about == saved.about
    frames = found.frames("April")
    pd.testing.assert_frame_equal(frames["days"], frame)
    assert frames["none"].dtypes.to_dict() == frame.dtypes.to_dict()


def test_a_part_that_is_stored_already_stays(engine: Engine) -> None:
    def keep_part(name: str, value: int, stored: list[str]) -> None:
        frame = pd.DataFrame({"count": [value]})
        saved = SavedSummary.of({"newest": value}, {name: {"days": frame}}, stored)
        with writing(engine) as connection:
            replace_saved_summary(connection, saved, {})

    keep_part("April", 1, [])
    keep_part("May", 2, ["April"])
    keep_part("June", 3, ["April"])
    found = read_saved_summary(engine)
    assert found is not None
    assert found.about == {"newest": 3}
    assert {part: found.frames(part)["days"]["count"].item() for part in found.contents} == {
        "April": 1,
        "June": 3,
    }
    assert found.frames("May") == {}
