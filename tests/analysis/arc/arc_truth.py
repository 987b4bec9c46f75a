"""Arc checks simulated from known coefficients, in the frames the arc analyses read."""

from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd

from arcdrift.analysis.arc.pooled_regression import CrewFits, Fit, Fits

SLOPES = np.array([-120.0, 0.35, -2.0])  # steps per kg/m3, per hPa, per 1000 arcs
SD, PHI = 3.0, 0.3


def simulated_points(
    splicers: int,
    checks: int,
    seed: int,
    *,
    fault: Callable[[np.ndarray], np.ndarray] | None = None,
    faulty: tuple[str, ...] = (),
    life: int = 2500,
    level_sd: float = 5.0,
) -> tuple[pd.DataFrame, dict[str, np.ndarray]]:
    """Points of several sister splicers on one site's weather, and each one's true slopes.

    Electrodes last ``life`` arcs; the levels of pairs scatter by ``level_sd``.
    """
    rng = np.random.default_rng(seed)
    day = np.arange(checks)
    front = np.zeros(checks)
    for t in range(1, checks):
        front[t] = 0.75 * front[t - 1] + 3.0 * rng.standard_normal()
    celsius = 12 + 9 * np.sin(2 * np.pi * (day - 100) / 260) + front
    pressure = 1013 + 8 * rng.standard_normal(checks)
    saturation = 6.112 * np.exp(17.62 * celsius / (243.12 + celsius))
    vapor = saturation * np.clip(rng.normal(0.7, 0.15, checks), 0.2, 1.0)
    kelvin = celsius + 273.15
    density = 100 * ((pressure - vapor) / 287.05 + vapor / 461.5) / kelvin
    frames, truth = [], {}
    for i in range(splicers):
        name = f"s{i}"
        slopes = SLOPES * (1 + 0.15 * rng.standard_normal(3))
        arcs = np.cumsum(rng.poisson(50, checks)).astype(float)
        epoch = (arcs // life).astype(int)
        level = 100 + level_sd * rng.standard_normal(epoch.max() + 1)
        noise = np.zeros(checks)
        noise[0] = rng.standard_normal()
        for t in range(1, checks):
            noise[t] = PHI * noise[t - 1] + np.sqrt(1 - PHI**2) * rng.standard_normal()
        setting = (
            level[epoch]
            + slopes[0] * (density - 1.225)
            + slopes[1] * (vapor - 10)
            + slopes[2] * (arcs % life) / 1000
            + SD * noise
        )
        if fault is not None and name in faulty:
            setting = setting + fault(day)
        times = pd.Timestamp("2026-01-01T07:00Z") + pd.to_timedelta(day, "D")
        frames.append(
            pd.DataFrame(
                {
                    "splicer": name,
                    "checked_at": (times + pd.Timedelta(minutes=i)).as_unit("us"),
                    "site": "Harbor",
                    "epoch": epoch,
                    "arc_setting": np.round(setting),
                    "arcs": arcs % life,
                    "air_density": density,
                    "vapor_pressure": vapor,
                    "room_density": np.nan,
                    "excluded": pd.Series([None] * checks, dtype=object),
                }
            )
        )
        truth[name] = slopes
    return pd.concat(frames, ignore_index=True), truth


def step_through_replacement(
    checks: int, seed: int, *, lead: int, size: float
) -> tuple[pd.DataFrame, int, int]:
    """Points of eight splicers, of which s0 steps for good just before its fourth pair.

    Levels of pairs scatter by the standard deviation of a check.

    Parameters
    ----------
    lead : int
        Checks from the step to the first one on the new pair.
    size : float
        Standard deviations of a check.

    Returns
    -------
    points : DataFrame
    onset, replaced : int
        First check of the step, and the first one on the new pair.
    """
    healthy, _ = simulated_points(8, checks, seed, level_sd=SD)
    pairs = healthy.loc[healthy["splicer"] == "s0", "epoch"].to_numpy()
    replaced = int(np.flatnonzero(np.diff(pairs))[2]) + 1
    onset = replaced - lead
    points, _ = simulated_points(
        8, checks, seed, faulty=("s0",), level_sd=SD,
        fault=lambda day: np.where(day >= onset, size * SD, 0.0),
    )  # fmt: skip
    return points, onset, replaced


def fits_of(splicers: Sequence[Fit]) -> Fits:
    """Fits of some splicers as arrays."""
    crew = CrewFits(len(splicers))
    for number, fit in enumerate(splicers):
        crew.put(number, fit)
    return crew.known()
