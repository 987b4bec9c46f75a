"""The list of splices to revisit: ticked off by people, and by later splices at the place."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from sqlalchemy import Connection, Engine, func, select

from arcdrift.errors import UsageError
from arcdrift.store import schema
from arcdrift.store.cases import revisit_rows
from arcdrift.store.cases.revisit_rows import read_revisit, tick_off, undo_tick
from arcdrift.store.results.result_replacement import replace_results
from tests.both_stores import both_stores
from tests.empty_store import empty_store

pytestmark = both_stores
FIRST = pd.Timestamp("2026-03-02 08:00", tz="UTC").as_unit("us")


def rows(ids: tuple[int, ...] = (1, 2, 3)) -> pd.DataFrame:
    at = [FIRST + pd.Timedelta(hours=number) for number in range(3)]
    return pd.DataFrame(
        {
            "splice_id": ids, "splicer": "Dunlin", "program": "plain", "site": "Harbor",
            "location": ["K1/1", "K1/2", None], "day": "2026-03-02", "spliced_at": at,
            "loss_db": [0.45, 0.6, 0.45], "limit_db": 0.3, "told": [True, True, False],
            "made_again": [False, True, False],
            "made_again_at": [pd.NaT, FIRST + pd.Timedelta(hours=9), pd.NaT],
        }
    )  # fmt: skip


@pytest.fixture
def engine(tmp_path: Path) -> Engine:
    engine = empty_store(tmp_path)
    replace_results(engine, {"result_splices_to_revisit": rows()})
    return engine


def test_the_newest_comes_first_and_a_later_splice_ticks_off(engine: Engine) -> None:
    found = read_revisit(engine)
    assert [row["splice_id"] for row in found] == [3, 2, 1]
    assert [row["state"] for row in found] == ["open", "made-again", "open"]
    assert found[1]["made_again_at"] == FIRST + pd.Timedelta(hours=9)
    assert [row["can_tell"] for row in found] == [False, True, True]


def test_a_person_ticks_one_off_with_name_and_note(engine: Engine) -> None:
    row = tick_off(engine, 1, "Ash", "made again, 0.05 dB")
    assert (row["state"], row["ticked_off_by"], row["note"]) == (
        "ticked-off", "Ash", "made again, 0.05 dB",
    )  # fmt: skip
    with pytest.raises(UsageError, match="Ash ticked splice 1 off on"):
        tick_off(engine, 1, "Birch")
    assert undo_tick(engine, 1)["state"] == "open"
    with pytest.raises(UsageError, match="Nobody has ticked splice 1 off"):
        undo_tick(engine, 1)


def test_what_cannot_be_ticked_off_says_why(engine: Engine) -> None:
    with pytest.raises(
        UsageError, match=r"Splice 9 is not on the list .* `arcdrift cases revisit`"
    ):
        tick_off(engine, 9, "Ash")
    with pytest.raises(UsageError, match="give --by NAME"):
        tick_off(engine, 1, " ")


def test_a_tick_outlives_an_undo_and_a_new_import(engine: Engine) -> None:
    """The splice then has another number; what the log says of it is as before."""
    tick_off(engine, 1, "Ash")
    replace_results(engine, {})
    assert read_revisit(engine) == []
    replace_results(engine, {"result_splices_to_revisit": rows((11, 12, 13))})
    states = {row["splice_id"]: row["state"] for row in read_revisit(engine)}
    assert states == {11: "ticked-off", 12: "made-again", 13: "open"}
    undo_tick(engine, 11)
    assert read_revisit(engine)[-1]["state"] == "open"


def count_ticks(engine: Engine) -> int:
    with engine.connect() as connection:
        query = select(func.count()).select_from(schema.revisited_splices)
        return int(connection.execute(query).scalar_one())


@pytest.fixture
def just_before(monkeypatch: pytest.MonkeyPatch) -> Callable[[Callable[[], Any]], None]:
    """Lets somebody else be quicker: after all that is read, just before it is written."""

    def arrange(faster: Callable[[], Any]) -> None:
        @contextmanager
        def slow_writing(engine: Engine) -> Iterator[Connection]:
            monkeypatch.undo()
            faster()
            with revisit_rows.writing(engine) as connection:
                yield connection

        monkeypatch.setattr(revisit_rows, "writing", slow_writing)

    return arrange


def test_of_two_ticks_at_once_the_second_is_told(
    engine: Engine, just_before: Callable[[Callable[[], Any]], None]
) -> None:
    just_before(lambda: tick_off(engine, 1, "Ash"))
    with pytest.raises(UsageError, match="Ash ticked splice 1 off on"):
        tick_off(engine, 1, "Birch")
    assert count_ticks(engine) == 1
    just_before(lambda: undo_tick(engine, 1))
    with pytest.raises(UsageError, match="Nobody has ticked splice 1 off"):
        undo_tick(engine, 1)


def test_a_tick_may_be_kept_for_the_one_who_set_it(
    engine: Engine, just_before: Callable[[Callable[[], Any]], None]
) -> None:
    tick_off(engine, 1, "Ash")
    with pytest.raises(
        UsageError, match="Ash ticked it off, and only they, a trainer or a lead may"
    ):
        undo_tick(engine, 1, only_by="Birch")
    assert undo_tick(engine, 1, only_by="Ash")["state"] == "open"
    tick_off(engine, 3, "Birch")

    def somebody_else_ticks() -> None:
        undo_tick(engine, 3)
        tick_off(engine, 3, "Ash")

    just_before(somebody_else_ticks)
    with pytest.raises(UsageError, match="Ash ticked it off"):
        undo_tick(engine, 3, only_by="Birch")
