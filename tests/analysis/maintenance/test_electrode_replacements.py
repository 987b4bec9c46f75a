"""Replaced electrodes: whether it helped, and whether it was time."""

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.arc.arc_model import ArcModel, Effect
from arcdrift.analysis.maintenance.electrode_replacements import (
    compare_replacement,
    days_with_reason,
    latest_replacement,
    replacement_findings,
)

AT = pd.Timestamp("2026-03-01T06:00Z")
NOW = pd.Timestamp("2026-05-01T12:00Z")
SERVICE = pd.DataFrame({"action": ["electrodes replaced"], "serviced_at": [AT]})
SLOPES = np.array([-120.0, 0.35, -2.0])
SPAN = Effect("air", "air", "", 0.0, 0.0, 0.0, None)
MODEL = ArcModel(
    splicer="Heron", unit="steps", checks=60, used=60, excluded={}, epochs=2, effects=(),
    air_span=SPAN, pooled=(), peers=0, pooling_weight=0.0, peer_slopes=(),
    mean=(*SLOPES, 96.0), cov=(),
    sigma=3.0, phi=0.0, ranges={},
)  # fmt: skip


def checks(before: int, after: int, *, sd: tuple[float, float], jump: float = 8.0, seed: int = 1):
    rng = np.random.default_rng(seed)
    n = before + after
    at = AT + pd.to_timedelta(np.arange(-before, after), unit="D") + pd.Timedelta(hours=1)
    density = 1.2 + 0.02 * rng.standard_normal(n)
    arcs = np.concatenate([2000.0 + 60 * np.arange(before), 60.0 * np.arange(after)])
    new = np.arange(n) >= before
    noise = np.where(new, sd[1], sd[0]) * rng.standard_normal(n)
    level = 96 + jump * new + SLOPES[0] * (density - 1.225) + SLOPES[2] * arcs / 1000
    return pd.DataFrame(
        {
            "checked_at": at,
            "epoch": new.astype(int),
            "arc_setting": level + noise,
            "arcs": arcs,
            "air_density": density,
            "vapor_pressure": 10.0,
            "excluded": None,
            "alarm": False,
        }
    )


def stream_days(before: int, after: int, ratio: float, seed: int = 2):
    rng = np.random.default_rng(seed)
    days = AT.tz_localize(None).normalize() + pd.to_timedelta(np.arange(-before, after), unit="D")
    new = np.arange(before + after) >= before
    parts = [
        pd.DataFrame(
            {
                "program": program,
                "day": days,
                "segment": new.astype(int),
                "capped_mean_db": base
                * np.where(new, ratio, 1)
                * np.exp(0.08 * rng.standard_normal(len(new))),
                "alarm": "",
            }
        )
        for program, base in (("a", 0.03), ("b", 0.05))
    ]
    return pd.concat(parts, ignore_index=True)


def compare(points: pd.DataFrame, days: pd.DataFrame):
    return compare_replacement(AT, points, days, SERVICE, MODEL, 0.0)


def test_a_pair_that_helped() -> None:
    result = compare(checks(30, 30, sd=(9.0, 3.0)), stream_days(20, 20, 0.6))
    assert result.outcome == "better"
    assert result.sentence == "It worked: checks scatter less and loss is lower than before."
    assert result.setting is not None
    # true: 8 up, and the wear of 29 - 4.5 x 60 + 2,000 arcs at -2 a thousand gone with it
    gone = 8 + 2 * (2000 + 60 * (24.5 - 4.5)) / 1000
    assert result.setting.low < gone < result.setting.high
    assert result.scatter is not None
    assert result.scatter.low < 3 / 9 < result.scatter.high < 1
    assert result.loss is not None
    assert result.loss.low < 0.6 < result.loss.high < 1
    assert result.arcs == 2000 + 60 * 29


def test_a_pair_that_did_not() -> None:
    result = compare(checks(30, 30, sd=(3.0, 3.0)), stream_days(20, 20, 1.7))
    assert result.outcome == "worse"
    assert "loss is higher than before" in result.sentence
    assert "power off" in result.sentence
    same = compare(checks(30, 30, sd=(3.0, 3.0), seed=5), stream_days(20, 20, 1.0))
    assert same.outcome == "as before"


