"""Single splices far outside their stream, judged by earlier days of the same segment only."""

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.common.days import workdays
from arcdrift.analysis.loss.outlier_splices import STAGES, OutlierSplices, find_outlier_splices
from arcdrift.analysis.loss.stream_days import production_splices
from arcdrift.charts.gamma_limit import gamma_limits, histogram_bins
from arcdrift.settings import Crew
from arcdrift.simulate import invented_crew
from arcdrift.simulate.output.record_frames import simulate_frames
from tests.analysis.review.made_up_log import CREW, SERVICE, made_up_log


def one_splicer(days: int = 60, a_day: int = 40, seed: int = 1) -> pd.DataFrame:
    """A splicer with one program, without a single dirty splice, rounded as splicers round."""
    log = made_up_log(seed, people=1, days=days, a_day=a_day)
    start = pd.Timestamp("2026-03-01T08:00Z").as_unit("us")
    return log.assign(
        loss_db=log["loss_db"].round(2),
        location=[f"P{place}" for place in range(len(log))],
        spliced_at=start + pd.to_timedelta(1440 * log["number"] + 10 * log["nth"], unit="min"),
    )


def judged(log: pd.DataFrame, service: pd.DataFrame = SERVICE, crew: Crew = CREW) -> OutlierSplices:
    work = production_splices(log)
    return find_outlier_splices(work, workdays(work, crew, "spliced_at"), service)


def limit_of(log: pd.DataFrame) -> float:
    """The limit of all splices of a log at once."""
    bins = histogram_bins()
    steps = np.minimum(np.rint(log["loss_db"] / 0.01).astype(int), bins - 1)
    return float(gamma_limits(np.bincount(steps, minlength=bins)).limit[0])


def test_a_planted_splice_is_named_with_its_limit_and_its_place():
    log = one_splicer()
    at = log.index[(log["number"] == 50) & (log["nth"] == 7)][0]
    log.loc[at, ["loss_db", "location"]] = [0.85, "K7/2/11"]
    row = judged(log).outliers.set_index("splice_id").loc[log["id"][at]]
    assert (row["loss_db"], row["location"]) == (0.85, "K7/2/11")
    assert (row["splicer"], row["program"]) == ("s0", "fixed")
    assert row["technician"] == log["technician"][at]
    assert row["day"] == log["spliced_at"][at].tz_localize(None).normalize()
    # learned from the days at whose end there first were 1,000 splices: 25 of 40
    assert row["limit_db"] == pytest.approx(limit_of(log[log["number"] < 25]))


def test_limits_are_learned_at_each_stage_from_earlier_days_only():
    log = one_splicer()
    log["loss_db"] = np.where(log["nth"] == 0, 0.9, log["loss_db"])  # one far out each day
    found = judged(log).outliers.set_index("day")["limit_db"]
    start = pd.Timestamp("2026-03-01")
    known = {n: limit_of(log[log["number"] < np.ceil(n / 40)]) for n in STAGES}
    assert start + pd.Timedelta(days=2) not in found.index  # 80 splices before it
    for day, n in ((3, 100), (7, 100), (8, 300), (24, 300), (25, 1000), (59, 1000)):
        assert found[start + pd.Timedelta(days=day)].max() == pytest.approx(known[n]), day


def test_no_answer_changes_when_the_future_does():
    log = one_splicer(seed=4)
    log.loc[log.index % 97 == 0, "loss_db"] = 0.6
    cut = log[log["number"] < 30]
    whole, early = judged(log).outliers, judged(cut).outliers
    assert len(early) > 5
    pd.testing.assert_frame_equal(
        whole[whole["day"] < pd.Timestamp("2026-03-31")].reset_index(drop=True), early
    )


