"""The chart of wear: its line, its limits, its words."""

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.maintenance.electrode_life import ElectrodeState, WearCurve
from arcdrift.figures.electrodes import wear_history
from arcdrift.settings import SettingLimits

ARCS = np.linspace(0, 4500, 10)
CURVE = pd.DataFrame(
    {
        "arcs": ARCS,
        "expected": 110 - 2 * ARCS / 1000,
        "low": 108 - 2 * ARCS / 1000,
        "high": 112 - 2 * ARCS / 1000,
    }
)
POINTS = pd.DataFrame(
    {
        "checked_at": pd.to_datetime(["2026-05-01T06:00Z", "2026-05-02T06:00Z"]),
        "arcs": [100.0, 160.0],
        "setting": [110.5, 109.0],
    }
)


def state(curve: WearCurve | None, limits: SettingLimits | None = None) -> ElectrodeState:
    return ElectrodeState(
        splicer="Heron", arcs=160.0, life=4500, limits=limits, pace=None, arcs_left=None,
        workdays_left=None, ends_by="life", curve=curve, notes=("Too few checks.",),
    )  # fmt: skip


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_line_limits_and_words(scheme) -> None:
    limits = SettingLimits(lowest=98.0, highest=400.0)
    picture = wear_history(state(WearCurve(CURVE, POINTS, "steps"), limits), scheme=scheme)
    assert picture.figure is not None
    names = [trace.name for trace in picture.figure.data]
    assert "limit: set to last 4,500 arcs" in names
    reach = [trace for trace in picture.figure.data if "cannot set" in trace.name]
    assert [trace.y[0] for trace in reach] == [98.0]  # 400 is too far off to draw
    assert picture.figure.layout.yaxis.range[0] < 98
    assert "from 110.0 to 101.0 steps (-9.0)" in picture.summary
    assert "2 checks lie on the present electrodes." in picture.summary
    assert list(picture.table["what"].value_counts()) == [10, 2]


def test_without_a_model_it_says_why() -> None:
    picture = wear_history(state(None))
    assert picture.figure is None
    assert picture.summary == "Too few checks."
