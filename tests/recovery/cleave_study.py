"""How soon a dull blade is found by its cleave angles, and how rarely a healthy crew alarms.

Run by hand; a few seconds a crew::

    python -m tests.recovery.cleave_study [--crews 24] [--budget 2]

Each simulated crew (8 cleavers, 10 people who change places, 240 days) is charted as it is, and
with one rise of a cleaver's angles planted into its sums of splices: by a factor at once, or
gradually; for a time that ends with work on another cleaver going on as before. The same is done
for a person. The test suite runs two crews (``test_cleave_promises.py``).
"""

import argparse
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import pandas as pd

from arcdrift.analysis.common.days import WORKDAYS_PER_MONTH, workdays, workdays_of
from arcdrift.analysis.common.places import find_places
from arcdrift.analysis.loss.acceptance.accepted_limits import splice_limits
from arcdrift.analysis.loss.technician_days import NOBODY, aggregate_technician_days
from arcdrift.analysis.maintenance.blade_positions import BladeUse, cleaves_on_blade
from arcdrift.analysis.maintenance.service_findings import usage_by_hour
from arcdrift.analysis.people.cleave_angles.angle_cells import angle_cells
from arcdrift.analysis.people.cleave_angles.angle_charts import chart_angles
from arcdrift.analysis.people.cleave_angles.angle_shifts import AngleShift, angle_shifts
from arcdrift.shares import Shares
from arcdrift.simulate import SimulatedCrew, invented_crew, simulate_frames
from tests.stream_days import stream_days

LIFE = 1000
LASTS = 30
"""Workdays of a planted rise."""
GRADUAL_DAYS = 20
"""Workdays over which a gradual rise grows to its full size."""
PLANTS = {
    "cleaver x1.3": ("cleaver", 1.3, 0), "cleaver x1.5": ("cleaver", 1.5, 0),
    "cleaver x1.5, gradual": ("cleaver", 1.5, GRADUAL_DAYS),
    "person x1.3": ("technician", 1.3, 0), "person x1.5": ("technician", 1.5, 0),
}  # fmt: skip


def technician_days(made: SimulatedCrew) -> pd.DataFrame:
    """Sums by technician and day of a crew, with the cleaves on its blades."""
    parts = []
    for _, splices in made["splices"].groupby("splicer"):
        work = splices[splices["purpose"] == "production"].reset_index(drop=True)
        air = pd.DataFrame({"air_density": np.nan, "vapor_pressure": np.nan}, index=work.index)
        days = stream_days(work, made["service"][:0], made.crew)
        day = workdays(work, made.crew, "spliced_at")
        places = find_places(work, day, splice_limits(work, made.crew, "single_db"))
        parts.append(aggregate_technician_days(work, air, day, days, places, made.crew))
    cells = pd.concat(parts, ignore_index=True)
    return cells.assign(
        cleaves=cleaves_on_blade(
            cells, BladeUse.of(usage_by_hour(made["splices"]), made["service"])
        )
    )


def raise_angles(cells: pd.DataFrame, log_factor: pd.Series) -> pd.DataFrame:
    """Multiply the angles of each cell by a factor, given by its logarithm."""
    return cells.assign(
        angle=cells["angle"] + log_factor * cells["angles"],
        angle_squares=cells["angle_squares"]
        + 2 * log_factor * cells["angle"]
        + log_factor**2 * cells["angles"],
    )


def rises(cells: pd.DataFrame, budget: float) -> tuple[list[AngleShift], int, float]:
    """Rises of a crew, number of alarms, and number of alarms that the budget allows."""
    summed = angle_cells(cells, LIFE)
    share = Shares().cleave
    charts = chart_angles(summed, budget * share)
    judged = charts.days.loc[charts.days["statistic"].notna(), "day"]
    allowed = budget * share * len(workdays_of(judged)) / WORKDAYS_PER_MONTH
    return angle_shifts(summed, charts), int(charts.days["alarm"].sum()), allowed


@dataclass(frozen=True)
class Planted:
    """Whether a planted rise was found, when, and what else was named meanwhile."""

    plant: str
    found: bool
    days_to_alarm: float
    onset_error: float
    ratio: float
    person_wrongly: bool
    others: int


