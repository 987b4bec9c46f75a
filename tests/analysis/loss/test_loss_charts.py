"""Charts of loss rolled up, their budget, and which alarms are one finding."""

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.causes.alarm_attribution import attribute_alarms
from arcdrift.analysis.causes.loss_findings import loss_findings
from arcdrift.analysis.loss.alarm_episodes import alarm_episodes
from arcdrift.analysis.loss.baseline import apply_baseline_marks
from arcdrift.analysis.loss.loss_charts import (
    ALARM_COLUMNS,
    SPREAD_EXCESS,
    SUBJECT_DAY_COLUMNS,
    chart_all,
)
from arcdrift.analysis.loss.proportion_charts import chart_proportions
from arcdrift.analysis.loss.rollup import (
    cell_spread,
    roll_up_days,
    roll_up_spread,
    stream_spread_days,
    stream_technician_cells,
)
from arcdrift.charts.limits import ewma_limit
from arcdrift.shares import Shares
from tests.analysis.loss.loss_truth import START, Made, chart_losses, shift_cells

SHARES = Shares()


def charts_of(made: Made, budget: float = 2.0):
    days, hands = made.frames()
    return chart_all(days, hands, budget, SHARES)


def rising_groups(made, charts=None, measure="level"):
    days, hands = made if isinstance(made, tuple) else made.frames()
    charts = chart_all(days, hands, 2.0, SHARES) if charts is None else charts
    return [
        group
        for group in attribute_alarms(charts, shift_cells(hands, charts))
        if group.main.measure == measure and group.main.side == "up"
    ]


def test_a_rolled_up_day_is_the_weighted_mean_of_what_its_streams_lost_over_expectation():
    days, hands = Made(1, days=12).frames()
    charted = chart_losses(days, 1.0, None, common_effect=True).days
    rolled = roll_up_days(stream_technician_cells(hands), charted)
    day = START + pd.Timedelta(days=10)
    subset = charted[(charted["splicer"] == "S2") & (charted["day"] == day)]
    by_hand = (subset["capped"] / subset["expected_db"]).sum() / subset["n"].sum()
    row = rolled[
        (rolled["subject_type"] == "splicer") & (rolled["subject_id"] == "S2")
        & (rolled["day"] == day)
    ].iloc[0]  # fmt: skip
    assert row["capped"] / row["n"] == pytest.approx(by_hand)
    assert set(rolled["subject_type"]) == {"splicer", "technician", "site", "crew"}
    # no cell is lost, and none counted twice
    judged = charted.dropna(subset=["expected_db"])
    for _, subset in rolled.groupby("subject_type"):
        assert subset["n"].sum() == judged["n"].sum()


def test_the_spread_of_a_day_is_the_variance_over_the_squared_mean():
    rng = np.random.default_rng(2)
    losses = rng.gamma(2.0, 0.02, 30)
    days = pd.DataFrame(
        {"splicer": "S", "program": "a", "segment": 0, "day": [START], "site": "Harbor", "n": 30,
         "capped": losses.sum(), "capped_squares": (losses**2).sum()}
    )  # fmt: skip
    row = stream_spread_days(days).iloc[0]
    assert row["capped"] / row["n"] == pytest.approx(losses.var(ddof=1) / losses.mean() ** 2)


@pytest.mark.long
def test_healthy_crews_keep_all_charts_within_the_budget():
    # 5 crews of 20 streams over 130 days: 5 x 130/22 months x 2 alarms x 0.75 (the arc has its
    # own quarter) = 44 allowed; 1.25 times that plus two standard errors of a count is 70.
    alarms = pd.concat([charts_of(Made(seed, days=130)).alarms for seed in range(100, 105)])
    assert 12 < len(alarms) < 70
    # charts of spread have a twentieth of it, 3 alarms; 1.25 times that plus two standard errors
    assert (alarms["measure"] == "spread").sum() < 8


def test_streams_and_subjects_share_one_run_length_of_spread():
    charts = charts_of(Made(15, days=20))
    # 20 streams, 10 splicers, 10 people, 2 sites and the crew, 22 days a month
    run_length = 43 * 22 / (2.0 * SHARES.scattered)
    limit = ewma_limit(0.2, float(f"{SPREAD_EXCESS * run_length:.3g}"), sided="one")
    for days in (charts.spread, charts.rolled_spread):
        # no limit is widened before a month is over
        drawn = days["limit_up"].dropna()
        assert len(drawn) > 100
        assert drawn.to_numpy() == pytest.approx(limit * np.sqrt(0.2 / 1.8))