def test_after_new_electrodes_the_earlier_limit_judges_until_there_is_a_new_one():
    log = one_splicer()
    service = pd.DataFrame(
        {
            "asset": ["s0"], "action": ["electrodes replaced"],
            "serviced_at": pd.to_datetime(["2026-04-28T03:00Z"]).as_unit("us"),
        }
    )  # fmt: skip
    log.loc[log["number"] == 59, "loss_db"] = 0.9
    judgment = judged(log, service)
    assert (judgment.outliers["day"] == pd.Timestamp("2026-04-29")).sum() == 40
    (limits,) = judgment.limits.to_dict("records")
    (before,) = judged(log[log["number"] < 58]).limits.to_dict("records")
    assert limits["limit_db"] == before["limit_db"]
    assert limits["refusal"] is None
    assert limits["splices"] == 80


def test_the_limit_in_force_says_what_it_was_learned_from():
    (limits,) = judged(one_splicer()).limits.to_dict("records")
    assert (limits["splices"], limits["last_day"]) == (1000, pd.Timestamp("2026-03-25"))
    assert limits["judged"] == 57 * 40
    assert pd.isna(limits["refusal"])
    # gamma of shape 1.2 and mean 0.03: 1e-4 lie above 0.2444 (scipy.stats.gamma.isf)
    assert limits["limit_db"] == pytest.approx(0.2444, rel=0.12)


def test_programs_and_practice_are_kept_apart():
    log = one_splicer()
    log["program"] = np.where(log["nth"] % 2, "b", None)
    log.loc[log["nth"] == 1, "purpose"] = "practice"
    log.loc[(log["nth"] == 1) & (log["number"] > 30), "loss_db"] = 0.9
    judgment = judged(log)
    assert list(judgment.limits["program"]) == ["(program not logged)", "b"]
    assert not (judgment.outliers["loss_db"] == 0.9).any()


def test_nothing_comes_of_nothing():
    judgment = judged(one_splicer().iloc[:0])
    assert judgment.outliers.empty
    assert judgment.limits.empty


def test_a_stream_under_a_hundred_splices_is_refused_in_words():
    (limits,) = judged(one_splicer(days=2)).limits.to_dict("records")
    assert np.isnan(limits["limit_db"])
    assert limits["refusal"] == "Only 80 so far; a limit needs 100."
    assert (limits["judged"], limits["exceptions"]) == (0, 0)


def test_most_of_what_is_far_out_in_a_simulated_crew_is_named():
    """Simulated: gamma losses, one in a hundred replaced by 0.2 to 1 dB, log-uniform."""
    made = simulate_frames(invented_crew(splicers=1, days=120, seed=6))
    work = production_splices(made["splices"])
    day = workdays(work, made.crew, "spliced_at")
    judgment = find_outlier_splices(work, day, made["service"])
    assert judgment.limits["judged"].sum() > 3000
    named = work["id"].isin(judgment.outliers["splice_id"])
    early = day < day.min() + pd.Timedelta(days=30)
    far = (work["loss_db"] > 0.35) & ~early
    assert far.sum() > 15
    assert named[far].mean() > 0.85
    assert 0.002 < named[~early].mean() < 0.02


def test_losses_below_a_limit_are_learned_from_as_such():
    log = one_splicer(days=20)
    first = log[log["number"] < np.ceil(100 / 40)]
    log["loss_below_db"] = np.where(log["loss_db"] < 0.02, 0.02, np.nan)
    log["loss_db"] = log["loss_db"].mask(log["loss_below_db"].notna(), 0.01)
    log.loc[log["number"] == 4, "loss_db"] = 0.9
    bins = histogram_bins()
    known = first["loss_db"][first["loss_db"] >= 0.02]
    steps = np.minimum(np.rint(known / 0.01).astype(int), bins - 1)
    wanted = gamma_limits(
        np.bincount(steps, minlength=bins),
        below=[0.02],
        below_counts=[[len(first) - len(known)]],
    )
    found = judged(log).outliers
    assert found["limit_db"][found["day"] == found["day"].min()].iloc[0] == pytest.approx(
        float(wanted.limit[0])
    )
