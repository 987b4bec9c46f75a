"""What splices made again cost, counted by hand on made-up logs."""

import numpy as np
import pytest

from arcdrift.analysis.attempts.made_again import made_again
from arcdrift.analysis.common.places import find_places
from arcdrift.settings import Crew
from tests.analysis.attempts.made_up_splices import days_of, made_up

CREW = Crew(name="made up")


def test_minutes_attempts_and_arcs_by_cause() -> None:
    splices = made_up(
        [
            {"at": "08:00", "location": "A1", "arc_count": 100},
            # a place with three attempts: 4 and 6 minutes
            {"at": "08:10", "location": "A2", "outcome": "error", "error_reason": "cleave angle",
             "loss_db": np.nan, "arc_count": 101},
            {"at": "08:14", "location": "A2", "loss_db": 0.35, "arc_count": 102},
            {"at": "08:20", "location": "A2", "arc_count": 105},
            # made again after lunch: the minutes are not known, nor are the arcs
            {"at": "11:50", "location": "A3", "outcome": "error", "loss_db": np.nan},
            {"at": "12:40", "location": "A3", "arc_count": 107},
            {"at": "12:50", "location": "A4", "outcome": "redo", "arc_count": 108},
            {"at": "12:53", "location": "A4", "arc_count": 109},
        ]
    )  # fmt: skip
    limit = np.full(len(splices), 0.2)
    day = days_of(splices)
    table = made_again(splices, day, find_places(splices, day, limit), limit, CREW)
    rows = table.set_index("cause")
    assert set(rows.index) == {"cleave_angle", "over_limit", "no_reason", "within_limit"}
    assert rows.loc["cleave_angle", ["attempts", "minutes", "arcs"]].tolist() == [1, 4, 1]
    assert rows.loc["over_limit", ["attempts", "minutes", "arcs"]].tolist() == [1, 6, 3]
    assert rows.loc["within_limit", ["attempts", "minutes", "arcs"]].tolist() == [1, 3, 1]
    assert rows.loc["no_reason", ["attempts", "minutes", "untimed"]].tolist() == [1, 0, 1]
    assert rows.loc["no_reason", ["arcs", "uncounted"]].tolist() == [0, 1]
    # from the first attempt of a place to its last
    assert table["minutes"].sum() == pytest.approx(10 + 3)


def test_nothing_made_again_costs_nothing() -> None:
    splices = made_up([{"at": "08:00"}, {"at": "08:09"}])
    limit, day = np.full(2, 0.2), days_of(splices)
    table = made_again(splices, day, find_places(splices, day, limit), limit, CREW)
    assert table.empty
    empty = splices.iloc[:0]
    places = find_places(empty, day.iloc[:0], limit[:0])
    assert made_again(empty, day.iloc[:0], places, limit[:0], CREW).empty
