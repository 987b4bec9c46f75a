"""The chart of what air and wear do not explain: its reference, its steps, its title."""

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.arc.arc_drift import START_ALONE, START_POOLED
from arcdrift.analysis.arc.pooled_regression import MIN_PEERS
from arcdrift.figures.arc_unexplained import (
    ArcChange,
    unexplained_part,
    unexplained_setting,
    unexplained_title,
)

ONSET = pd.Timestamp("2026-09-17")


def points(beyond_from: int = 40, checks: int = 60) -> pd.DataFrame:
    """Checks whose expectation follows a drift from `beyond_from` on, as that of past checks does.

    The setting rises by one a check; `beyond` keeps the level of before.
    """
    number = np.arange(checks)
    drift = np.maximum(number - beyond_from + 1, 0).astype(float)
    return pd.DataFrame(
        {
            "at": pd.date_range("2026-08-08 07:30", periods=checks, freq="D"),
            "arc_setting": 100.0 + drift,
            "expected": np.where(number < 10, np.nan, 100.0 + np.maximum(drift - 3, 0)),
            "beyond": np.where(drift > 0, drift, np.nan),
            "level": (number >= 25).astype(int),
            "alarm": number == 50,
        }
    )


def test_a_slow_change_does_not_become_its_own_reference():
    table = unexplained_part(points())
    assert len(table) == 50  # the first ten checks have no expectation
    assert table["unexplained"].iloc[-1] == 20.0  # not 3, the distance from what followed it
    assert (table["unexplained"].iloc[:30] == 0.0).all()


def test_the_line_is_made_of_steps_and_breaks_at_service():
    picture = unexplained_setting(points(), tolerance=8.1, unit="steps")
    assert picture.figure is not None
    line = picture.figure.data[0]
    assert line.line.shape == "hv"
    assert pd.isna(line.y).sum() == 1
    assert [one.text for one in picture.figure.layout.annotations] == ["tolerance ±8.1"]
    assert "up means that the arc needs more" in picture.summary
    assert "+20.0 steps beyond" in picture.summary


def test_an_open_change_is_shaded_and_named_where_it_began():
    change = ArcChange(19.2, ONSET, creeping=True)
    figure = unexplained_setting(points(), change=change, tolerance=8.1, unit="steps").figure
    assert figure is not None
    assert "since 17 Sep 2026" in [one.text for one in figure.layout.annotations]
    ended = ArcChange(19.2, ONSET, creeping=True, service="electrodes replaced on 1 Oct 2026")
    figure = unexplained_setting(points(), change=ended, tolerance=8.1, unit="steps").figure
    assert figure is not None
    assert len(figure.layout.annotations) == 1


@pytest.mark.parametrize(
    ("change", "title"),
    [
        (ArcChange(19.2, ONSET, creeping=True),
         "19 steps above what air and wear explain, creeping since 17 Sep 2026"),
        (ArcChange(-0.44, ONSET, creeping=False),
         "0.4 steps below what air and wear explain, since 17 Sep 2026"),
        (ArcChange(14.3, ONSET, creeping=False, service="electrodes replaced on 13 Nov 2026"),
         "14 steps above what air and wear explain from 17 Sep 2026 on; electrodes replaced on 13 "
         "Nov 2026"),
    ],
)  # fmt: skip
def test_the_title_says_what_is_seen(change: ArcChange, title: str):
    assert unexplained_title(points(), change, 8.1, "steps") == title


def test_without_a_change_the_title_counts_the_checks_within_the_tolerance():
    healthy = points(beyond_from=99)
    assert unexplained_title(healthy, None, 8.1, "steps") == (
        "Setting follows air and wear: all 50 checks within the tolerance"
    )
    healthy.loc[20, "arc_setting"] = 120.0
    assert unexplained_title(healthy, None, 8.1, "steps").endswith(
        "49 of 50 checks within the tolerance"
    )
    assert unexplained_title(healthy, None, None, "%") == "Setting beyond what air and wear explain"


def test_no_expectation_yet_is_said():
    new = points().assign(expected=np.nan, beyond=np.nan)
    picture = unexplained_setting(new, unit="steps")
    assert picture.figure is None
    assert "No check of this period was judged" in picture.summary
    assert f"after {START_POOLED} passed checks" in picture.summary
    assert f"after {START_ALONE} otherwise" in picture.summary
    assert MIN_PEERS == 2
    assert "at least two sister splicers" in picture.summary
