"""A review that goes on from what is kept gives the results of a review of everything."""

import shutil
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.review import settled_days as module
from arcdrift.analysis.review.review import review
from arcdrift.simulate import SimulatedCrew
from arcdrift.store import schema
from arcdrift.store.annotations.baseline_marks import add_mark, marks, withdraw_mark
from arcdrift.store.results.result_rows import read_result
from tests.analysis.review.test_settled_days import START, Store, made  # noqa: F401 - a fixture
from tests.both_stores import both_stores
from tests.empty_store import copied_store

pytestmark = both_stores

RESULTS = [name for name in schema.RESULTS if name != "analysis_run"]


def analyzed(store: Store, *, from_scratch: bool) -> dict[str, pd.DataFrame]:
    """Results after a review, which leaves the store as it was if it is of everything."""
    engine = store.engine
    if from_scratch:
        folder = store.folder / "copy"
        folder.mkdir()
        engine = copied_store(engine, folder)
    now = (pd.Timestamp(START, tz="UTC") + pd.Timedelta(days=store.days)).as_unit("us")
    review(engine, store.crew, now=now, from_scratch=from_scratch)
    results = {name: read_result(engine, name) for name in RESULTS}
    if from_scratch:
        engine.dispose()
        shutil.rmtree(folder)
    return results


def assert_same_results(store: Store) -> None:
    kept = analyzed(store, from_scratch=False)
    for name, everything in analyzed(store, from_scratch=True).items():
        pd.testing.assert_frame_equal(kept[name], everything, rtol=1e-9, atol=1e-9, obj=name)


def exclude(store: Store) -> None:
    days = [START + timedelta(days=30 + number) for number in (0, 2)]
    add_mark(store.engine, "exclude", *days, splicer="Heron", note="flood", said_by="Ash")


def freeze(store: Store) -> None:
    first = START + timedelta(days=store.days - 20)
    add_mark(store.engine, "freeze", first, None, note="new fiber", said_by="Ash")


def withdraw(store: Store) -> None:
    said = marks(store.engine)
    for number in said.loc[said["undone_at"].isna(), "id"]:
        withdraw_mark(store.engine, int(number))


def other_budget(store: Store) -> None:
    budget = 5.0 - store.crew.false_alarms_per_month
    store.crew = store.crew.model_copy(update={"false_alarms_per_month": budget})


STEPS: dict[str, Callable[[Store], None]] = {
    "a day": lambda store: store.pass_days(1, hold_back=0.05),
    "a week": lambda store: store.pass_days(7),
    "two weeks": lambda store: store.pass_days(14, hold_back=0.02),
    "late splices": lambda store: store.import_late("splices"),
    "late checks": lambda store: store.import_late("arc-checks"),
    "late service": lambda store: store.import_late("service"),
    "an undone import": lambda store: store.undo_import(3),
    "a corrected splice": lambda store: store.change_oldest("splices", 45, loss_db=0.3),
    "a corrected check": lambda store: store.change_oldest("arc-checks", 40, arc_setting=99.0),
    "a deleted day": lambda store: store.delete_day("splices", 33),
    "excluded days": exclude,
    "a frozen baseline": freeze,
    "marks withdrawn": withdraw,
    "another budget": other_budget,
}


@pytest.mark.long
@pytest.mark.parametrize("seed", range(6))
def test_any_sequence_of_days_and_changes(
    seed: int,
    made: SimulatedCrew,  # noqa: F811 - the fixture
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(module, "FEWEST_SPLICES", 1)
    splices = made["splices"].copy()
    risen = splices["splicer"].eq("Heron") & (splices["spliced_at"].dt.month >= 8)
    splices.loc[risen, "loss_db"] *= 1.7
    risen_made = replace(made, records={**made.records, "splices": splices})
    store, rng = Store(tmp_path, risen_made), np.random.default_rng(seed)
    store.pass_days(50, hold_back=0.03)
    analyzed(store, from_scratch=False)
    store.pass_days(8)
    assert_same_results(store)
    for name in rng.choice(sorted(STEPS), size=6, replace=False):
        STEPS[name](store)
        store.pass_days(1)
        assert_same_results(store)
