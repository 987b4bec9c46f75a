"""Technician days of a made-up crew, drawn as sums: angles only, with a known truth."""

import numpy as np
import pandas as pd

from arcdrift.analysis.people.cleave_angles.angle_cells import angle_cells
from arcdrift.analysis.people.cleave_angles.angle_charts import chart_angles
from arcdrift.analysis.people.cleave_angles.angle_shifts import AngleShift, angle_shifts

LIFE = 1000
START = pd.Timestamp("2026-03-02")


def crew_days(
    seed: int, *, people: int = 6, days: int = 100, splices: int = 40, wear: float = 0.25,
    weekly: bool = True,
) -> pd.DataFrame:  # fmt: skip
    """Rows of ``aggregate_technician_days`` that the charts of angles read.

    People differ by 15 % and cleavers by 10 %; blades wear and are turned after `LIFE` cleaves.
    Everybody moves to the next cleaver after a week, or never.
    """
    rng = np.random.default_rng(seed)
    hands, cleavers = rng.normal(0, 0.15, people), rng.normal(0, 0.10, people)
    day, who = (grid.ravel() for grid in np.meshgrid(np.arange(days), np.arange(people),
                                                     indexing="ij"))  # fmt: skip
    machine = (who + day // 5) % people if weekly else who
    cleaves = (day * 2 * splices + 40 * machine) % LIFE
    y = -0.36 + hands[who] + cleavers[machine] + wear * (cleaves / LIFE - 0.5)
    y = y + rng.normal(0, np.sqrt(0.1 / splices), len(y))
    date = pd.bdate_range(START, periods=days)[day]
    at = date.tz_localize("UTC").as_unit("us") + pd.Timedelta(hours=9)
    scatter = 0.1 * rng.chisquare(splices - 1, len(y))
    return pd.DataFrame(
        {
            "splicer": [f"s{i}" for i in machine], "technician": [f"t{i}" for i in who],
            "cleaver": [f"c{i}" for i in machine], "fibers": "A + A", "day": date,
            "angles": float(splices), "angle": splices * y,
            "angle_squares": splices * y**2 + scatter, "uneven": 0.0,
            "cleaves": cleaves.astype(float), "first_at": at,
            "last_at": at + pd.Timedelta(hours=6), "number": day,
        }
    )  # fmt: skip


def raised(cells: pd.DataFrame, rows: "pd.Series[bool]", factor: float) -> pd.DataFrame:
    """The same with the angles of some rows multiplied."""
    step = np.log(factor) * rows
    return cells.assign(
        angle=cells["angle"] + step * cells["angles"],
        angle_squares=cells["angle_squares"] + 2 * step * cells["angle"]
        + step**2 * cells["angles"],
    )  # fmt: skip


def found_in(cells: pd.DataFrame, budget: float = 0.1) -> list[AngleShift]:
    """Rises of a crew."""
    summed = angle_cells(cells, LIFE)
    return angle_shifts(summed, chart_angles(summed, budget))