def plant(cells: pd.DataFrame, seed: int, name: str) -> Planted:
    """Plant one rise about the middle of a crew's days and look for it."""
    kind, factor, growth = PLANTS[name]
    rng = np.random.default_rng([seed, *name.encode()])
    days = np.unique(cells["day"])
    named = cells[cells["technician"] != NOBODY]
    subject = str(rng.choice(np.unique(named[kind].astype(str))))
    begins = int(rng.integers(len(days) // 3, len(days) - LASTS - 20))
    number = pd.Series(np.searchsorted(days, cells["day"]), index=cells.index) - begins
    inside = cells[kind].eq(subject) & number.between(0, LASTS - 1)
    size = np.log(factor) * np.minimum((number + 1) / max(growth, 1), 1.0)
    found, _, _ = rises(raise_angles(cells, size.where(inside, 0.0)), 2.0)
    meanwhile = [
        shift
        for shift in found
        if shift.first_alarm >= days[begins] and shift.onset <= days[begins + LASTS - 1]
    ]
    mine = [shift for shift in meanwhile if (shift.subject_type, shift.subject) == (kind, subject)]
    others = [shift for shift in meanwhile if shift not in mine]
    worked = np.unique(cells.loc[inside, "day"])
    if not mine:
        return Planted(name, False, np.nan, np.nan, np.nan, _person(others, kind), len(others))
    first = mine[0]
    return Planted(
        name, True,
        float(np.searchsorted(worked, first.first_alarm.to_datetime64()) + 1),
        float(np.busday_count(days[begins].astype("M8[D]"), first.onset.date())),
        first.ratio, _person(others, kind), len(others),
    )  # fmt: skip


def _person(others: list[AngleShift], kind: str) -> bool:
    return kind != "technician" and any(shift.about_person for shift in others)


def restless(
    cells: pd.DataFrame, seed: int, *, correlation: float = 0.3, drift: float = 0.01
) -> pd.DataFrame:
    """The crew with levels of people and cleavers that differ from day to day.

    Day effects have standard deviation 0.08 for people and 0.05 for cleavers, with a correlation
    from day to day; people drift by a random step a week.
    """
    rng = np.random.default_rng([seed, 5])
    days, number = np.unique(cells["day"], return_inverse=True)
    moved = np.zeros(len(cells))
    for kind, sd in (("technician", 0.08), ("cleaver", 0.05)):
        code, names = pd.factorize(cells[kind])
        noise = rng.normal(0.0, sd, (len(names), len(days)))
        for day in range(1, len(days)):
            noise[:, day] *= np.sqrt(1 - correlation**2)
            noise[:, day] += correlation * noise[:, day - 1]
        if kind == "technician":
            noise += np.cumsum(rng.normal(0.0, drift / np.sqrt(5), noise.shape), axis=1)
        moved += noise[code, number]
    return raise_angles(cells, pd.Series(moved, index=cells.index))


CREWS: dict[str, dict[str, float] | None] = {
    "Healthy": None, "with day effects": {"correlation": 0.0, "drift": 0.0},
    "that are correlated": {"correlation": 0.3, "drift": 0.0}, "and drift": {},
}  # fmt: skip
Healthy = tuple[int, float, int]


def outcome(seed: int, budget: float) -> tuple[list[Healthy], list[Planted]]:
    """Alarms, allowed alarms and rises of a healthy crew, also restless; its planted rises."""
    cells = technician_days(simulate_frames(invented_crew(splicers=8, days=240, seed=seed)))
    healthy = []
    for changed in CREWS.values():
        crew = cells if changed is None else restless(cells, seed, **changed)
        found, alarms, allowed = rises(crew, budget)
        healthy.append((alarms, allowed, len(found)))
    planted = [plant(cells, seed, name) for name in PLANTS]
    return healthy, planted + [
        replace(plant(restless(cells, seed), seed, name), plant=f"{name}, restless")
        for name in PLANTS
    ]


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description="How soon dull blades are found.")
    parser.add_argument("--crews", type=int, default=24)
    parser.add_argument("--budget", type=float, default=2.0)
    parser.add_argument("--processes", type=int, default=2)
    options = parser.parse_args()
    with ProcessPoolExecutor(options.processes) as pool:
        seeds = range(700, 700 + options.crews)
        results = list(pool.map(partial(outcome, budget=options.budget), seeds))
    healthy = np.sum([result[0] for result in results], axis=0)
    table = pd.DataFrame([row for result in results for row in result[1]])
    summary = table.groupby("plant", sort=False).agg(
        crews=("found", "size"), found=("found", "sum"), median_days=("days_to_alarm", "median"),
        slowest=("days_to_alarm", "max"), onset_median=("onset_error", "median"),
        onset_worst=("onset_error", lambda error: error.abs().max()), ratio=("ratio", "median"),
        person_wrongly=("person_wrongly", "sum"), others=("others", "sum"),
    )  # fmt: skip
    lines = [
        f"{name}: {alarms:.0f} alarms, {allowed:.1f} allowed, {named:.0f} rises named"
        for name, (alarms, allowed, named) in zip(CREWS, healthy, strict=True)
    ]
    lines.append(summary.to_string())
    print("\n".join(lines))  # noqa: T201 - this is what it is run for


if __name__ == "__main__":
    main()
