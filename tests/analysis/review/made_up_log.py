"""A splice log of a made-up crew, splice by splice, and what the analyses sum it up to."""

from collections.abc import Callable
from functools import cached_property

import numpy as np
import pandas as pd

from arcdrift.analysis.common.places import find_places
from arcdrift.analysis.loss.technician_days import aggregate_technician_days
from arcdrift.analysis.maintenance.blade_positions import BladeUse, blade_table, cleaves_on_blade
from arcdrift.analysis.maintenance.service_findings import usage_by_hour
from arcdrift.analysis.people.cleave_runs import cleave_runs
from arcdrift.analysis.people.prep_effects import PrepEffects, prep_effects
from arcdrift.settings import Crew

CREW = Crew(name="invented", time_zone="UTC")
SERVICE = pd.DataFrame(
    {"asset": pd.Series(dtype=object), "action": pd.Series(dtype=object),
     "serviced_at": pd.Series(dtype="datetime64[us, UTC]")}
)  # fmt: skip
Change = Callable[[pd.DataFrame], None]


def made_up_log(seed: int = 0, *, people: int = 6, days: int = 40, a_day: int = 16) -> pd.DataFrame:
    """People move to the next splicer each week; blades are turned every eight days.

    Besides the columns of a splice log: ``number`` of the day, ``hour`` and ``nth`` splice of
    the technician's day, ``used`` cleaves on the blade.
    """
    rng = np.random.default_rng(seed)
    day, who, nth = (
        grid.ravel()
        for grid in np.meshgrid(np.arange(days), np.arange(people), np.arange(a_day), indexing="ij")
    )
    machine = (who + day // 5) % people
    frame = pd.DataFrame(
        {
            "id": np.arange(len(day)), "number": day, "nth": nth, "hour": nth * 0.45,
            "splicer": np.array([f"s{i}" for i in range(people)])[machine],
            "technician": np.array([f"t{i}" for i in range(people)])[who],
            "cleaver": np.array([f"c{i}" for i in range(people)])[machine],
            "blade_position": (1 + day // 8).astype(str), "used": (day % 8) * a_day * 2 + 2 * nth,
            "program": "fixed", "fiber_a": "A", "fiber_b": "A", "site": "Harbor",
            "outcome": "done", "purpose": "production",
            "loss_db": rng.gamma(1.2, 0.03 / 1.2, len(day)),
            "cleave_left_deg": 0.7 * np.exp(0.4 * rng.standard_normal(len(day))),
            "cleave_right_deg": 0.7 * np.exp(0.4 * rng.standard_normal(len(day))),
        }
    )  # fmt: skip
    frame["spliced_at"] = (
        pd.Timestamp("2026-03-01 08:00", tz="UTC").as_unit("us")
        + pd.to_timedelta(frame["number"], unit="D")
        + pd.to_timedelta(np.round(frame["hour"] * 3600), unit="s")
    )
    return frame


class Summed:
    """What signatures read, worked out when it is asked for."""

    def __init__(self, log: pd.DataFrame) -> None:
        self.log = log

    @cached_property
    def parts(self) -> list[tuple[pd.DataFrame, pd.DataFrame, pd.Series]]:
        parts = []
        for _, mine in self.log.groupby("splicer"):
            own = mine.reset_index(drop=True)
            day = own["spliced_at"].dt.tz_localize(None).dt.floor("D")
            air = pd.DataFrame({"air_density": 1.2, "vapor_pressure": 9.0}, index=own.index)
            stream = {"splicer": own["splicer"].iloc[0], "program": "fixed"}
            caps = pd.DataFrame({**stream, "day": day.unique(), "cap": 0.105})
            places = find_places(own, day, np.full(len(own), CREW.acceptance.single_db))
            cells = aggregate_technician_days(own, air, day, caps, places, CREW)
            parts.append((cells, own, day))
        return parts

    @cached_property
    def use(self) -> pd.DataFrame:
        return usage_by_hour(self.log)

    @cached_property
    def cells(self) -> pd.DataFrame:
        cells = pd.concat([part[0] for part in self.parts], ignore_index=True)
        return cells.assign(cleaves=cleaves_on_blade(cells, BladeUse.of(self.use, SERVICE)))

    def effects(self, *measures: str) -> PrepEffects:
        told = prep_effects(self.cells, CREW.prep, measures)
        assert isinstance(told, PrepEffects)
        return told

    @cached_property
    def runs(self) -> pd.DataFrame:
        found = [cleave_runs(own, day, CREW) for _, own, day in self.parts]
        return pd.concat([one for one in found if len(one)] or found[:1], ignore_index=True)

    @cached_property
    def blades(self) -> pd.DataFrame:
        return blade_table(BladeUse.of(self.use, SERVICE), CREW.blade)


def times(log: pd.DataFrame, rows: "pd.Series[bool]", factor: object, *columns: str) -> None:
    """Multiply columns of some rows."""
    for column in columns:
        log.loc[rows, column] *= factor
