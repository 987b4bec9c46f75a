"""A review that keeps the summary of past days gives what a review of every record gives."""

from collections.abc import Callable, Iterable
from copy import copy
from dataclasses import replace
from datetime import date, timedelta
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, delete, update

from arcdrift.analysis.review import settled_days as module
from arcdrift.analysis.review.review_inputs import ReviewInputs, read_inputs, read_splices
from arcdrift.analysis.review.settled_days import (
    SettledDays,
    first_latest_day,
    kept_splice_counts,
    settled_days,
    summarize_crew,
)
from arcdrift.analysis.review.summary import Summary
from arcdrift.clock_bounds import ClockBounds
from arcdrift.simulate import SimulatedCrew, invented_crew, simulate_frames
from arcdrift.store import schema
from arcdrift.store.annotations.clock_shifts import set_shift, undo_shift
from arcdrift.store.database.connect import open_store, writing
from arcdrift.store.imports.import_undo import undo_import
from arcdrift.store.records.record_overview import SpliceCounts
from arcdrift.store.results.result_replacement import replace_results
from arcdrift.store.results.saved_summary import record_marks
from tests.analysis.review.test_parallel import assert_equal
from tests.both_stores import both_stores, daily_on_postgresql
from tests.empty_store import copied_store, empty_store
from tests.stored_rows import store_rows

pytestmark = both_stores

START, DAYS = date(2026, 6, 20), 100
UNTIL = [pd.Timestamp("2026-08-09"), pd.Timestamp("2026-08-24")]
"""Ends of the ranges that are kept after reviews on days 60 and 75."""
KINDS = ("splices", "arc-checks", "readings", "service")


@pytest.fixture(scope="module")
def made() -> SimulatedCrew:
    crew = simulate_frames(
        invented_crew(splicers=3, days=DAYS, splices_per_day=14.0, seed=8, start=START)
    )
    splices = crew["splices"]
    rng = np.random.default_rng(1)
    # a program that is rarely used, so that its calibration days lie months apart
    day = splices["spliced_at"]
    rare = day.dt.day.isin([3, 17]) & (day.dt.month < 9) & (rng.random(len(splices)) < 0.3)
    splices.loc[rare, "program"] = "repair recipe"
    # losses over the accepted limit at places that are used again later, and at crowded ones
    bad = rng.random(len(splices)) < 0.02
    splices.loc[bad, "loss_db"] = 0.9
    places = splices["location"].to_numpy(dtype=object)
    for row in np.flatnonzero(bad)[::2]:
        places[min(row + 400, len(places) - 1)] = places[row]
    places[::150] = "tray"
    splices["location"] = places
    splices.loc[::170, "loss_below_db"] = 0.01
    splices.loc[::170, "loss_db"] = 0.005
    return crew


