"""An import that is compared with the store while another one is stored."""

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from arcdrift.intake.storing import log_import as module
from arcdrift.intake.storing.import_file import import_file
from arcdrift.settings import Crew
from arcdrift.store.imports.set_aside_rows import read_conflicting
from arcdrift.store.records.record_rows import read_records
from tests.both_stores import both_stores
from tests.empty_store import empty_store

pytestmark = both_stores

CREW = Crew(name="Invented", time_zone="UTC")
HEADER = "splicer,spliced_at,loss_db\n"
ROW = "Heron,2025-03-01 10:00:07,{}\nHeron,2025-03-01 10:05:11,0.02\n"


@pytest.mark.parametrize("reads", range(1, 13))
def test_another_import_is_stored_between_two_reads(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, reads: int
) -> None:
    engine = empty_store(tmp_path)
    for name, loss in (("a", "0.01"), ("b", "0.03"), ("c", "0.04")):
        (tmp_path / f"{name}.csv").write_text(HEADER + ROW.format(loss), encoding="utf-8")
    import_file(engine, CREW, tmp_path / "a.csv")
    real, calls = module.fetch, []

    def fetch(*arguments: Any, **options: Any) -> Any:
        calls.append(arguments)
        if len(calls) == reads:
            monkeypatch.setattr(module, "fetch", real)  # for the other one
            with ThreadPoolExecutor(1) as other:
                other.submit(import_file, engine, CREW, tmp_path / "b.csv").result()
            monkeypatch.setattr(module, "fetch", fetch)
        return real(*arguments, **options)

    monkeypatch.setattr(module, "fetch", fetch)
    report = import_file(engine, CREW, tmp_path / "c.csv")
    assert report.balance.rows == 2
    assert (report.balance.conflicting, report.balance.already_stored) == (1, 1)
    assert len(read_records(engine, "splices")) == 2
    both = 1 + (len(calls) >= reads)
    assert len(read_conflicting(engine)) == both
