"""Planted and harmless changes of cleave angles: the right subject, onset, size and end."""

import os

import numpy as np
import pandas as pd
import pytest

from tests.analysis.people.cleave_angles.crew_days import crew_days, found_in, raised

LONG = os.environ.get("ARCDRIFT_LONG") == "1"


def subjects(shifts):
    return [(shift.subject_type, shift.subject) for shift in shifts]


@pytest.mark.parametrize("factor", [1.3, 1.5])
def test_a_dull_blade_is_the_cleavers_with_its_onset_size_and_end(factor):
    cells = crew_days(1)
    dull = (cells["cleaver"] == "c2") & cells["number"].between(60, 82)
    (shift,) = found_in(raised(cells, dull, factor))
    assert (shift.subject_type, shift.subject) == ("cleaver", "c2")
    begins, ends = (cells.loc[cells["number"] == day, "day"].iloc[0] for day in (60, 82))
    assert abs(np.busday_count(begins.date(), shift.onset.date())) <= 1
    assert shift.earliest <= begins <= shift.latest
    assert shift.days_to_alarm <= 3
    assert abs(np.busday_count(ends.date(), shift.until.date())) <= 1
    assert shift.ended
    assert shift.low <= factor <= shift.high
    assert len(shift.hands) == 5
    assert all(abs(ratio / factor - 1) < 0.15 for _, ratio, _ in shift.hands)
    assert shift.sole_hand is None


def test_a_blade_that_gets_worse_from_day_to_day_is_found_with_its_latest_size():
    cells = crew_days(2)
    size = np.minimum((cells["number"] - 59) / 20, 1.0).clip(lower=0.0)
    size = size.where(cells["cleaver"] == "c3", 0.0) * np.log(1.5)
    cells = cells.assign(
        angle_squares=cells["angle_squares"] + 2 * size * cells["angle"]
        + size**2 * cells["angles"],
        angle=cells["angle"] + size * cells["angles"],
    )  # fmt: skip
    (shift,) = found_in(cells)
    assert (shift.subject_type, shift.subject) == ("cleaver", "c3")
    first = cells.loc[cells["number"] == 60, "day"].iloc[0]
    assert 0 <= np.busday_count(first.date(), shift.first_alarm.date()) <= 12
    assert not shift.ended
    assert shift.latest_ratio == pytest.approx(1.5, rel=0.1)


def test_a_person_is_named_once_their_rise_shows_on_two_cleavers():
    cells = crew_days(3)
    risen = raised(cells, (cells["technician"] == "t4") & (cells["number"] >= 61), 1.4)
    (shift,) = found_in(risen)
    assert (shift.subject_type, shift.subject) == ("technician", "t4")
    assert abs(np.busday_count(shift.onset.date(), cells["day"][cells["number"] == 61].iloc[0]
                               .date())) <= 1  # fmt: skip
    assert len(shift.hands) >= 2
    # while it shows on one cleaver only, nobody is named: it may be the blade
    (early,) = found_in(risen[risen["number"] <= 64])
    assert early.subject_type == "cleaver"
    assert [name for name, _, _ in early.hands] == ["t4"]


def test_a_dull_blade_and_a_person_at_the_same_time_are_both_found():
    cells = crew_days(4)
    cells = raised(cells, (cells["cleaver"] == "c1") & (cells["number"] >= 60), 1.4)
    cells = raised(cells, (cells["technician"] == "t5") & (cells["number"] >= 65), 1.4)
    assert sorted(subjects(found_in(cells))) == [("cleaver", "c1"), ("technician", "t5")]


def test_a_change_of_hands_and_ordinary_wear_are_no_dull_blade():
    # somebody with much higher angles changes places like all others
    cells = crew_days(5)
    cells = raised(cells, cells["technician"] == "t0", 1.7)
    assert found_in(cells) == []
    # a crew's own spread of hands and blades, over several crews
    crews = [crew_days(seed) for seed in range(10, 20 if LONG else 14)]
    assert [subjects(found_in(cells)) for cells in crews] == [[]] * len(crews)


def test_a_newcomer_with_high_angles_is_not_held_against_the_cleavers():
    cells = crew_days(6)
    newcomer = (cells["technician"] == "t3") & (cells["number"] >= 50)
    cells = raised(cells.assign(technician=cells["technician"].mask(newcomer, "new")),
                   newcomer, 1.6)  # fmt: skip
    assert found_in(cells) == []


def test_a_cleaver_of_one_person_alone_cannot_be_told_from_the_hand():
    cells = crew_days(7, weekly=False)
    (shift,) = found_in(raised(cells, (cells["cleaver"] == "c2") & (cells["number"] >= 60), 1.4))
    assert (shift.subject_type, shift.subject) == ("cleaver", "c2")
    assert shift.sole_hand == "t2"


def test_a_blade_beyond_its_life_has_its_onset_where_the_life_ended():
    cells = crew_days(8)
    overdue = (cells["cleaver"] == "c4") & (cells["number"] >= 60)
    used = (cells["cleaves"] + 80.0 * (cells["number"] - 60)).where(overdue, cells["cleaves"])
    first = int(cells.loc[overdue, "number"][used[overdue] > 1000].min())
    grown = 0.5 * (used - 1000).clip(lower=0.0) / 1000
    step = grown.where(overdue, 0.0)
    worn = cells.assign(
        cleaves=used,
        angle_squares=cells["angle_squares"] + 2 * step * cells["angle"]
        + step**2 * cells["angles"],
        angle=cells["angle"] + step * cells["angles"],
    )  # fmt: skip
    (shift,) = found_in(worn)
    assert shift.subject == "c4"
    assert shift.cleaves > 1000
    turn = cells.loc[cells["number"] == first, "day"].iloc[0]
    assert abs(np.busday_count(turn.date(), shift.onset.date())) <= 7


def test_cells_of_unknown_hands_and_unlogged_cleavers_are_charted_by_splicer():
    cells = crew_days(9)
    cells.loc[cells["cleaver"] == "c0", "cleaver"] = "(cleaver not logged)"
    cells.loc[cells["number"] % 9 == 0, "technician"] = "(technician not logged)"
    dull = (cells["splicer"] == "s0") & (cells["number"] >= 70)
    (shift,) = found_in(raised(cells, dull, 1.4))
    assert (shift.subject_type, shift.subject) == ("splicer", "s0")
    assert not any(name.startswith("(") for name, _, _ in shift.hands)


def test_alarms_never_use_later_days():
    cells = crew_days(1)
    cells = raised(cells, (cells["cleaver"] == "c2") & (cells["number"] >= 60), 1.5)
    (whole,) = found_in(cells)
    (part,) = found_in(cells[cells["number"] <= 68])
    assert (part.first_alarm, part.onset) == (whole.first_alarm, whole.onset)
    assert pd.Timestamp(part.since_utc) == whole.since_utc