class Store:
    """A store that is filled in steps, and reviewed with what it kept."""

    def __init__(self, folder: Path, made: SimulatedCrew) -> None:
        self.folder, self.made, self.crew = folder, made, made.crew
        self.engine: Engine = empty_store(folder)
        self.days = 0
        self.imports: list[int] = []
        self.shifts: list[tuple[str, int]] = []
        self.reused = 0
        self.held_back = {kind: made[kind].iloc[:0] for kind in KINDS}

    def add(self, kind: str, rows: pd.DataFrame) -> None:
        if rows.empty:
            return
        number = store_rows(self.engine, kind, rows, given="[]", to_the_second=True)
        self.imports.append(number)

    def pass_days(self, days: int, hold_back: float = 0.0) -> None:
        """Import the records of the next days, but for a share that comes late."""
        first, last = (
            pd.Timestamp(START, tz="UTC") + pd.Timedelta(days=day)
            for day in (self.days, self.days + days)
        )
        self.days += days
        for kind in KINDS:
            rows = self.made[kind]
            time = rows[schema.TIME_COLUMN[kind]]
            rows = rows[(time >= first) & (time < last)]
            late = np.random.default_rng(self.days).random(len(rows)) < hold_back
            self.held_back[kind] = pd.concat([self.held_back[kind], rows[late]])
            self.add(kind, rows[~late])

    def import_late(self, kind: str) -> None:
        self.add(kind, self.held_back[kind])
        self.held_back[kind] = self.held_back[kind].iloc[:0]

    def change_oldest(self, kind: str, day: int, **values: object) -> None:
        table = schema.RECORDS[kind]
        since = int((pd.Timestamp(START, tz="UTC") + pd.Timedelta(days=day)).value // 1000)
        time = table.columns[schema.TIME_COLUMN[kind]]
        with writing(self.engine) as connection:
            change = update(table).where(time >= since, time < since + 86_400_000_000)
            connection.execute(change.values(**values))

    def delete_day(self, kind: str, day: int) -> None:
        table = schema.RECORDS[kind]
        since = int((pd.Timestamp(START, tz="UTC") + pd.Timedelta(days=day)).value // 1000)
        time = table.columns[schema.TIME_COLUMN[kind]]
        with writing(self.engine) as connection:
            connection.execute(delete(table).where(time >= since, time < since + 86_400_000_000))

    def undo_import(self, place: int) -> None:
        undo_import(self.engine, self.imports.pop(place % len(self.imports)))

    def shift_clock(self, day: int, hours: int) -> None:
        since = pd.Timestamp(START, tz="UTC") + pd.Timedelta(days=day)
        bounds = ClockBounds(
            "Heron", since.to_pydatetime(), (since + pd.Timedelta(days=3)).to_pydatetime()
        )
        shift = set_shift(self.engine, bounds, timedelta(hours=hours), said_by="Ash", why="clock")
        self.shifts.append(("Heron", shift.id))

    def undo_shift(self) -> None:
        undo_shift(self.engine, *self.shifts.pop())

    def restart(self) -> None:
        self.engine.dispose()
        self.engine = open_store(self.engine.url.render_as_string(hide_password=False))

    def forget(self) -> None:
        """Delete what was kept, as anybody may."""
        with writing(self.engine) as connection:
            connection.execute(delete(schema.saved_summary))

    def inputs(self, known: SpliceCounts | None = None) -> ReviewInputs:
        now = pd.Timestamp(START, tz="UTC") + pd.Timedelta(days=self.days)
        return read_inputs(self.engine, self.crew, now.as_unit("us"), known)

    def summary(self, *, from_scratch: bool) -> Summary:
        marks = record_marks(self.engine)
        inputs = self.inputs(None if from_scratch else kept_splice_counts(self.engine, marks))
        read = partial(read_splices, self.engine)
        summary, saved, _ = summarize_crew(
            self.engine, inputs, marks, read, from_scratch=from_scratch
        )
        if not from_scratch:
            self.reused += saved is None
            replace_results(self.engine, {}, saved, marks.changes)
        return summary

    def check(self) -> None:
        if not self.inputs().splice_counts:
            return  # a review of nothing is refused before anything is summarized
        assert_equal(self.summary(from_scratch=False), self.summary(from_scratch=True))


@pytest.fixture
def store(tmp_path: Path, made: SimulatedCrew, monkeypatch: pytest.MonkeyPatch) -> Store:
    monkeypatch.setattr(module, "FEWEST_SPLICES", 1)
    return Store(tmp_path, made)


def test_the_latest_days_are_ten() -> None:
    assert first_latest_day(pd.Timestamp("2026-03-01T00:30Z")) == pd.Timestamp("2026-02-19")
    assert first_latest_day(pd.Timestamp("2026-01-31T23:30Z")) == pd.Timestamp("2026-01-21")


@daily_on_postgresql
def test_days_that_did_not_change_are_not_summarized_again(store: Store) -> None:
    store.pass_days(77)
    store.summary(from_scratch=False)
    assert store.reused == 0
    read: list[pd.Timestamp | None] = []

    def noted(
        names: list[str], columns: tuple[str, ...], *, since: pd.Timestamp | None = None,
        ids: Iterable[int] | None = None,
    ) -> pd.DataFrame:  # fmt: skip
        read.append(since)
        return read_splices(store.engine, names, columns, since=since, ids=ids)

    store.pass_days(1)
    inputs, marks = store.inputs(), record_marks(store.engine)
    summary, saved, _ = summarize_crew(store.engine, inputs, marks, noted)
    assert saved is None
    assert_equal(summary, store.summary(from_scratch=True))
    # 28 days before 6 Sep, in which the splices since a check are counted
    assert pd.Timestamp("2026-08-09T00:00Z") in read


def test_after_late_records_the_last_month_is_a_range_of_its_own(
    store: Store, made: SimulatedCrew
) -> None:
    store.made = replace(made, records={**made.records, "readings": made["readings"].iloc[:0]})
    store.pass_days(60, hold_back=0.1)
    store.summary(from_scratch=False)
    store.import_late("splices")
    store.check()
    ends = [days.until for days in settled_days(store.engine, store.inputs())]
    assert ends == [pd.Timestamp("2026-07-09"), pd.Timestamp("2026-08-09")]


def test_a_splicer_that_rested_for_two_weeks_has_its_latest_splice(
    store: Store, made: SimulatedCrew
) -> None:
    splices = made["splices"]
    rested = pd.Timestamp(START, tz="UTC") + pd.Timedelta(days=44)
    worked = splices[(splices["splicer"] != "Heron") | (splices["spliced_at"] < rested)]
    store.made = replace(made, records={**made.records, "splices": worked})
    store.pass_days(60)
    store.summary(from_scratch=False)
    store.pass_days(1)
    kept = store.summary(from_scratch=False)
    assert store.reused == 1
    assert_equal(kept, store.summary(from_scratch=True))
    (heron,) = (state for state in kept.states if state.splicer == "Heron")
    assert heron.latest_splice == worked.loc[
        worked["splicer"] == "Heron", "spliced_at"
    ].max().floor("s")


@pytest.mark.long
def test_a_week_is_settled_at_a_time_and_a_range_ends_after_a_month(
    store: Store, made: SimulatedCrew
) -> None:
    # the first days of a program, which may lie far apart, make earlier days out of date
    usual = made["splices"].assign(program="single-mode adaptive")
    store.made = replace(made, records={**made.records, "splices": usual})
    store.pass_days(50)
    store.check()
    for days, ranges in ((6, 1), (1, 2), (21, 2), (10, 2), (5, 2), (7, 3)):
        store.pass_days(days)
        store.check()
        assert len(settled_days(store.engine, store.inputs())) == ranges
    assert store.reused == 2


CHANGES: dict[str, Callable[[Store], None]] = {
    "a late splice log": lambda store: store.import_late("splices"),
    "late checks": lambda store: store.import_late("arc-checks"),
    "late readings": lambda store: store.import_late("readings"),
    "late service": lambda store: store.import_late("service"),
    "an undone import": lambda store: store.undo_import(0),
    "a corrected splice": lambda store: store.change_oldest("splices", 12, loss_db=0.3),
    "a corrected check": lambda store: store.change_oldest("arc-checks", 12, outcome="fail"),
    "a deleted day": lambda store: store.delete_day("splices", 20),
    "a deleted reading": lambda store: store.delete_day("readings", 20),
    "a shifted clock": lambda store: store.shift_clock(15, 2),
    "other settings": lambda store: setattr(
        store, "crew", store.crew.model_copy(update={"air_max_age_min": 20.0})
    ),
    "a deleted summary": lambda store: store.forget(),
}


@pytest.fixture(scope="module")
def reviewed(
    store_database: str, made: SimulatedCrew, tmp_path_factory: pytest.TempPathFactory
) -> Store:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "FEWEST_SPLICES", 1)
        store = Store(tmp_path_factory.mktemp("reviewed"), made)
        store.pass_days(40, hold_back=0.1)
        store.pass_days(20)
        store.summary(from_scratch=False)
        store.pass_days(15)
        store.summary(from_scratch=False)
    return store


def after(change: Callable[[Store], None], reviewed: Store, folder: Path) -> list[SettledDays]:
    """What is kept that is still valid after a change."""
    store = copy(reviewed)
    store.folder, store.imports, store.shifts = folder, [*reviewed.imports], []
    store.held_back = dict(reviewed.held_back)
    store.engine = copied_store(reviewed.engine, folder)
    change(store)
    return settled_days(store.engine, store.inputs())


EVERYDAY = ("a late splice log", "an undone import", "a deleted day", "a shifted clock",
            "other settings")  # fmt: skip


@pytest.mark.parametrize(
    "change",
    [
        change if change in EVERYDAY else pytest.param(change, marks=pytest.mark.long)
        for change in CHANGES
    ],
)
def test_a_change_of_settled_days_is_seen(reviewed: Store, tmp_path: Path, change: str) -> None:
    assert after(CHANGES[change], reviewed, tmp_path) == []


def test_a_change_leaves_earlier_ranges_valid(reviewed: Store, tmp_path: Path) -> None:
    def change(store: Store) -> None:
        store.change_oldest("splices", 60, loss_db=0.3)

    assert [days.until for days in after(change, reviewed, tmp_path)] == [UNTIL[0]]


@pytest.mark.parametrize("days", [0, 1, 14])
def test_later_days_leave_the_settled_ones_valid(
    reviewed: Store, tmp_path: Path, days: int
) -> None:
    settled = after(lambda store: store.pass_days(days), reviewed, tmp_path)
    assert [days.until for days in settled] == UNTIL


def test_latest_days_may_hold_no_splice_at_all(store: Store) -> None:
    store.pass_days(20)
    for days in (120, 121):
        store.days = days
        store.check()
    assert store.reused == 1


@pytest.mark.long
def test_a_clock_that_is_found_wrong_later_is_seen(store: Store, made: SimulatedCrew) -> None:
    wrong = made["splices"].copy()
    late = pd.Timestamp(START, tz="UTC") + pd.Timedelta(days=36)
    rows = (wrong["splicer"] == "Heron") & (wrong["spliced_at"] >= late)
    wrong.loc[rows, "spliced_at"] += pd.Timedelta(hours=9)
    store.made = replace(made, records={**made.records, "splices": wrong})
    for days in (41, 12, 10, 10, 10):
        store.pass_days(days)
        store.check()


@pytest.mark.long
@given(data=st.data())
@settings(max_examples=25)
def test_any_sequence_of_changes_gives_what_every_record_gives(
    data: st.DataObject, made: SimulatedCrew, tmp_path_factory: pytest.TempPathFactory
) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "FEWEST_SPLICES", 1)
        store = Store(tmp_path_factory.mktemp("store"), made)
        store.pass_days(45, hold_back=0.05)
        steps: dict[str, Callable[[Store], None]] = {
            **CHANGES,
            "a day": lambda store: store.pass_days(1, hold_back=0.05),
            "a week": lambda store: store.pass_days(7, hold_back=0.05),
            "a restart": lambda store: store.restart(),
            "a pause": lambda store: setattr(store, "days", store.days + 50),
        }
        for _ in range(data.draw(st.integers(3, 7), label="steps")):
            step = data.draw(st.sampled_from(sorted(steps)), label="step")
            if store.shifts and step == "a shifted clock":
                store.undo_shift()
            else:
                steps[step](store)
            if data.draw(st.booleans(), label="reviewed"):
                store.check()
        store.check()
