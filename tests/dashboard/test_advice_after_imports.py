"""Whatever is imported, undone or set: advice at hand equals advice worked out anew.

Advice is worked out again only for the splicers that new records concern, so that this is what
keeps it true.
"""

from collections.abc import Callable
from dataclasses import fields, is_dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import update

from arcdrift.analysis.advice.advice_from_store import advice_of_splicers
from arcdrift.clock_bounds import ClockBounds
from arcdrift.store import schema
from arcdrift.store.annotations.clock_shifts import set_shift, undo_shift
from arcdrift.store.database.connect import writing
from arcdrift.store.imports.import_list import add_import
from arcdrift.store.imports.import_undo import undo_import
from arcdrift.wording import screen_text
from dashboard.reading.advice_cache import STALE_SECONDS
from dashboard.reading.data import CrewData
from tests.dashboard.invented import NOW, write_crew
from tests.stored_rows import import_values, store_rows

SPLICERS = ("Heron", "Kestrel", "Plover")
SITES = """
[sites.Pass]
elevation_m = 900
station = "S 1"
[sites.Valley]
elevation_m = 400
station = "S 2"
[splicers.Tern]
home_site = "Valley"
"""
Change = tuple[str, int, int]
"""What happens, to which splicer, site or cleaver, and when."""

MINUTES = (-60 * 24 * 20, -60 * 30, -200, -90, -61, -5, -1, 1, 3, 12)
"""When records are made, from the newest one of the crew that was there before."""


