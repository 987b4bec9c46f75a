"""What is kept of a page reads nothing that changes while it is kept."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from arcdrift.people import Viewer
from dashboard.components import View
from dashboard.kept_parts import kept_with_events, kept_with_results
from dashboard.reading.data import CrewData
from tests.browser.page_addresses import page_addresses
from tests.dashboard.invented import write_crew
from tests.dashboard.rendering import whole
from tests.stored_rows import store_rows

NOT_IN_STORE = (
    "present", "today", "workday", "settings", "advice", "crew_advice", "without_advice",
    "records_in_future", "newest_record", "coaching_notes", "all_coaching_notes",
)  # fmt: skip
"""What changes without anything that a page may show being stored."""
NOT_IN_EVENTS = (
    *NOT_IN_STORE, "outdated", "version", "splice_page", "count_splices", "losses_made_again",
)  # fmt: skip
"""What an import of checks, splices or readings changes without an analysis."""
NOT_IN_RESULTS = (
    *NOT_IN_EVENTS, "findings", "cases", "cases_found_at", "service", "service_records",
    "all_service", "written_entries", "splices_to_revisit", "baseline_marks",
)  # fmt: skip
"""What an import, or what somebody says, changes without an analysis."""


@contextmanager
def watched(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[str]]:
    """Note what a part reads, while it is made, that it must not."""
    wrong: list[str] = []
    forbidden: list[tuple[str, ...]] = [()]

    def watch(name: str) -> None:
        real: Any = getattr(CrewData, name)

        def read(self: CrewData, *args: Any, **more: Any) -> Any:
            if name in forbidden[-1]:
                wrong.append(name)
            forbidden.append(())  # what it reads itself is its own concern
            try:
                return real(self, *args, **more)
            finally:
                forbidden.pop()

        monkeypatch.setattr(CrewData, name, read)

    def keep(name: str, names: tuple[str, ...]) -> None:
        real: Any = getattr(CrewData, name)

        def kept(self: CrewData, make: Any, *given: Any) -> Any:
            def made(data: CrewData, *more: Any) -> Any:
                forbidden.append(tuple({*names, *forbidden[-1]}))
                try:
                    return make(data, *more)
                finally:
                    forbidden.pop()

            return real(self, made, *given)

        monkeypatch.setattr(CrewData, name, kept)

    for each in NOT_IN_RESULTS:
        watch(each)
    keep("keep_with_results", NOT_IN_RESULTS)
    keep("keep_with_events", NOT_IN_EVENTS)
    keep("keep_with_store", NOT_IN_STORE)
    yield wrong


def test_no_kept_part_reads_what_changes_while_it_is_kept(
    crew_folder: Path, monkeypatch: pytest.MonkeyPatch
):
    data = CrewData(crew_folder)
    with watched(monkeypatch) as wrong:
        for address in page_addresses(data):
            path, _, query = address.partition("?")
            whole(data, path, query)
    assert wrong == []


def test_it_would_be_seen_if_one_did(crew_folder: Path, monkeypatch: pytest.MonkeyPatch):
    data = CrewData(crew_folder)
    view = View(data, data.run(), {}, "light")
    with watched(monkeypatch) as wrong:
        kept_with_results(lambda view: view.data.findings())(view)
        kept_with_events(lambda view: view.data.findings())(view)
        kept_with_events(lambda view: view.data.today())(view)
        kept_with_events(lambda view: view.data.outdated())(view)
    assert wrong == ["findings", "today", "outdated"]


def test_an_import_makes_only_those_again_that_rest_on_its_records(tmp_path: Path):
    data = CrewData(write_crew(tmp_path))
    made: list[str] = []
    parts = [
        kept_with_results(lambda _view, *more: made.append(f"results{more}")),
        kept_with_events(lambda _view, *more: made.append(f"events{more}")),
    ]

    def ask(asked: CrewData, query: dict[str, str], *more: Any) -> list[str]:
        made.clear()
        run = asked.run()
        assert run is not None
        for part in parts:
            part(View(asked, run, query, "light"), *more)
        return list(made)

    assert ask(data, {}) == ["results()", "events()"]
    assert ask(data, {}) == []
    assert ask(data, {"period": "30"}) == ["results()", "events()"]
    assert ask(data, {}, "2025-06-13") == ["results('2025-06-13',)", "events('2025-06-13',)"]
    technician = data.seen_by(Viewer("technician", "Birch"))
    assert ask(technician, {}) == ["results()", "events()"]
    splice = {"splicer": "Heron", "spliced_at": data.present(), "outcome": "done",
              "purpose": "production", "line": 2}  # fmt: skip
    store_rows(data.engine, "splices", pd.DataFrame([splice]))
    assert ask(data, {}) == []
    service = {
        "asset": "Heron",
        "serviced_at": data.present(),
        "action": "electrode cleaning",
        "line": 2,
    }
    store_rows(data.engine, "service", pd.DataFrame([service]))
    assert ask(data, {}) == ["events()"]
    assert ask(data, {"period": "30"}) == ["events()"]