@pytest.mark.parametrize(
    ("column", "value", "subject"),
    [
        pytest.param("splicer", "S3", ("splicer", "S3"), marks=pytest.mark.long),
        ("technician", "T5", ("technician", "T5")),
        pytest.param("site", "Harbor", ("site", "Harbor"), marks=pytest.mark.long),
        pytest.param("crew", "crew", ("crew", "crew"), marks=pytest.mark.long),
    ],
)
def test_alarms_of_one_cause_are_one_finding_with_the_right_subject(column, value, subject):
    made = Made(7, raised=((column, value, 50, 1.7),))
    since = START + pd.Timedelta(days=48)
    found = [group for group in rising_groups(made) if group.main.onset >= since]
    subset = [group for group in found if group.main.subject == subject]
    assert subset
    first = min(subset, key=lambda group: group.main.first)
    assert first.main.first <= START + pd.Timedelta(days=60)
    assert abs((first.main.onset - START).days - 50) <= 4
    assert len(found) <= 3


def test_a_rise_of_one_program_on_one_splicer_is_that_stream():
    days, hands = Made(8).frames()
    subset = (days["splicer"] == "S6") & (days["program"] == "b")
    late = days["day"] >= START + pd.Timedelta(days=50)
    for frame, extra in ((days, ["total", "capped", "capped_squares"]), (hands, ["capped"])):
        rows = (frame["splicer"] == "S6") & (frame["program"] == "b")
        rows &= frame["day"] >= START + pd.Timedelta(days=50)
        frame.loc[rows, extra] *= 1.8
    assert (subset & late).sum() == 40
    found = [
        group for group in rising_groups((days, hands))
        if group.main.onset >= START + pd.Timedelta(days=48)
    ]  # fmt: skip
    assert ("stream", "S6 / b") in [group.main.subject for group in found]
    assert ("splicer", "S6") not in [group.main.subject for group in found]


def test_more_dirt_is_told_of_the_one_splicer_that_has_it():
    charts = charts_of(Made(9, dirtier=(("splicer", "S1", 45, 5.0),)))
    rates = charts.rates["dirty"]
    hit = rates[rates["alarm"] & (rates["day"] >= START + pd.Timedelta(days=45))]
    assert "S1" in set(hit.loc[hit["subject_type"] == "splicer", "subject_id"])
    machines = hit[hit["subject_type"].isin(["stream", "splicer"])]
    assert (machines["subject_id"].str.split(" / ").str[0] == "S1").mean() > 0.6
    first = hit[hit["subject_id"] == "S1"].iloc[0]
    assert abs((first["onset_day"] - START).days - 45) <= 7


def test_a_person_who_moves_to_a_dirtier_splicer_has_not_got_worse():
    # a quarter of the splicers is dirty from the first day; people move on every week
    dirty = tuple(("splicer", f"S{i}", 0, 6.0) for i in range(0, 10, 4))
    _, hands = Made(10, days=150, dirtier=dirty).frames()
    rates = chart_proportions(stream_technician_cells(hands), "dirty", 0.12)
    people = rates[rates["subject_type"] == "technician"]
    assert people["alarm"].sum() <= 1


def test_scattered_losses_are_found_though_the_mean_stays():
    charts = charts_of(Made(11, a_day=40, scattered=(("splicer", "S2", 50, 0.4),)))
    hit = charts.spread[(charts.spread["alarm"] == "up")]
    assert "S2" in set(hit.loc[hit["day"] >= START + pd.Timedelta(days=50), "splicer"])


