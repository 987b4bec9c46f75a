"""Healthy crews of another making: people rotate, and new electrodes move the level of losses.

The simulator's crews swap a third of their pairs a week, replace electrodes every three months, and
new electrodes leave the losses as they were. Here everybody goes on to another splicer every
Monday, electrodes last about 45 workdays, and each replacement moves the losses of a splicer.
"""

from dataclasses import replace

import numpy as np
import pandas as pd

from arcdrift.arrays import Floats
from arcdrift.simulate import Scenario, SimulatedCrew, invented_crew, simulate_frames
from arcdrift.simulate.output.truth import Truth
from tests.recovery.crews import Run, review_made

LIFE_ARCS = 3000
"""About 45 workdays of 60 splices, with repeated and cleaning arcs."""
LEVEL_SD = 0.05
"""Standard deviation of the logarithm of the factor by which a replacement moves the losses."""
PLACES_A_WEEK = 3
"""Splicers that everybody moves on each week."""
LOSS_STEP, ANGLE_STEP = 0.01, 0.1
"""Steps of the log, in dB and degrees; values are drawn anew within a step before they change."""


def rotating_crew(seed: int, *, splicers: int, days: int = 365) -> Run:
    """One such crew, reviewed."""
    scenario = short_lived_electrodes(invented_crew(splicers=splicers, days=days, seed=seed))
    made = simulate_frames(scenario)
    made.records["splices"] = rotated(made, np.random.default_rng([seed, 45]))
    return review_made(scenario, made)


def short_lived_electrodes(scenario: Scenario) -> Scenario:
    """The same crew with electrodes that last `LIFE_ARCS`."""
    return replace(
        scenario,
        models=tuple(replace(model, electrode_life_arcs=LIFE_ARCS) for model in scenario.models),
        splicers=tuple(
            replace(splicer, arcs_at_start=splicer.arcs_at_start % LIFE_ARCS)
            for splicer in scenario.splicers
        ),
    )


def rotated(made: SimulatedCrew, rng: np.random.Generator) -> pd.DataFrame:
    """Splices of rotating people, with levels that replacements move."""
    splices, truth = made["splices"], made.truth
    names = np.array(list(truth.technicians), dtype=object)
    code = pd.Index(names).get_indexer(splices["technician"])  # -1 where not logged
    at = splices["spliced_at"]
    week = ((at - at.min().normalize()).dt.days // 7).to_numpy()
    new = np.where(code >= 0, (code + PLACES_A_WEEK * week) % len(names), -1)
    log_loss, log_angle = (
        np.append([change(row) for row in truth.technicians.values()], 0.0)
        for change in (lambda row: row["log_mean_loss"], lambda row: np.log(row["angle_factor"]))
    )
    angle_factor = np.exp(log_angle[new] - log_angle[code])
    loss_factor = np.exp(log_loss[new] - log_loss[code] + level_moves(splices, truth, rng))
    changed = {"loss_db": (loss_factor, LOSS_STEP)}
    changed |= dict.fromkeys(("cleave_left_deg", "cleave_right_deg"), (angle_factor, ANGLE_STEP))
    columns = {
        name: _scaled(splices[name].to_numpy(dtype=np.float64), factor, step, rng)
        for name, (factor, step) in changed.items()
    }
    technician = splices["technician"].mask(code >= 0, pd.Series(names[new], splices.index))
    return splices.assign(technician=technician, **columns)


def level_moves(splices: pd.DataFrame, truth: Truth, rng: np.random.Generator) -> Floats:
    """Logarithm of the factor on each loss since the first pair: a random walk of each splicer."""
    replaced = pd.DataFrame(truth.electrodes)
    replaced["replaced_at"] = pd.to_datetime(replaced["replaced_at"])
    level = np.zeros(len(splices))
    for splicer, rows in splices.groupby("splicer").indices.items():
        times = replaced.loc[replaced["splicer"] == splicer, "replaced_at"].sort_values()
        walk = np.r_[0.0, np.cumsum(rng.normal(0.0, LEVEL_SD, len(times)))]
        level[rows] = walk[np.searchsorted(times, splices["spliced_at"].iloc[rows], side="right")]
    return level


def _scaled(values: Floats, factor: Floats, step: float, rng: np.random.Generator) -> Floats:
    """Values times a factor, rounded to the step of the log."""
    within_step = rng.uniform(-step / 2, step / 2, len(values))
    exact = np.maximum(values + within_step, 0.0) * factor
    return np.asarray(step * np.round(exact / step))
