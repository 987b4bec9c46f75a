"""A page shows one analysis: while results are replaced, no page is made of old and new ones."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from sqlalchemy import Engine

from arcdrift.errors import StoreTrouble
from arcdrift.store.database.connect import open_store
from arcdrift.store.results.result_replacement import replace_results
from dashboard.callbacks import screen
from dashboard.reading import stored_results
from dashboard.reading.data import CrewData
from dashboard.reading.one_state import TRIES
from tests.dashboard.invented import results, write_crew
from tests.dashboard.rendering import text


def another_analysis(number: int) -> dict[str, pd.DataFrame]:
    """Results in which every figure that the test looks at says its number."""
    run = results()["analysis_run"].assign(
        splices=number, assessed_on=pd.Timestamp("2025-06-13 12:00", tz="UTC") + number * _MINUTE
    )
    days = results()["result_crew_days"].assign(splices=number)
    return results() | {"analysis_run": run, "result_crew_days": days}


_MINUTE = pd.Timedelta(minutes=1)


@pytest.fixture
def engine(tmp_path: Path) -> Engine:
    return open_store(write_crew(tmp_path))


@pytest.fixture
def data(tmp_path: Path, engine: Engine) -> CrewData:
    replace_results(engine, another_analysis(1))
    return CrewData(tmp_path)


def seen(data: CrewData) -> tuple[int, int]:
    """What a page reads first, and what it reads then."""
    run = data.run()
    assert run is not None
    return run.splices, int(data.result("result_crew_days")["splices"].iloc[0])


def test_results_are_replaced_between_two_reads_of_a_page(data: CrewData, engine: Engine) -> None:
    begun: list[int] = []

    def page() -> tuple[int, int]:
        run = data.run()
        assert run is not None
        if not begun:
            replace_results(engine, another_analysis(2))
        begun.append(run.splices)
        return seen(data)

    assert data.in_one_state(page) == (2, 2)
    assert begun == [1, 2]
    # nothing of the page that was given up is kept
    assert seen(data) == (2, 2)


def test_results_that_are_at_hand_are_shown_to_the_end(data: CrewData, engine: Engine) -> None:
    """However long a page takes, it asks for no newer version in between."""
    seen(data)

    def page() -> tuple[int, int]:
        replace_results(engine, another_analysis(2))
        data._forget_version()  # as after half a second
        return seen(data)

    assert data.in_one_state(page) == (1, 1)
    assert data.in_one_state(lambda: seen(data)) == (2, 2)


def test_a_read_alone_is_of_the_version_that_it_is_kept_under(
    data: CrewData, engine: Engine
) -> None:
    data.version()
    replace_results(engine, another_analysis(2))
    assert int(data.result("result_crew_days")["splices"].iloc[0]) == 2
    run = data.run()
    assert run is not None
    assert run.splices == 2  # not the one before


def test_results_that_never_stand_still_are_told(data: CrewData, engine: Engine) -> None:
    numbers = iter(range(2, 100))

    def page() -> Any:
        replace_results(engine, another_analysis(next(numbers)))
        return seen(data)

    with pytest.raises(StoreTrouble, match="Analyses follow each other too fast"):
        data.in_one_state(page)
    assert next(numbers) == 2 + TRIES


def test_the_screen_is_made_of_one_state(
    data: CrewData, engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    real: Callable[..., Any] = stored_results.read_result
    asked: list[str] = []

    def slow_read(store: Engine, table: str, **equals: str) -> pd.DataFrame:
        asked.append(table)
        if len(asked) == 3:
            replace_results(engine, another_analysis(2))
        return real(store, table, **equals)

    monkeypatch.setattr(stored_results, "read_result", slow_read)
    shown = text(screen(data, "/loss", "", "light"))
    assert "2 splices" in shown
    assert asked.count("analysis_run") == 2
    assert len(asked) > 4


def test_an_import_leaves_results_at_hand(
    data: CrewData, engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Only an analysis changes them; each file of many would else have all of them read again."""
    from arcdrift.store.database.connect import writing
    from arcdrift.store.imports.import_list import add_import
    from tests.stored_rows import import_values

    seen(data)
    version = data.version()
    with writing(engine) as connection:
        add_import(connection, import_values(file_name="more.csv"))
    data._forget_version()
    monkeypatch.setattr(stored_results, "read_result", None)
    assert data.version() != version
    assert seen(data) == (1, 1)


def test_a_version_that_was_asked_for_before_a_change_is_not_kept(
    data: CrewData, engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The slower of two who ask must not bring back what stood before."""
    all_results = data._all_results
    real = stored_results.read_state

    def slow(store: Engine) -> Any:
        monkeypatch.undo()
        old = real(store)
        replace_results(engine, another_analysis(2))
        all_results.forget_version()
        all_results.version()
        return old

    all_results.forget_version()
    monkeypatch.setattr(stored_results, "read_state", slow)
    all_results.version()
    assert all_results.version() == real(engine).version