def test_a_rolled_up_spread_is_that_of_its_cells_over_what_their_streams_usually_have():
    days, hands = Made(16, days=12).frames()
    spread = chart_losses(stream_spread_days(days), 1.0, None).days
    cells = stream_technician_cells(hands)
    rolled = roll_up_spread(cell_spread(cells), spread)
    day = START + pd.Timedelta(days=10)
    subset = cells[(cells["technician"] == "T4") & (cells["day"] == day)]
    usual = spread.set_index(["splicer", "program", "day"])["expected_db"]
    total = 0.0
    for cell in subset.to_dict("records"):
        mean = cell["capped"] / cell["n"]
        squares = cell["capped_squares"] - cell["n"] * mean**2
        expected = usual[(cell["splicer"], cell["program"], day)]
        total += cell["n"] * squares / (cell["n"] - 1) / mean**2 / expected
    row = rolled[(rolled["subject_id"] == "T4") & (rolled["day"] == day)].iloc[0]
    assert len(subset) == 2
    assert row["capped"] / row["n"] == pytest.approx(total / subset["n"].sum())
    for _, theirs in rolled.groupby("subject_type"):
        assert theirs["n"].sum() == spread.dropna(subset=["expected_db"])["n"].sum()


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        (("technician", "T5", 50, 0.4), "T5, whichever splicer: losses of a day scatter "),
        pytest.param(
            ("crew", "crew", 50, 0.7),
            "The whole crew: losses of a day scatter ",
            marks=pytest.mark.long,
        ),
    ],
)
def test_scatter_of_a_person_or_the_crew_is_one_finding_before_any_stream_shows_it(fault, words):
    # everybody is on another splicer every day, so that no stream sees much of one person
    made = Made(24, a_day=20, stay=1, scattered=(fault,))
    charts = charts_of(made)
    since = START + pd.Timedelta(days=50)
    alarms = charts.alarms
    alarms = alarms[(alarms["measure"] == "spread") & (alarms["day"] >= since)]
    first = alarms.groupby("subject_type")["day"].min()
    assert first[fault[0]] <= START + pd.Timedelta(days=57)
    assert first[fault[0]] < first.get("stream", pd.Timestamp.max)
    found = [group for group in rising_groups(made, charts, "spread") if group.main.last >= since]
    main = min(found, key=lambda group: group.main.first)
    assert main.main.subject == fault[:2]
    assert abs((main.main.onset - START).days - 50) <= 3
    assert len(found) <= 2
    finding = loss_findings(
        [main], lambda *_: (), lambda _, day: day.tz_localize("UTC"), since.tz_localize("UTC")
    )[0]
    assert finding.summary.startswith(words)
    assert "times as far as the same splicers' and programs' did" in finding.summary
    assert finding.evidence["scatter_against_expected"] > 1.0


def test_days_left_out_are_neither_judged_nor_learned():
    days, hands = Made(12, raised=(("splicer", "S5", 30, 3.0),), days=60).frames()
    marks = pd.DataFrame(
        [{"action": "exclude", "splicer": "S5", "program": None,
          "first_day": (START + pd.Timedelta(days=30)).date().isoformat(),
          "last_day": (START + pd.Timedelta(days=59)).date().isoformat()}]
    )  # fmt: skip
    charts = chart_all(apply_baseline_marks(days, marks), hands, 2.0, SHARES)
    out = charts.streams.days[charts.streams.days["excluded"]]
    assert len(out) == 60
    assert out["z"].isna().all()
    assert (out["alarm"] == "").all()
    assert charts.spread.loc[charts.spread["excluded"], "z"].isna().all()
    groups = attribute_alarms(charts, shift_cells(hands, charts))
    assert not [group for group in groups if "S5" in group.main.subject_id]
    cells = charts.cells
    assert cells.loc[cells["splicer"] == "S5", "day"].max() == START + pd.Timedelta(days=29)


def test_a_frozen_baseline_stays_where_it_was():
    days, _ = Made(13, raised=(("splicer", "S5", 45, 1.15),), days=120).frames()
    marks = pd.DataFrame(
        [{"action": "freeze", "splicer": "S5", "program": None, "last_day": None,
          "first_day": (START + pd.Timedelta(days=45)).date().isoformat()}]
    )  # fmt: skip
    frozen = chart_losses(apply_baseline_marks(days, marks), 1.0, None).days
    moving = chart_losses(days, 1.0, None).days

    def last(charted):
        subset = charted[(charted["splicer"] == "S5") & (charted["program"] == "a")]
        return subset["expected_db"].iloc[-1]

    before = frozen[(frozen["splicer"] == "S5") & (frozen["program"] == "a")]
    at_freeze = before.loc[before["day"] == START + pd.Timedelta(days=58), "expected_db"].iloc[0]
    assert last(frozen) == pytest.approx(at_freeze, rel=1e-9)
    assert last(moving) > last(frozen)


def test_rows_for_the_store_are_whole_and_one_a_subject_and_day():
    charts = charts_of(Made(14, days=40))
    rows = charts.subject_days
    assert list(rows.columns) == SUBJECT_DAY_COLUMNS
    assert not rows.duplicated(["measure", "subject_type", "subject_id", "day"]).any()
    assert list(charts.alarms.columns) == ALARM_COLUMNS
    empty = chart_all(*(frame.iloc[:0] for frame in Made(14, days=1).frames()), 2.0, SHARES)
    assert empty.alarms.empty
    assert empty.subject_days.empty
    assert not alarm_episodes(empty)
