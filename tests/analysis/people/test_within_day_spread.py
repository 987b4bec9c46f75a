"""Within-person spread against the crew: truth known, intervals checked by their coverage."""

import numpy as np
import pandas as pd

from arcdrift.analysis.people.within_day_spread import person_days, within_day_spread
from tests.analysis.people.made_up_hands import cells_of


def crew(seed, *, spread=None, tails=None, rough=(), days=60, per_day=40):
    """Cells with sums of squares drawn from real values, splice by splice."""
    rng = np.random.default_rng(seed)
    rows = [(f"s{(p + d // 5) % 6}", f"t{p}", d) for d in range(days) for p in range(6)]
    frame = pd.DataFrame(rows, columns=["splicer", "technician", "number"])
    frame["day"] = pd.Timestamp("2026-01-01") + pd.to_timedelta(frame["number"], unit="D")
    frame["n"], frame["level"], frame["angle"] = per_day, 0.0, np.log(0.7)
    frame["uneven"], frame["odds"] = 0.0, 0.0
    cells = cells_of(frame, rng)
    sd = 0.35 * frame["technician"].map(spread or {}).fillna(1.0).to_numpy()
    sd = sd * np.where(frame["splicer"].isin(rough), 1.6, 1.0)
    noise = rng.standard_normal((len(frame), per_day))
    if tails:
        noise = rng.standard_t(tails, (len(frame), per_day)) / np.sqrt(tails / (tails - 2))
    values = np.log(0.7) + sd[:, None] * noise
    cells["angle"], cells["angle_squares"] = values.sum(1), (values**2).sum(1)
    loss = rng.gamma(1.2, 0.03 / 1.2, (len(frame), per_day))
    cells["capped"], cells["squares"] = loss.sum(1), (loss**2).sum(1)
    return cells


def test_an_uneven_hand_stands_out_and_nobody_else():
    table = within_day_spread(crew(1, spread={"t2": 1.5}))
    angle = table[table["measure"] == "angle"].set_index("technician")
    assert angle.index[angle["sure"] > 0.99].tolist() == ["t2"]
    assert 1.3 < angle.loc["t2", "ratio"] < 1.7
    loss = table[table["measure"] == "loss"]
    assert (loss["sure"] < 0.5).all()


def test_a_rough_splicer_is_not_the_person():
    """s1 scatters everybody's angles; the person who was on it most is left alone."""
    cells = crew(2, rough=["s1"])
    told = within_day_spread(cells[(cells["technician"] != "t0") | (cells["number"] < 30)])
    angle = told[told["measure"] == "angle"]
    assert (angle["sure"] < 0.95).all()


def test_heavy_tails_do_not_break_the_intervals():
    inside = []
    for seed in range(8):
        table = within_day_spread(crew(100 + seed, tails=5, days=40))
        angle = table[table["measure"] == "angle"]
        inside += list((angle["low"] <= 1) & (angle["high"] >= 1))
    # 48 intervals at .95: fewer than 40 inside would happen once in a thousand
    assert sum(inside) >= 40


def test_too_little_work_gets_a_note():
    cells = crew(3)
    cells = cells[(cells["technician"] != "t5") | (cells["number"] < 3)]
    row = within_day_spread(cells).set_index(["technician", "measure"]).loc[("t5", "angle")]
    assert np.isnan(row["ratio"])
    assert row["note"] == "only 120 splices on 3 days"


def test_days_to_look_at():
    cells = crew(4, days=5)
    days = person_days(cells)
    assert len(days) == 30
    one = cells[(cells["technician"] == "t1") & (cells["number"] == 2)].iloc[0]
    row = days[(days["technician"] == "t1") & (days["day"] == one["day"])].iloc[0]
    want = np.sqrt((one["angle_squares"] - one["angle"] ** 2 / 40) / 39)
    assert abs(row["angle_spread"] - want) < 1e-12
    assert row["splices"] == 40
