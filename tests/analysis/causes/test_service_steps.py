"""Random effects of service within cells: each move of a splicer from its event on."""

import numpy as np
import pytest

from arcdrift.analysis.causes.service_steps import service_steps


def test_each_move_of_a_splicer_is_an_effect_from_its_event_on() -> None:
    splicer = np.array([0, 0, 0, 0, 1, 1, 1])
    stream = np.array([0, 1, 0, 1, 2, 2, 2])
    # the first splicer had two events before these cells and two within, the second one and none
    events = np.array([[2, 2, 3, 5, 1, 1, 1], [0, 0, 0, 0, 0, 1, 1]])
    steps = service_steps(splicer, stream, events, [0.1, 0.2])
    found = [(codes.tolist(), sd) for codes, sd in steps]
    none = -1
    assert found == [
        ([none, none, 0, 0, none, none, none], pytest.approx(0.1 / np.sqrt(2))),
        ([none, none, 0, 1, none, none, none], pytest.approx(0.1 / np.sqrt(2))),
        ([none, none, none, 0, none, none, none], pytest.approx(0.1 / np.sqrt(2))),
        ([none, none, none, 1, none, none, none], pytest.approx(0.1 / np.sqrt(2))),
        ([none, none, none, none, none, 1, 1], pytest.approx(0.2 / np.sqrt(2))),
        ([none, none, none, none, none, 2, 2], pytest.approx(0.2 / np.sqrt(2))),
    ]


def test_no_cells_have_no_moves() -> None:
    none = np.zeros(0, dtype=np.int64)
    assert service_steps(none, none, np.zeros((2, 0), dtype=np.int64), [0.1, 0.1]) == []
