"""The day of a return to the usual level, on simulated streams whose rise ended on a known day."""

import numpy as np
import pandas as pd

from arcdrift.analysis.loss.day_level import ratio_of
from arcdrift.analysis.loss.return_to_usual import return_to_usual

WITHIN, BETWEEN = 0.8, 0.01
ONSET, LAST_ALARM, BACK, DAYS = 40, 50, 55, 75
DAY = pd.date_range("2026-03-02", periods=DAYS, freq="B")


def stream(seed: int, rise: float, back: int = BACK) -> pd.DataFrame:
    """Thirty splices a day, risen from day `ONSET` until the day before `back`."""
    rng = np.random.default_rng(seed)
    number = np.arange(DAYS)
    level = np.where((number >= ONSET) & (number < back), rise, 1.0)
    effect = ratio_of(np.sqrt(BETWEEN) * rng.standard_normal(DAYS))
    capped = rng.gamma(30 / WITHIN, WITHIN, DAYS) * 0.03 * level * effect
    return pd.DataFrame({"day": DAY, "n": 30, "capped": capped})


def found(frame: pd.DataFrame) -> int | None:
    day = return_to_usual(frame, DAY[ONSET], DAY[LAST_ALARM], WITHIN, BETWEEN)
    return None if day is None else int(DAY.get_loc(day))


def test_the_day_of_the_return_is_found():
    days = [found(stream(seed, 1.5)) for seed in range(60)]
    told = [day for day in days if day is not None]
    assert len(told) >= 57
    assert abs(np.median(told) - BACK) <= 1
    assert np.mean(np.abs(np.array(told) - BACK) <= 3) >= 0.9


def test_a_rise_that_goes_on_is_not_called_over():
    days = [found(stream(seed, 1.5, back=DAYS)) for seed in range(200)]
    assert sum(day is not None for day in days) <= 4


def test_too_few_days_tell_nothing():
    frame = stream(1, 1.5)
    assert found(frame.iloc[: LAST_ALARM + 5]) is None
    assert found(frame.iloc[ONSET - 3 :].reset_index(drop=True)) is None
    assert found(frame.assign(n=0)) is None
