"""A page shows one analysis: while results are replaced, no page is made of old and new ones."""

from collections.abc import Callable
from pathlib import Path
from threading import Thread
from typing import Any

import pandas as pd
import pytest
from sqlalchemy import Engine

from arcdrift.store.database.connect import open_store
from arcdrift.store.results.result_replacement import replace_results
from dashboard.callbacks import screen
from dashboard.reading import stored_results
from dashboard.reading.data import CrewData
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
    def page() -> list[tuple[int, int]]:
        run = data.run()
        assert run is not None
        replace_results(engine, another_analysis(2))
        seen_by_others = Thread(target=lambda: others.append(seen(data)))
        seen_by_others.start()
        seen_by_others.join()
        return [(run.splices, run.splices), seen(data)]

    others: list[tuple[int, int]] = []
    assert data.in_one_state(page) == [(1, 1), (1, 1)]
    assert others == [(2, 2)]
    assert data.in_one_state(lambda: seen(data)) == (2, 2)


def test_what_is_made_within_a_page_is_of_its_state(data: CrewData, engine: Engine) -> None:
    def page() -> tuple[int, int]:
        version = data.version()
        replace_results(engine, another_analysis(2))
        assert data.version() == version
        return data.in_one_state(lambda: seen(data))

    assert data.in_one_state(page) == (1, 1)


def test_advice_within_a_page_is_of_its_state(data: CrewData, engine: Engine) -> None:
    """Also where others ask meanwhile, and what they are told is kept under their own state."""
    wait = data.compute_advice
    asked: list[int] = []

    def advice(splicers: Any) -> Any:
        run = data.run()
        assert run is not None
        asked.append(run.splices)
        return wait(splicers)

    data.compute_advice = advice  # type: ignore[method-assign]

    def page() -> None:
        data.run()
        replace_results(engine, another_analysis(2))
        other = Thread(target=data.crew_advice)
        other.start()
        other.join()
        data.crew_advice()

    data.in_one_state(page)
    assert asked == [2, 1]


def test_a_read_alone_is_of_the_version_that_it_is_kept_under(
    data: CrewData, engine: Engine
) -> None:
    data.version()
    replace_results(engine, another_analysis(2))
    assert int(data.result("result_crew_days")["splices"].iloc[0]) == 2
    run = data.run()
    assert run is not None
    assert run.splices == 2  # not the one before


def test_results_that_never_stand_still_keep_nobody_waiting(data: CrewData, engine: Engine) -> None:
    numbers = iter(range(2, 100))

    def page() -> Any:
        replace_results(engine, another_analysis(next(numbers)))
        return seen(data)

    assert [data.in_one_state(page) for _ in range(5)] == [(n, n) for n in range(1, 6)]


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
    assert "1 splices" in shown
    assert asked.count("analysis_run") == 1
    assert len(asked) > 4
    assert "2 splices" in text(screen(data, "/loss", "", "light"))


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
    monkeypatch.setattr(stored_results, "read_result", None)
    assert data.version() != version
    assert seen(data) == (1, 1)