class Crew:
    """A served crew to which things happen."""

    def __init__(self, folder: Path) -> None:
        write_crew(folder)
        self.path = folder / "crew.toml"
        text = self.path.read_text(encoding="utf-8").replace("[splicers.", SITES + "[splicers.", 1)
        self.path.write_text(text, encoding="utf-8")
        self.data = CrewData(folder)
        self.imports: list[int] = []
        self.shifts: list[tuple[str, int]] = []
        self.tolerance = 0

    def happens(self, change: Change) -> None:
        kind, which, minute = change
        at = pd.Timestamp(NOW) + pd.Timedelta(minutes=MINUTES[minute % len(MINUTES)])
        do: dict[str, Callable[[int, pd.Timestamp], None]] = {
            "splice": self.splice, "check": self.check, "reading": self.reading,
            "service": self.service, "undo": self.undo, "shift": self.shift,
            "unshift": self.unshift, "setting": self.setting, "completed": self.completed,
        }  # fmt: skip
        do[kind](which, at)
        self.data = self.data.under_newer_settings() or self.data

    def store(self, kind: str, **row: Any) -> None:
        self.imports.append(store_rows(self.data.engine, kind, pd.DataFrame([row]), started_at=1))

    def splice(self, which: int, at: pd.Timestamp) -> None:
        name = (*SPLICERS, "Tern")[which % 4]
        self.store(
            "splices", line=2, splicer=name, spliced_at=at, loss_db=0.03, outcome="done",
            program="single-mode fixed", purpose="production", arc_count=3000.0 + which,
            cleaver=(None, "C 1", "C 2")[which % 3], site=("Harbor", "Pass", None)[which // 4 % 3],
        )  # fmt: skip

    def check(self, which: int, at: pd.Timestamp) -> None:
        self.store(
            "arc-checks", line=2, splicer=SPLICERS[which % 3], checked_at=at,
            outcome=("pass", "pass", "fail")[which // 3 % 3], arc_setting=40.0 + which,
            arc_count=2400.0 + which, site=("Valley", "Harbor", None)[which % 3],
        )  # fmt: skip

    def reading(self, which: int, at: pd.Timestamp) -> None:
        column, name = (
            ("site", "Harbor"), ("site", "Pass"), ("station", "S 1"), ("station", "S 2"),
            ("splicer", "Plover"), ("splicer", "Heron"),
        )[which % 6]  # fmt: skip
        self.store(
            "readings", line=2, read_at=at, temperature_c=float(which), pressure_hpa=1000.0,
            humidity_pct=50.0, pressure_reference="station", **{column: name},
        )  # fmt: skip

    def service(self, which: int, at: pd.Timestamp) -> None:
        asset = (*SPLICERS, "C 1", "C 2")[which % 5]
        actions = (
            ("blade turned", "blade replaced")
            if asset.startswith("C")
            else ("electrodes replaced", "electrodes cleaned", "v-grooves cleaned")
        )
        self.store(
            "service", line=2, asset=asset, serviced_at=at, action=actions[which % len(actions)]
        )

    def undo(self, which: int, at: pd.Timestamp) -> None:
        if self.imports:
            undo_import(self.data.engine, self.imports.pop(which % len(self.imports)))

    def shift(self, which: int, at: pd.Timestamp) -> None:
        name = SPLICERS[which % 3]
        if name in {splicer for splicer, _ in self.shifts}:
            return
        bounds = ClockBounds(name, at.to_pydatetime(), (at + pd.Timedelta(days=30)).to_pydatetime())
        moved = pd.Timedelta(minutes=(-50, 7, 100)[which // 3 % 3]).to_pytimedelta()
        found = set_shift(self.data.engine, bounds, moved, said_by="Alder", why="set wrong")
        self.shifts.append((name, found.id))

    def unshift(self, which: int, at: pd.Timestamp) -> None:
        if self.shifts:
            undo_shift(self.data.engine, *self.shifts.pop())

    def setting(self, which: int, at: pd.Timestamp) -> None:
        self.tolerance += 1
        text = self.path.read_text(encoding="utf-8")
        block = f"[splicers.{SPLICERS[which % 3]}]\n"
        kept = [line for line in text.splitlines() if not line.startswith("tolerance")]
        text = "\n".join([*kept, ""]).replace(block, f"{block}tolerance = {self.tolerance}.5\n")
        self.path.write_text(text, encoding="utf-8")

    def completed(self, which: int, at: pd.Timestamp) -> None:
        """Records change, as when a later file knows more of them."""
        table = schema.arc_checks
        values = {"arc_setting": 30.0 + which}
        with writing(self.data.engine) as connection:
            connection.execute(
                update(table).where(table.columns.splicer == SPLICERS[which % 2]).values(values)
            )
            add_import(connection, import_values(kind="arc-checks", already_stored=1))

    def check_all(self) -> None:
        data = self.data
        names = [*SPLICERS, "Tern"]
        cache = data._advice_cache
        found = data.in_one_state(lambda: cache._get(data, names, STALE_SECONDS))
        now = data.advice_seconds()
        known = {name: each for name, each in found.items() if each.advice is not None}
        for name in found.keys() - known.keys():
            assert data.compute_advice([name]) == {name: None}
        for seconds in {each.computed_at for each in found.values()}:
            assert 0 <= now - seconds <= STALE_SECONDS
            at = pd.Timestamp(round(seconds * 1e6), unit="us", tz="UTC")
            then = [name for name, each in known.items() if each.computed_at == seconds]
            for name, fresh in advice_of_splicers(data.engine, data.crew, then, at=at).items():
                fresh = replace(fresh, reasons=tuple(map(screen_text, fresh.reasons)))
                assert written(known[name].advice) == written(fresh)


def written(value: Any) -> Any:
    """All that a piece of advice says, to be compared; NaN equals NaN."""
    if isinstance(value, pd.DataFrame):
        return value.to_csv()
    if is_dataclass(value) and not isinstance(value, type):
        return {each.name: written(getattr(value, each.name)) for each in fields(value)}
    if isinstance(value, tuple | list) and not hasattr(value, "_fields"):
        return [written(each) for each in value]
    return repr(value) if not isinstance(value, frozenset) else sorted(value)


CHANGES = st.tuples(
    st.sampled_from(
        ["splice", "check", "reading", "service", "splice", "check", "reading", "service",
         "undo", "shift", "unshift", "setting", "completed"]
    ),
    st.integers(0, 17),
    st.integers(0, len(MINUTES) - 1),
)  # fmt: skip


HISTORIES: tuple[list[Change], ...] = (
    [("splice", 4, 6), ("splice", 6, 4), ("service", 3, 5), ("undo", 2, 0), ("undo", 0, 0)],
    [("check", 2, 6), ("reading", 2, 5), ("reading", 3, 5), ("reading", 4, 6)],
    [("splice", 5, 3), ("shift", 1, 1), ("splice", 7, 7), ("unshift", 0, 0), ("setting", 1, 0)],
    [("splice", 3, 6), ("completed", 0, 0), ("completed", 1, 0), ("undo", 0, 0)],
    [("splice", 4, 8), ("shift", 1, 2), ("splice", 10, 8), ("splice", 5, 8)],
)


def stays_true(changes: list[Change]) -> None:
    """Compare the advice of all splicers with one made anew, after each change."""
    with TemporaryDirectory() as folder:
        crew = Crew(Path(folder))
        crew.check_all()
        for change in changes:
            crew.happens(change)
            crew.check_all()
        crew.data.engine.dispose()


@pytest.mark.parametrize(
    "changes",
    [
        history if number in (0, 2) else pytest.param(history, marks=pytest.mark.long)
        for number, history in enumerate(HISTORIES)
    ],
)
def test_advice_at_hand_equals_advice_made_anew(changes: list[Change]) -> None:
    stays_true(changes)


@pytest.mark.long
@given(st.lists(CHANGES, min_size=1, max_size=7))
def test_advice_at_hand_equals_advice_made_anew_whatever_happens(changes: list[Change]) -> None:
    stays_true(changes)


def test_an_import_of_one_splicer_leaves_the_others_advice(tmp_path: Path) -> None:
    crew = Crew(tmp_path)
    asked: list[list[str]] = []
    compute = crew.data.compute_advice

    def noted(names: Any) -> Any:
        asked.append(list(names))
        return compute(names)

    crew.data.compute_advice = noted  # type: ignore[method-assign]
    cache = crew.data._advice_cache

    def concerned_by(change: Change) -> list[list[str]]:
        cache.get(SPLICERS)
        asked.clear()
        crew.happens(change)
        cache.get(SPLICERS)
        return asked[:]

    # once both cut with C 1, a splice of one is a cleave more for the other
    assert concerned_by(("splice", 4, 6)) == [["Heron"]]
    assert concerned_by(("splice", 10, 6)) == [["Heron", "Plover"]]
    assert concerned_by(("service", 3, 5)) == [["Heron", "Plover"]]
    assert concerned_by(("service", 4, 5)) == []  # nobody cuts with C 2
    assert concerned_by(("check", 3, 6)) == [["Heron"]]
    assert concerned_by(("reading", 4, 5)) == [["Plover"]]
    assert concerned_by(("reading", 0, 5)) == [list(SPLICERS)]  # all are at home at the harbor
    assert concerned_by(("shift", 0, 1)) == [["Heron", "Plover"]]
    assert concerned_by(("shift", 1, 1)) == [["Kestrel"]]
    assert concerned_by(("undo", 0, 0)) == [list(SPLICERS)]
    crew.data.stop_prefetching()
