"""Whether results are of the records as they are: judged by versions, whatever a clock says."""

import tempfile
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pandas as pd
import pytest

from arcdrift.clock_bounds import ClockBounds
from arcdrift.intake.storing.conflict_decisions import decide_conflicts
from arcdrift.intake.storing.import_file import import_file
from arcdrift.settings import Crew
from arcdrift.store.annotations.baseline_marks import add_mark, withdraw_mark
from arcdrift.store.annotations.clock_shifts import set_shift, undo_shift
from arcdrift.store.imports.import_undo import undo_import
from arcdrift.store.records.future_records import future_sentence, records_in_future
from arcdrift.store.results.result_replacement import replace_results
from arcdrift.store.results.store_versions import RecordsVersion, is_outdated, records_version
from tests.both_stores import both_stores
from tests.empty_store import empty_store

pytestmark = both_stores

CREW = Crew(name="Invented", time_zone="UTC")
FIRST = "splicer,spliced_at,loss_db\nHeron,2026-05-04 08:00:00,0.02\n"
WITH_PROGRAM = "splicer,spliced_at,loss_db,program\nHeron,2026-05-04 08:00:00,0.02,plain\n"
CONFLICTING = "splicer,spliced_at,loss_db\nHeron,2026-05-04 08:00:00,0.09\n"
AHEAD = pd.Timestamp("2031-01-01", tz="UTC")


@pytest.fixture
def engine(tmp_path: Path):
    engine = empty_store(tmp_path)
    load(engine, FIRST)
    yield engine
    engine.dispose()


def load(engine, text: str, now: datetime | None = None) -> int:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.csv"
        path.write_text(text, encoding="utf-8")
        return import_file(engine, CREW, path, now=now).import_id


def analyze(engine) -> None:
    """Store a run as made by a clock that is years ahead."""
    values = {
        "id": 1, "assessed_on": AHEAD, "now": AHEAD, "version": "1",
        "records_version": str(records_version(engine)), "seconds": 1.0, "splices": 1,
        "checks": 0, "summary": "{}",
    }  # fmt: skip
    replace_results(engine, {"analysis_run": pd.DataFrame([values])})


def outdates(engine, change) -> bool:
    """Whether a change outdates an analysis, which then is made anew."""
    assert not is_outdated(engine, CREW)
    change()
    outdated = is_outdated(engine, CREW)
    analyze(engine)
    return outdated


def test_a_store_without_results_is_not_outdated(engine):
    assert not is_outdated(engine, CREW)


def test_other_words_for_errors_outdate_results(engine):
    analyze(engine)
    assert is_outdated(engine, CREW.model_copy(update={"error_reasons": {"QX 7": "arc"}}))


def test_every_change_of_records_outdates_results_even_those_of_a_clock_ahead(engine):
    analyze(engine)
    assert outdates(engine, lambda: load(engine, FIRST.replace("08:00", "09:00")))
    assert outdates(engine, lambda: undo_import(engine, 2))
    # the same splice with one value more
    assert outdates(engine, lambda: load(engine, WITH_PROGRAM))
    assert outdates(engine, lambda: add_mark(
        engine, "freeze", date(2026, 5, 4), None, note="why", said_by="Alder"))  # fmt: skip
    assert outdates(engine, lambda: withdraw_mark(engine, 1))
    bounds = ClockBounds(
        "Heron", datetime(2026, 5, 1, tzinfo=UTC), datetime(2026, 6, 1, tzinfo=UTC)
    )
    assert outdates(engine, lambda: set_shift(
        engine, bounds, timedelta(hours=1), said_by="Alder", why="set by hand"))  # fmt: skip
    assert outdates(engine, lambda: undo_shift(engine, "Heron", 1))
    load(engine, CONFLICTING)
    analyze(engine)
    assert outdates(engine, lambda: decide_conflicts(engine, "new", None, by="Alder"))


def test_what_changes_no_record_outdates_nothing(engine):
    analyze(engine)
    assert not outdates(engine, lambda: load(engine, CONFLICTING))
    assert not outdates(engine, lambda: load(engine, "splicer,spliced_at,loss_db\nHeron,x,1\n"))


def test_the_same_log_again_outdates_nothing(engine):
    analyze(engine)
    assert not outdates(engine, lambda: load(engine, FIRST))


def test_a_version_survives_as_a_text():
    version = RecordsVersion(3, 1, 4, 1, 5, 9, 2)
    assert RecordsVersion.parse(str(version)) == version


def test_splicers_with_records_in_the_future_are_named_newest_first(engine):
    now = pd.Timestamp("2026-06-01", tz="UTC")
    assert records_in_future(engine, now) == {}
    assert future_sentence(records_in_future(engine, now), "UTC") == ""
    rows = "Heron,2026-06-01 00:29:00,0.02\nPlover,2026-06-01 00:40:00,0.02\n"
    load(engine, "splicer,spliced_at,loss_db\n" + rows, now.to_pydatetime())
    ahead = records_in_future(engine, now)
    assert list(ahead) == ["Plover"]
    assert "1 Jun 2026, 02:40 (splicer Plover)" in future_sentence(ahead, "Europe/Oslo")
    assert len(records_in_future(engine, pd.Timestamp("2026-01-01", tz="UTC"))) == 2
    bounds = ClockBounds(
        "Plover", datetime(2026, 5, 1, tzinfo=UTC), datetime(2026, 7, 1, tzinfo=UTC)
    )
    set_shift(engine, bounds, timedelta(hours=-1), said_by="Alder", why="set by hand")
    assert records_in_future(engine, now) == {}
