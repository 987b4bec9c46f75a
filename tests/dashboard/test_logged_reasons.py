"""Reasons of errors are counted once an analysis; later splices are added, undone ones leave."""

from pathlib import Path

import pandas as pd
import pytest

from arcdrift.store.imports.import_undo import undo_import
from dashboard.reading import data as reading
from dashboard.reading.data import CrewData
from tests.dashboard.invented import NOW, write_crew
from tests.stored_rows import store_rows


def test_new_reasons_are_added_to_those_that_were_counted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    data, looked = CrewData(write_crew(tmp_path)), list[int]()
    count = reading.logged_reasons

    def noted(*given: object, after: int = 0) -> dict[str, int]:
        looked.append(after)
        return count(*given, after=after)  # type: ignore[arg-type]

    monkeypatch.setattr(reading, "logged_reasons", noted)

    def store(*reasons: str) -> int:
        at = pd.Timestamp(NOW) + pd.Timedelta(minutes=len(looked))
        rows = pd.DataFrame(
            {
                "line": range(2, 2 + len(reasons)), "splicer": "Heron", "spliced_at": at,
                "outcome": "error", "purpose": "production", "error_reason": reasons,
            }
        )  # fmt: skip
        return store_rows(data.engine, "splices", rows)

    store("XQ 7", "XQ 7", "ZV 1")
    assert data.unknown_reasons() == {"XQ 7": 2, "ZV 1": 1}
    later = store("ZV 1", "ZV 1", "WW 3")
    assert data.unknown_reasons() == {"ZV 1": 3, "XQ 7": 2, "WW 3": 1}
    assert looked.count(0) == 1  # all splices were looked at once
    undo_import(data.engine, later)
    assert data.unknown_reasons() == {"XQ 7": 2, "ZV 1": 1}
