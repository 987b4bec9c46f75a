"""Crews of another making are what they say: people rotate, replacements move levels by 5 %."""

import numpy as np
import pandas as pd
import pytest

from arcdrift.simulate import SimulatedCrew, invented_crew, simulate_frames
from tests.recovery.rotating_crews import LEVEL_SD, level_moves, rotated, short_lived_electrodes


@pytest.fixture(scope="module")
def made() -> SimulatedCrew:
    return simulate_frames(short_lived_electrodes(invented_crew(splicers=6, days=150, seed=8)))


def test_everybody_works_on_all_splicers_and_cleaves_there_as_they_do(made: SimulatedCrew):
    before = made["splices"]
    after = rotated(made, np.random.default_rng(1))
    named = before["technician"].notna()
    assert (after["technician"].notna() == named).all()
    places = after[named].groupby("technician")["splicer"].nunique()
    assert places.median() >= 5
    angle = np.log(after[named].groupby("technician")["cleave_left_deg"].mean())
    truth = pd.Series({name: row["angle_factor"] for name, row in made.truth.technicians.items()})
    truth = np.log(truth.loc[angle.index])
    assert np.corrcoef(angle, truth)[0, 1] > 0.9


def test_each_replacement_moves_the_losses_of_its_splicer(made: SimulatedCrew):
    splices = made["splices"]
    level = level_moves(splices, made.truth, np.random.default_rng(2))
    steps = [np.diff(level[rows]) for rows in splices.groupby("splicer").indices.values()]
    jumps = np.concatenate([step[step != 0] for step in steps])
    # 107 workdays hold about two replacements of each of six splicers
    assert len(jumps) == len(made.truth.electrodes)
    assert len(jumps) == pytest.approx(6 * 107 / 45, abs=6)
    # six standard errors of a standard deviation
    assert np.std(jumps) == pytest.approx(LEVEL_SD, abs=6 * LEVEL_SD / np.sqrt(2 * len(jumps)))
