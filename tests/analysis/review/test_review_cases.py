"""Cases of reviews that follow each other are those of one review of everything.

Long: many reviews. The matching alone is tested in `tests/analysis/cases/test_case_matching.py`, an
undo and a new import in `tests/cli/test_cases.py`.
"""

from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from sqlalchemy import Engine

from arcdrift.analysis.cases.cases_from_store import find_case, read_cases, state_case
from arcdrift.analysis.review.review import review
from arcdrift.simulate import (
    SimulatedCrew,
    add_faults,
    invented_crew,
    load_plan,
    simulate_frames,
)
from arcdrift.store import schema
from arcdrift.store.imports.import_undo import undo_import
from tests.both_stores import both_stores
from tests.empty_store import empty_store
from tests.stored_rows import store_rows

pytestmark = [both_stores, pytest.mark.long]
START, DAYS = date(2026, 6, 20), 84
KINDS = ("splices", "arc-checks", "readings", "service")
Case = dict[str, Any]


@pytest.fixture(scope="module")
def made() -> SimulatedCrew:
    crew = invented_crew(splicers=2, days=DAYS, splices_per_day=12.0, seed=4, start=START)
    return simulate_frames(add_faults(crew, load_plan("arc-step")))


class Store:
    """A store that gets the records of some days at a time."""

    def __init__(self, folder: Path, made: SimulatedCrew) -> None:
        folder.mkdir()
        self.engine: Engine = empty_store(folder)
        self.made = made

    def add(self, first: int, last: int) -> list[int]:
        """Import the records of some days; return the imports."""
        since, until = (
            pd.Timestamp(START, tz="UTC") + pd.Timedelta(days=day) for day in (first, last)
        )
        numbers = []
        for kind in KINDS:
            rows = self.made[kind]
            time = rows[schema.TIME_COLUMN[kind]]
            rows = rows[(time >= since) & (time < until)]
            if len(rows):
                numbers.append(store_rows(self.engine, kind, rows, given="[]", to_the_second=True))
        return numbers

    def cases(self, *, from_scratch: bool = False) -> list[Case]:
        review(self.engine, self.made.crew, from_scratch=from_scratch)
        return read_cases(self.engine)


def as_found(cases: list[Case]) -> list[Case]:
    """Cases without their ids, in an order that does not depend on these."""
    plain = [
        {name: value for name, value in case.items() if name not in ("id", "absorbed")}
        for case in cases
    ]
    return sorted(plain, key=lambda case: (case["since"], case["title"]))


def test_cases_do_not_depend_on_how_the_records_came(tmp_path: Path, made: SimulatedCrew) -> None:
    whole = Store(tmp_path / "whole", made)
    whole.add(0, DAYS)
    expected = whole.cases()
    assert expected
    for name, parts in (("forward", [(0, 50), (50, 83), (83, DAYS)]),
                        ("late", [(40, DAYS), (0, 40)])):  # fmt: skip
        store = Store(tmp_path / name, made)
        for first, last in parts:
            store.add(first, last)
            latest = store.cases()
        assert as_found(latest) == as_found(expected)
        assert store.cases(from_scratch=True) == latest
        assert len({case["id"] for case in latest}) == len(latest)


def test_a_case_keeps_its_id_and_its_owner_through_late_files_and_undo(
    tmp_path: Path, made: SimulatedCrew
) -> None:
    store = Store(tmp_path / "store", made)
    store.add(0, 68)
    (step,) = (case for case in store.cases() if case["cause"] == "arc")
    state_case(store.engine, step, "take", "Ash")
    numbers = store.add(68, DAYS)
    grown = find_case(store.cases(), step["id"])
    assert grown["owner"] == "Ash"
    assert grown["until"] >= step["until"]
    for number in numbers:
        undo_import(store.engine, number)
    assert find_case(store.cases(), step["id"])["until"] == step["until"]
    store.add(68, DAYS)
    again = find_case(store.cases(), step["id"])
    assert (again["owner"], again["until"]) == ("Ash", grown["until"])
