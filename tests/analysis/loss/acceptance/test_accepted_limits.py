"""Loss over what the crew accepts, on average and of single splices."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import t as student

from arcdrift.analysis.common.days import workdays
from arcdrift.analysis.loss.acceptance.acceptance_findings import average_findings, single_findings
from arcdrift.analysis.loss.acceptance.accepted_limits import (
    accepted_days,
    recent_means,
    splices_at_places,
    splices_over_limit,
    splices_to_revisit,
    without_redone,
)
from arcdrift.analysis.loss.stream_days import production_splices
from arcdrift.finding import Finding
from arcdrift.settings import Crew
from tests.analysis.review.made_up_log import CREW, SERVICE, made_up_log
from tests.stream_days import stream_days

NOW = pd.Timestamp("2026-03-30T18:00Z")


def log(loss_db: float = 0.03, *, days: int = 30, seed: int = 1) -> pd.DataFrame:
    made = made_up_log(seed, people=1, days=days, a_day=20)
    place = [f"K{day}/{n}" for day, n in zip(made["number"], made["nth"], strict=True)]
    return made.assign(loss_db=(made["loss_db"] * loss_db / 0.03).round(2), location=place)


def with_rules(*rules: dict[str, object], **limits: float) -> Crew:
    return Crew.model_validate(
        {"name": "invented", "time_zone": "UTC", "acceptance": {**limits, "overrides": rules}}
    )


def days_of(made: pd.DataFrame, crew: Crew = CREW) -> pd.DataFrame:
    work = production_splices(made)
    day = workdays(work, crew, "spliced_at")
    return accepted_days(work, day, stream_days(work, SERVICE, crew), crew)


def over(made: pd.DataFrame, crew: Crew = CREW) -> pd.DataFrame:
    work = production_splices(made)
    found = splices_over_limit(work, workdays(work, crew, "spliced_at"), crew)
    return without_redone(splices_to_revisit(found, splices_at_places(work, found)))


def singles(made: pd.DataFrame, crew: Crew = CREW) -> list[Finding]:
    return single_findings(over(made, crew), NOW)


# -- the mean of recent workdays ---------------------------------------------------------------


def test_a_stream_surely_over_the_average_is_one_finding():
    (found,) = average_findings(days_of(log(0.17)), CREW, NOW)
    assert found.kind == "loss-over-limit"
    assert found.subject_id == "s0 / fixed"
    assert found.severity == "act"
    evidence = found.evidence
    assert (evidence["workdays_averaged"], evidence["splices"]) == (10, 200)
    assert evidence["average_limit_db"] == 0.10
    assert evidence["mean_low_db"] > 0.10
    assert "accepted are 0.100 dB" in found.summary
    assert found.since == pd.Timestamp("2026-03-05", tz="UTC")  # 5 days give the first interval


@pytest.mark.parametrize("loss_db", [0.03, 0.10])
def test_a_stream_that_may_lie_under_the_limit_is_not_accused(loss_db):
    days = recent_means(days_of(log(loss_db)))
    assert not average_findings(days_of(log(loss_db)), CREW, NOW)
    assert days["mean_db"].iloc[-1] == pytest.approx(loss_db, rel=0.15)


def test_the_interval_is_that_of_a_mean_of_days():
    """Days of equal size: the ratio estimator is the mean of day means, with its t interval."""
    made = log(0.08)
    last = recent_means(days_of(made)).iloc[-1]
    means = made[made["number"] >= 20].groupby("number")["loss_db"].mean()
    reach = student.ppf(0.975, 9) * means.std(ddof=1) / np.sqrt(10)
    assert last["mean_db"] == pytest.approx(means.mean())
    assert last["high_db"] - last["mean_db"] == pytest.approx(reach)


def test_the_interval_covers_as_often_as_it_says():
    rng = np.random.default_rng(9)
    streams, days = 400, 10
    n = rng.integers(5, 60, (streams, days))
    effect = np.exp(0.1 * rng.standard_normal((streams, days)) - 0.005)
    total = rng.gamma(1.2 * n, 0.05 / 1.2 * effect)
    frame = pd.DataFrame(
        {
            "splicer": np.repeat([f"s{i:03d}" for i in range(streams)], days), "program": "p",
            "segment": 0, "site": None, "n": n.ravel(), "total": total.ravel(),
            "day": np.tile(pd.date_range("2026-03-01", periods=days), streams),
            "allowed_db": 0.10,
        }
    )  # fmt: skip
    last = recent_means(frame).groupby("splicer").tail(1)
    covered = (last["low_db"] <= 0.05) & (0.05 <= last["high_db"])
    assert covered.mean() == pytest.approx(0.95, abs=0.03)


def test_under_five_days_nothing_is_said_and_other_segments_do_not_count():
    assert not average_findings(days_of(log(0.3, days=4)), CREW, NOW)
    days = days_of(log(0.13, days=12))
    days["segment"] = np.arange(12) // 4
    means = recent_means(days)
    assert means["window_days"].max() == 4
    assert not means["over"].any()


def test_an_old_run_is_a_note():
    (found,) = average_findings(days_of(log(0.17, days=8)), CREW, NOW + pd.Timedelta(days=40))
    assert found.severity == "note"


# -- limits by program and fibers --------------------------------------------------------------


def test_the_most_particular_rule_counts_in_either_order_of_the_fibers():
    made = log()
    made.loc[made["nth"] < 5, ["fiber_a", "fiber_b"]] = ["A", "B"]
    made.loc[made["nth"] >= 15, ["fiber_a", "fiber_b"]] = ["B", "A"]
    crew = with_rules(
        {"program": "fixed", "fibers": ["A", "B"], "average_db": 0.30},
        {"fibers": ["B", "A"], "average_db": 0.25, "single_db": 0.9},
        {"program": "fixed", "average_db": 0.05},
    )
    # 10 of 20 splices a day at 0.30 dB, 10 at 0.05 dB
    assert days_of(made, crew)["allowed_db"].to_numpy() == pytest.approx(0.175)
    made.loc[made["nth"].isin([0, 10]) & (made["number"] == 3), "loss_db"] = 0.8
    rows = over(made, crew)
    assert list(rows["limit_db"]) == [0.30]
    assert list(rows["location"]) == ["K3/10"]


def test_fibers_that_may_lose_more_excuse_a_mixed_stream():
    made = log(0.13)
    assert average_findings(days_of(made), CREW, NOW)
    crew = with_rules({"fibers": ["A", "A"], "average_db": 0.2})
    assert not average_findings(days_of(made, crew), crew, NOW)


@pytest.mark.parametrize(
    ("rule", "words"),
    [
        ({"average_db": 0.2}, "name the program or the fibers"),
        ({"program": "x"}, "give average_db, single_db or both"),
        ({"program": "x", "single_db": 0}, "greater than 0"),
    ],
)
def test_a_rule_that_says_nothing_is_refused(rule, words):
    with pytest.raises(ValueError, match=words):
        with_rules(rule)


# -- single splices ----------------------------------------------------------------------------


def planted(*where: tuple[int, int], loss: float = 0.5) -> pd.DataFrame:
    made = log()
    for number, nth in where:
        made.loc[(made["number"] == number) & (made["nth"] == nth), "loss_db"] = loss
    return made


def test_splices_left_over_the_limit_are_one_finding_with_their_places():
    (found,) = singles(planted((3, 4), (5, 1), (29, 2)))
    assert found.evidence["splices"] == 3
    assert found.evidence["latest_locations"] == ["K3/4", "K5/1", "K29/2"]
    assert (found.evidence["first_over"], found.evidence["last_over"]) == (
        "2026-03-04", "2026-03-30",
    )  # fmt: skip
    assert found.severity == "watch"
    assert found.summary == (
        "s0, fixed: 3 splices over 0.30 dB from 2026-03-04 to 2026-03-30; no later splice of this "
        "splicer is logged at their place."
    )


def test_at_most_ten_places_are_listed():
    (found,) = singles(planted(*((day, 4) for day in range(15))))
    assert found.evidence["splices"] == 15
    assert found.evidence["latest_locations"] == [f"K{day}/4" for day in range(5, 15)]


def test_one_made_again_at_its_place_is_settled_and_the_last_one_there_counts():
    made = planted((3, 4), (3, 5))
    again = (made["number"] == 3) & (made["nth"] == 5)
    made.loc[again, ["loss_db", "location"]] = [0.02, "K3/4"]
    assert not singles(made)
    made.loc[again, "loss_db"] = 0.7
    (found,) = singles(made)
    assert (found.evidence["splices"], found.evidence["highest_db"]) == (1, 0.7)


def test_without_places_it_says_that_it_cannot_tell_and_goes_by_the_mark():
    made = planted((3, 4), (3, 8)).assign(location=None)
    made.loc[(made["number"] == 3) & (made["nth"] == 8), "outcome"] = "redo"
    (found,) = singles(made)
    assert found.evidence["splices"] == found.evidence["not_told_if_made_again"] == 1
    assert "latest_locations" not in found.evidence
    assert "whether it was made again at the same place is not clear from the log" in (
        found.summary
    )


def test_a_closure_is_not_the_place_of_one_splice():
    made = planted((3, 4))
    made["location"] = "K" + made["number"].astype(str)
    (found,) = singles(made)
    assert found.evidence["not_told_if_made_again"] == 1


def test_a_redo_with_no_later_splice_at_its_place_is_still_open():
    made = planted((3, 4))
    made.loc[(made["number"] == 3) & (made["nth"] == 4), "outcome"] = "redo"
    assert len(singles(made)) == 1


def test_a_loss_at_the_limit_is_accepted():
    assert not singles(planted((3, 4), loss=0.30))
    assert singles(planted((3, 4), loss=0.31))
