"""After an analysis every page is made once, before somebody asks for it."""

from pathlib import Path
from threading import Event

import pytest

from arcdrift.store.results.result_replacement import replace_results
from dashboard.pages import PAGES
from dashboard.reading.data import CrewData
from dashboard.serving import warm_pages
from dashboard.serving.warm_pages import WarmPages
from tests.dashboard.invented import results, write_crew


def test_pages_are_made_once_for_each_analysis(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    data, made = CrewData(write_crew(tmp_path)), list[str]()
    monkeypatch.setattr(warm_pages, "PAUSE_SECONDS", 0.0)
    monkeypatch.setattr(warm_pages, "screen", lambda _data, path, *_: made.append(path))
    pages = WarmPages(lambda: data)
    pages.look()
    pages.look()
    assert made == list(PAGES)
    later = results()
    run = later["analysis_run"].assign(seconds=0.7)
    replace_results(data.engine, later | {"analysis_run": run})
    pages.look()
    assert made == 2 * list(PAGES)
    pages.stop()
    replace_results(data.engine, later)
    pages.look()
    assert made == 2 * list(PAGES)  # a server that was told to stop makes room


def test_a_page_that_fails_leaves_the_others_to_whoever_asks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    data, failed = CrewData(write_crew(tmp_path)), Event()

    def fails(*_: object) -> None:
        failed.set()
        raise ZeroDivisionError

    monkeypatch.setattr(warm_pages, "screen", fails)
    pages = WarmPages(lambda: data)
    pages.start()
    assert failed.wait(10)
    pages._end()
    assert not pages._worker.is_alive()


def test_what_was_made_is_there_when_somebody_asks(data: CrewData) -> None:
    WarmPages(lambda: data).look()
    kept = vars(data)["_cache_of_keep_with_events"].cache_info()
    assert kept.currsize > 0
