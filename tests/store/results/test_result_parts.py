"""Result tables written by difference hold what was given last."""

from pathlib import Path

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, select

from arcdrift.store import schema
from arcdrift.store.database.connect import reading, writing
from arcdrift.store.database.insert_rows import inserting_together
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
        with inserting_together(connection) as insert:
            return replace_table(connection, CREW_DAYS, frame, known, insert)


@pytest.fixture
def engine(tmp_path: Path) -> Engine:
    return empty_store(tmp_path)


def test_only_days_that_differ_are_written(engine: Engine) -> None:
    first = days(("2026-04-30", 3), ("2026-05-01", 4), ("2026-05-02", 5))
    assert replaced(engine, first) == 3
    assert replaced(engine, first) == 0
    second = days(("2026-04-30", 3), ("2026-05-01", 4), ("2026-05-02", 6), ("2026-06-01", 1))
    assert replaced(engine, second) == 2
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
        with inserting_together(connection) as insert:
            replace_table(connection, CREW_DAYS, days(("2026-05-01", 4)), {}, insert)
        connection.execute(schema.result_parts.delete())
    assert replaced(engine, days(("2026-06-01", 2))) == 1
    assert read_result(engine, "result_crew_days")["day"].tolist() == ["2026-06-01"]


def test_each_value_of_a_row_counts_and_their_order_does_not(engine: Engine) -> None:
    first = days(("2026-05-01", 4), ("2026-05-02", 5)).assign(median_db=[0.03, None])
    assert replaced(engine, first) == 2
    assert replaced(engine, first[::-1]) == 0
    for name, value in [("median_db", 0.03), ("mean_db", 0.0400000001), ("errors", 1)]:
        changed = first.copy()
        changed.loc[1, name] = value
        assert replaced(engine, changed) == 1
        assert replaced(engine, first) == 1
    exchanged = first.assign(splices=first["over_010"], over_010=first["splices"])
    assert replaced(engine, exchanged) == 2
    assert read_result(engine, "result_crew_days")["over_010"].tolist() == [4, 5]


def test_tables_with_many_and_with_few_rows_are_replaced_together(engine: Engine) -> None:
    at = pd.date_range("2024-01-01", periods=700).strftime("%Y-%m-%d")
    many = days(*((day, number) for number, day in enumerate(at)))
    shares = schema.RESULTS["result_air_coverage"]
    few = pd.DataFrame({"kind": ["splices"], "splicer": ["Tern"], "rows": [3], "with_air": [1]})
    for _ in range(2):
        with writing(engine) as connection:
            known = stored_parts(connection)
            with inserting_together(connection) as insert:
                for table, frame in ((CREW_DAYS, many), (shares, few), (shares, few)):
                    replace_table(connection, table, frame, known.get(table.name, {}), insert)
                    known = stored_parts(connection)
        assert read_result(engine, "result_crew_days")["splices"].tolist() == list(range(700))
        assert len(read_result(engine, "result_air_coverage")) == 1


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
