"""Result tables written by difference hold what was given last."""

from pathlib import Path

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, select

from arcdrift.store import schema
from arcdrift.store.database.connect import reading, writing
from arcdrift.store.results.result_parts import replace_table, stored_parts
from arcdrift.store.results.result_rows import read_result
from tests.both_stores import both_stores, daily_on_postgresql
from tests.empty_store import empty_store

pytestmark = [both_stores, daily_on_postgresql]

CREW_DAYS = schema.RESULTS["result_crew_days"]


def days(*counts: tuple[str, int]) -> pd.DataFrame:
    frame = pd.DataFrame(counts, columns=["day", "splices"])
    return frame.assign(over_010=0, errors=0, places=0, again=0, mean_db=0.04)


def replaced(engine: Engine, frame: pd.DataFrame | None) -> int:
    with writing(engine) as connection:
        known = stored_parts(connection).get(CREW_DAYS.name, {})
        return replace_table(connection, CREW_DAYS, frame, known)


@pytest.fixture
def engine(tmp_path: Path) -> Engine:
    return empty_store(tmp_path)


def test_only_months_that_differ_are_written(engine: Engine) -> None:
    first = days(("2026-04-30", 3), ("2026-05-01", 4), ("2026-05-02", 5))
    assert replaced(engine, first) == 3
    assert replaced(engine, first) == 0
    second = days(("2026-04-30", 3), ("2026-05-01", 4), ("2026-05-02", 6), ("2026-06-01", 1))
    assert replaced(engine, second) == 3
    third = days(("2026-05-01", 4), ("2026-05-02", 6))
    assert replaced(engine, third) == 0
    stored = read_result(engine, "result_crew_days")
    assert stored[["day", "splices"]].to_numpy().tolist() == [["2026-05-01", 4], ["2026-05-02", 6]]
    assert replaced(engine, None) == 0
    assert read_result(engine, "result_crew_days").empty
    with reading(engine) as connection:
        assert connection.execute(select(schema.result_parts)).all() == []


def test_rows_that_nobody_noted_are_replaced(engine: Engine) -> None:
    with writing(engine) as connection:
        replace_table(connection, CREW_DAYS, days(("2026-05-01", 4)), {})
        connection.execute(schema.result_parts.delete())
    assert replaced(engine, days(("2026-06-01", 2))) == 1
    assert read_result(engine, "result_crew_days")["day"].tolist() == ["2026-06-01"]


MONTHS = st.dictionaries(
    st.dates(pd.Timestamp("2026-01-25").date(), pd.Timestamp("2026-03-05").date()),
    st.integers(0, 2),
    max_size=8,
)


@given(versions=st.lists(MONTHS, min_size=1, max_size=5))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_table_holds_what_was_given_last(
    engine: Engine, versions: list[dict[object, int]]
) -> None:
    for version in versions:
        frame = days(*((str(day), count) for day, count in version.items()))
        replaced(engine, frame)
        stored = read_result(engine, "result_crew_days")
        expected = frame.sort_values("day", ignore_index=True)
        assert stored[["day", "splices"]].to_numpy().tolist() == (
            expected[["day", "splices"]].to_numpy().tolist()
        )