def intervals_with_the_truth(replacements: int) -> np.ndarray:
    """Count intervals that hold the true ratio: of scatter 3 to 3, and of loss 0.9."""
    held = np.zeros(2)
    for seed in range(replacements):
        result = compare(
            checks(20, 20, sd=(3.0, 3.0), seed=100 + seed), stream_days(10, 10, 0.9, 500 + seed)
        )
        assert result.scatter is not None
        assert result.loss is not None
        held += [
            result.scatter.low <= 1 <= result.scatter.high,
            result.loss.low <= 0.9 <= result.loss.high,
        ]
    return held


@pytest.mark.long
def test_intervals_hold_the_truth() -> None:
    # 95 % of 200 is 190, sd 3
    held = intervals_with_the_truth(200)
    assert (held >= 180).all()
    assert (held < 200).all()


def test_intervals_of_some_replacements_hold_the_truth() -> None:
    # 95 % of 25 is 23.75, sd 1.1
    assert (intervals_with_the_truth(25) >= 21).all()


@pytest.mark.parametrize(
    ("before", "after", "days", "words"),
    [
        (30, 3, 2, "Too few checks yet to tell (3 of 8)."),
        (4, 20, 2, "Too few checks on the old electrodes to compare with (4 of 8)."),
        (30, 3, 20, "As good as before: nothing got worse, nothing clearly better "
         "(checks: 3 of 8 yet)."),
    ],
)  # fmt: skip
def test_too_early_to_tell(before: int, after: int, days: int, words: str) -> None:
    result = compare(checks(before, after, sd=(3.0, 3.0)), stream_days(20, days, 1.0))
    assert result.sentence == words


def early(points: pd.DataFrame, *, life: int | None = 9000, raised: bool = False, failed: int = 0):
    days = stream_days(20, 20, 1.0)
    if raised:
        days.loc[days["day"] == pd.Timestamp("2026-02-20"), "alarm"] = "up"
    day = pd.date_range("2026-02-10", "2026-03-10")
    check_days = pd.DataFrame({"day": day, "failed_attempts": 0})
    check_days.loc[5, "failed_attempts"] = failed
    of_splicer = days_with_reason(days.assign(splicer="Heron"), check_days.assign(splicer="Heron"))
    reasons = of_splicer.get("Heron", np.zeros(0, dtype="datetime64[D]"))
    return replacement_findings("Heron", points, reasons, SERVICE, life, NOW)


def test_an_early_replacement_is_a_note() -> None:
    (found,) = early(checks(30, 10, sd=(3.0, 3.0)))
    assert found.kind == "electrodes-early"
    assert found.severity == "note"
    assert found.evidence["share_of_life"] == pytest.approx(3740 / 9000, abs=0.01)
    assert "after 3,740 of 9,000 arcs" in found.summary


def test_a_replacement_that_was_asked_for_or_in_time_is_none() -> None:
    points = checks(30, 10, sd=(3.0, 3.0))
    alarmed = points.copy()
    alarmed.loc[25, "alarm"] = True
    assert early(alarmed) == []
    assert early(points, raised=True) == []
    assert early(points, failed=1) == []
    assert early(points, life=7000) == []
    assert early(points, life=None) == []
    assert early(points.assign(arcs=np.nan)) == []


def test_a_late_replacement_is_told_as_late() -> None:
    points = checks(30, 10, sd=(3.0, 3.0))
    (found,) = early(points, life=3000)
    assert found.kind == "electrodes-late"
    assert found.evidence["share_of_life"] == pytest.approx(3740 / 3000, abs=0.01)
    assert "after 3,740 arcs, 740 past their life of 3,000" in found.summary
    assert early(points, life=3500) == []
    compared = compare_replacement(
        SERVICE["serviced_at"].iloc[-1], points, stream_days(20, 20, 1.0), SERVICE, None, 0.3, 3000
    )
    assert compared.sentence.startswith("The old pair was 740 arcs past its life of 3,000. ")


def test_the_latest_replacement() -> None:
    assert latest_replacement(SERVICE) == AT
    assert latest_replacement(SERVICE.iloc[:0]) is None
