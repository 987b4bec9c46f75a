"""Splices summed by hands: counted again by hand, one splice at a time."""

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.common.places import find_places
from arcdrift.analysis.loss.technician_days import (
    NO_CLEAVER,
    NOBODY,
    SUMS,
    aggregate_technician_days,
)
from arcdrift.analysis.people.cleave_runs import cleave_runs, practice_splices
from arcdrift.settings import Crew

CREW = Crew(name="invented", time_zone="America/Denver")


def log(**columns):
    size = len(next(iter(columns.values())))
    frame = pd.DataFrame(
        {
            "id": np.arange(1, size + 1),
            "splicer": "Heron",
            "spliced_at": pd.date_range("2026-03-02 15:00", periods=size, freq="6min", tz="UTC"),
            "loss_db": 0.03,
            "outcome": "done",
            "technician": "Alder",
            "program": "fixed",
            "fiber_a": "A",
            "fiber_b": "B",
            "cleave_left_deg": 0.5,
            "cleave_right_deg": 0.8,
            "cleaver": "C1",
            "blade_position": "4",
            "site": None,
            "purpose": "production",
        }
    )
    return frame.assign(**columns)


def summed(splices, cap=0.1):
    air = pd.DataFrame({"air_density": 1.1, "vapor_pressure": 8.0}, index=splices.index)
    day = pd.Series(pd.Timestamp("2026-03-02"), splices.index)
    stream = {"splicer": ["Heron"], "program": ["fixed"]}
    days = pd.DataFrame({**stream, "day": [pd.Timestamp("2026-03-02")], "cap": [cap]})
    places = find_places(splices, day, np.full(len(splices), CREW.acceptance.single_db))
    return aggregate_technician_days(splices, air, day, days, places, CREW)


def test_every_sum_is_what_adding_up_by_hand_gives():
    rng = np.random.default_rng(1)
    n = 40
    splices = log(
        loss_db=rng.gamma(1.2, 0.03, n), cleave_left_deg=rng.lognormal(0, 1, n),
        cleave_right_deg=rng.lognormal(0, 1, n), outcome=rng.choice(["done", "redo", "error"], n),
    )  # fmt: skip
    splices.loc[3, "loss_db"] = np.nan
    splices.loc[5, "cleave_left_deg"] = np.nan
    splices.loc[7, ["fiber_a", "fiber_b"]] = ["B", "A"]  # the same pair, the other way round
    cell = summed(splices)
    assert len(cell) == 1
    want = dict.fromkeys(SUMS, 0.0)
    for number, row in enumerate(splices.to_dict("records")):
        hour, first = number / 10, number < 5
        want["made"] += 1
        want["errors"] += row["outcome"] == "error"
        # no location and no number: an attempt belongs to the place of the one before it, where
        # that was marked as redo or error
        begins = number == 0 or splices["outcome"][number - 1] == "done"
        done = row["outcome"] == "done"
        assessed = begins and not (done and np.isnan(row["loss_db"]))
        want["places"] += assessed
        want["again"] += assessed and not (done and row["loss_db"] <= 0.3)
        known = not np.isnan(row["loss_db"])
        both = not np.isnan(row["cleave_left_deg"])
        worse = np.nanmax([row["cleave_left_deg"], row["cleave_right_deg"]])
        want["seen"] += 1
        want["bad"] += worse > 3
        want["density_n"], want["density"] = want["made"], want["made"] * 1.1
        want["vapor"] = want["made"] * 8.0
        if known:
            capped = min(row["loss_db"], 0.1)
            dirty = row["loss_db"] > 6 * 0.1 / 3.5
            good = both and worse <= 3
            for name, value in (
                ("n", 1), ("capped", capped), ("below", capped * (row["loss_db"] < 0.1)),
                ("squares", capped**2), ("dirty", dirty),
                ("good", good), ("dirty_good", dirty and good), ("first_n", first),
                ("first_capped", first * capped), ("hour", hour), ("hour_squares", hour**2),
                ("hour_capped", hour * capped),
            ):  # fmt: skip
                want[name] += value
        if both:
            left, right = np.log(row["cleave_left_deg"]), np.log(row["cleave_right_deg"])
            angle = (max(left, np.log(0.05)) + max(right, np.log(0.05))) / 2
            uneven = max(right, np.log(0.05)) - max(left, np.log(0.05))
            for name, value in (
                ("angles", 1), ("angle", angle), ("angle_squares", angle**2), ("uneven", uneven),
                ("uneven_squares", uneven**2), ("first_angles", first),
                ("first_angle", first * angle), ("hour_angles_n", 1), ("hour_of_angles", hour),
                ("hour_squares_of_angles", hour**2), ("hour_angle", hour * angle),
            ):  # fmt: skip
                want[name] += value
    for name, value in want.items():
        assert cell[name].iloc[0] == pytest.approx(value), name
    assert cell["last_at"].iloc[0] == splices["spliced_at"].iloc[-1]


def test_people_programs_and_cleavers_have_cells_of_their_own():
    splices = log(
        technician=["Alder", "Alder", None, "Birch"], program=["fixed", "other", "fixed", "fixed"],
        cleaver=["C1", "C1", "C1", None],
    )  # fmt: skip
    cells = summed(splices)
    assert cells["made"].tolist() == [1, 1, 1, 1]
    assert set(cells["technician"]) == {"Alder", "Birch", NOBODY}
    assert NO_CLEAVER in set(cells["cleaver"])
    # Birch's first splice of the day is the fourth on the splicer
    assert cells.loc[cells["technician"] == "Birch", "first_n"].tolist() == [1]


def runs(worst, **columns):
    splices = log(cleave_left_deg=worst, **columns)
    return cleave_runs(splices, pd.Series(pd.Timestamp("2026-03-02"), splices.index), CREW)


def test_three_bad_cleaves_in_a_row_are_a_run():
    found = runs([1, 4, 3.1, 5, 1, 4, 4, 1, 4, 4, 4, 4.5])
    assert found["length"].tolist() == [3, 4]
    assert found["splices"].tolist() == ["[2, 3, 4]", "[9, 10, 11, 12]"]
    assert found["worst_deg"].tolist() == [5.0, 4.5]


@pytest.mark.parametrize(
    ("worst", "columns"),
    [
        ([4, 4, 1, 4, 4, 1, 4], {}),  # never three together
        ([4, 4, 4, 4], {"technician": ["Alder", "Alder", "Birch", "Birch"]}),
        ([3, 3, 3, 3, 2.9], {}),  # at the limit, not over it
    ],
)
def test_what_is_no_run_is_left_alone(worst, columns):
    assert runs(worst, **columns).empty


def test_a_run_does_not_reach_over_night():
    splices = log(cleave_left_deg=[4, 4, 4, 4])
    day = pd.Series(pd.to_datetime(["2026-03-02"] * 2 + ["2026-03-03"] * 2))
    assert cleave_runs(splices, day, CREW).empty


def test_a_cleave_that_was_not_read_does_not_break_a_run():
    splices = log(cleave_left_deg=[4, 4, np.nan, 4], cleave_right_deg=[1, 1, np.nan, 1])
    found = cleave_runs(splices, pd.Series(pd.Timestamp("2026-03-02"), splices.index), CREW)
    assert found["length"].tolist() == [3]


def test_practice_is_kept_for_sign_off_in_order_of_time():
    splices = log(purpose=["practice", "production", "practice"], cleave_right_deg=[1, 1, 4.0])
    practice = practice_splices(splices.iloc[::-1])
    assert practice["angle_deg"].tolist() == [1.0, 4.0]
    assert practice["at"].is_monotonic_increasing
