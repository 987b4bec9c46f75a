"""Cells of a made-up crew whose people and machines are known exactly."""

import numpy as np
import pandas as pd

PEOPLE, MACHINES = 10, 8


def cells_of(frame: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Cells from the true level, angle and odds of each technician-day on a splicer."""
    n = frame["n"].to_numpy(dtype=np.float64)
    size = len(frame)
    mean = 0.03 * np.exp(frame["level"]) * (1 + rng.standard_normal(size) / np.sqrt(n))
    angle = frame["angle"] + 0.4 * rng.standard_normal(size) / np.sqrt(n)
    uneven = frame["uneven"] + 0.6 * rng.standard_normal(size) / np.sqrt(n)
    again = rng.binomial(frame["n"], 1 / (1 + np.exp(3.5 - frame["odds"])))
    errors = rng.binomial(frame["n"], 1 / (1 + np.exp(3.5 + frame["odds"])))
    at = pd.to_datetime(frame["day"], utc=True).dt.as_unit("us") + pd.Timedelta(hours=15)
    return frame.assign(
        cleaver="C of " + frame["splicer"],
        program="fixed",
        fibers="G.652.D + G.652.D",
        holding="(holding not logged)",
        site="Harbor",
        first_at=at,
        last_at=at + pd.Timedelta(hours=6),
        made=n,
        places=n,
        again=again.astype(float),
        errors=errors.astype(float),
        capped=n * mean,
        below=n * mean,
        squares=n * mean**2 + (n - 1) * (0.03 * np.exp(frame["level"])) ** 2,
        angles=n,
        angle=n * angle,
        angle_squares=n * angle**2 + (n - 1) * 0.16,
        uneven=n * uneven,
        uneven_squares=n * uneven**2 + (n - 1) * 0.36,
        bad=0.0,
        density_n=n,
        density=n * 1.2,
        vapor=n * 10.0,
    )


def made_up_cells(
    seed: int, *, days: int = 120, split: bool = False, apart: float = 0.0
) -> tuple[pd.DataFrame, dict[str, float], dict[str, float]]:
    """Ten technicians swap eight splicers weekly; two of them in bad luck with machines.

    ``split`` keeps two halves of the crew from ever sharing a splicer; ``apart`` is how much
    more the splicers of the second half lose.
    """
    rng = np.random.default_rng(seed)
    people = {f"t{i}": 0.08 * rng.standard_normal() for i in range(PEOPLE)}
    machines = {
        f"s{i}": 0.15 * rng.standard_normal() + apart * (i >= MACHINES // 2)
        for i in range(MACHINES)
    }
    rows = []
    for day in range(days):
        if day % 5 == 0:
            half = np.r_[rng.permutation(5)[:4], 5 + rng.permutation(5)[:4]]
            order = half if split else rng.permutation(PEOPLE)[:MACHINES]
        rows += [(f"s{m}", f"t{p}", day) for m, p in enumerate(order)]
    return work(rows, people, machines, rng), people, machines


def work(
    rows: list[tuple[str, str, int]],
    people: dict[str, float],
    machines: dict[str, float],
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Cells of ``(splicer, technician, day)``."""
    frame = pd.DataFrame(rows, columns=["splicer", "technician", "number"])
    frame["day"] = pd.Timestamp("2026-01-01") + pd.to_timedelta(frame["number"], unit="D")
    person = frame["technician"].map(people).to_numpy()
    machine = frame["splicer"].map(machines).to_numpy()
    frame["n"] = rng.integers(30, 80, len(frame)).astype(float)
    frame["level"] = person + machine + 0.1 * rng.standard_normal(len(frame))
    frame["angle"] = np.log(0.7) + 2 * person + 0.05 * rng.standard_normal(len(frame))
    frame["uneven"] = np.where(frame["splicer"] == "s2", 0.5, 0.0)
    frame["odds"] = 3 * person
    return cells_of(frame, rng)
