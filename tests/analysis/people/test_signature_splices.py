"""The splices behind each signature: exactly those planted, or those that pull a mean most."""

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.loss.technician_days import dirty_above
from arcdrift.analysis.people.signature_days import dirt, first_splices, tiring
from arcdrift.analysis.people.signature_splices import LEFT, LOSS, RIGHT, RULES, signature_splices
from arcdrift.analysis.people.signatures import KINDS, cleave_run_signatures
from tests.analysis.people.test_signatures import (
    bad_cleaves,
    dirty,
    plant_both,
    plant_dirt,
    plant_first,
    plant_learning,
    plant_run,
    plant_tiring,
    who,
)
from tests.analysis.review.made_up_log import CREW, Summed, made_up_log, times

CAP, USUAL = 0.105, 0.03
MACHINES = pd.DataFrame({"who": [], "name": [], "measure": [], "effect": []})
SPLICERS = [f"s{i}" for i in range(6)]


def stream_days(cap: float = CAP) -> pd.DataFrame:
    day = pd.date_range("2026-03-01", periods=40).strftime("%Y-%m-%d")
    days = pd.MultiIndex.from_product([SPLICERS, day], names=["splicer", "day"])
    return days.to_frame(index=False).assign(
        program="fixed", splices=16, capped=16 * USUAL, cap=cap
    )


RISES = pd.DataFrame(
    {"subject_type": [], "subject": [], "since": [], "until": [], "ended": []}
)  # fmt: skip


def behind(kind, unit, log, machines=MACHINES, days=None, rises=RISES):
    mine = log[log["technician"] == "t2"].assign(location="tray", loss_below_db=np.nan)
    return signature_splices(
        kind, unit, mine, stream_days() if days is None else days, machines, rises, CREW
    )


def planted(change):
    log = made_up_log(1)
    change(log)
    return log


def ids(log, rows):
    return set(log.loc[who(log) & rows, "id"])


def test_every_kind_that_is_a_persons_has_its_splices():
    assert set(RULES) == set(KINDS) - {"blade-worn"}  # that one is of cleavers
    for kind in RULES:
        none = behind(kind, "loss", made_up_log(1).iloc[:0])
        assert none.rows.empty
        assert none.words.endswith(".")


def test_a_run_is_all_of_its_splices_newest_first_and_no_lone_bad_cleave():
    def change(log):
        plant_run(log)
        bad_cleaves(log, who(log) & (log["number"] == 20) & (log["nth"] == 3))
        log.loc[who(log) & (log["number"] == 11) & (log["nth"] == 8), RIGHT] = 3.4

    log = planted(change)
    told = behind("cleave-run", "runs per 1,000 splices", log)
    assert set(told.rows["id"]) == ids(log, (log["number"] == 11) & log["nth"].between(4, 8))
    assert told.rows["spliced_at"].is_monotonic_decreasing
    assert told.rows["matters"].tolist() == [f"{LEFT},{RIGHT}", *[LEFT] * 4]
    assert set(told.rows["size"]) == {5}
    assert cleave_run_signatures(Summed(log).runs, Summed(log).cells)[0].splices == len(told.rows)


def test_two_splicers_in_turn_make_no_run_together():
    def change(log):
        rows = who(log) & (log["number"] == 11) & log["nth"].between(4, 8)
        bad_cleaves(log, rows)
        log.loc[rows & (log["nth"] % 2 == 1), "splicer"] = "s5"

    # 4, 6 and 8 on one splicer and 5 and 7 on the other
    log = planted(change)
    told = behind("cleave-run", "runs per 1,000 splices", log)
    assert set(told.rows["id"]) == ids(log, (log["number"] == 11) & log["nth"].isin([4, 6, 8]))


def test_dirt_is_every_high_loss_with_good_angles_and_no_other():
    def change(log):
        plant_dirt(log)
        rows = who(log) & (log["nth"] == 0) & (log["number"] < 3)
        log.loc[rows, LOSS] = 0.9
        log.loc[rows, RIGHT] = 3.5  # the cleave explains these

    log = planted(change)
    told = behind("dirt", "times the dirty splices expected", log)
    # 6 x the usual 0.03 dB
    assert np.allclose(dirty_above(np.array([CAP])), 0.18)
    good = (log[LEFT] <= 3) & (log[RIGHT] <= 3)
    assert set(told.rows["id"]) == ids(log, (log[LOSS] > 0.18) & good)
    assert told.rows["spliced_at"].is_monotonic_decreasing
    assert set(told.rows["matters"]) == {LOSS}
    cells = Summed(log).cells
    assert len(told.rows) == cells.loc[cells["technician"] == "t2", "dirty_good"].sum()
    assert dirt(cells, CREW.prep)[0].subject == "t2"


def test_what_is_dirty_goes_by_the_streams_own_cap():
    log = planted(lambda log: dirty(log, who(log), 0.05))
    worn = stream_days().assign(cap=lambda d: np.where(d["splicer"] == "s2", 0.3, CAP))
    told = behind("dirt", "", log, days=worn)  # 6/3.5 of 0.3 dB is over 0.4 dB
    assert len(told.rows) > 0
    assert "s2" not in set(told.rows["splicer"])
    assert "s2" in set(behind("dirt", "", log).rows["splicer"])


@pytest.mark.parametrize(("factor", "highest"), [(0.0, "s4"), (3.0, "other")])
def test_angles_on_both_sides_come_highest_first_apart_from_the_splicer(factor, highest):
    def change(log):
        plant_both(log)
        times(log, who(log) & (log["splicer"] == "s4"), 4.0, LEFT, RIGHT)

    log = planted(change)
    # a splicer known to give four times the angle is not held against the hand
    known = pd.DataFrame({"who": ["splicer"], "name": ["s4"], "measure": ["angle"],
                          "effect": [factor]})  # fmt: skip
    told = behind("both-sides", "angle against the crew", log, known)
    assert len(told.rows) == who(log).sum()
    first = told.rows.head(12)
    if highest == "s4":
        assert set(first["splicer"]) == {"s4"}
        mean = np.sqrt(told.rows[LEFT] * told.rows[RIGHT])
        assert np.allclose(told.rows["size"], mean)
        assert told.rows["size"].is_monotonic_decreasing
    else:
        assert (first["splicer"] != "s4").any()


@pytest.mark.parametrize(("side", "column"), [("left", LEFT), ("right", RIGHT)])
def test_one_side_comes_by_its_ratio_to_the_other(side, column):
    log = planted(lambda log: times(log, who(log), 1.8, column))
    told = behind("one-side", f"{side} against the other side", log)
    other = RIGHT if column == LEFT else LEFT
    assert np.allclose(told.rows["size"], told.rows[column] / told.rows[other])
    assert told.rows["size"].is_monotonic_decreasing
    assert set(told.rows["matters"]) == {column}
    assert told.size_name.startswith(side)


@pytest.mark.parametrize(("column", "unit"), [(LOSS, "loss"), (LEFT, "cleave angle")])
def test_the_first_splices_of_each_day_are_five_the_worst_first(column, unit):
    def change(log):
        if column == LOSS:
            plant_first(log)
        else:
            times(log, who(log) & (log["nth"] < 5), 1.5, LEFT, RIGHT)
        log.loc[who(log) & (log["number"] == 7) & (log["nth"] == 2), column] = 9.0

    log = planted(change)
    told = behind("first-splices", f"{unit}, first splices of a day against later ones", log)
    assert set(told.rows["id"]) == ids(log, log["nth"] < 5)
    assert set(told.rows["size"]) == {1, 2, 3, 4, 5}
    assert told.rows[column].iloc[0] == 9.0
    assert column in told.rows["matters"].iloc[0].split(",")
    found = first_splices(Summed(log).cells, CREW.prep)
    assert [one.unit for one in found] == [f"{unit}, first splices of a day against later ones"]


def test_tiring_starts_with_high_losses_late_in_the_day():
    log = planted(plant_tiring)
    told = behind("tiring", "loss, an hour", log)
    assert len(told.rows) == tiring(Summed(log).cells, CREW.prep)[0].splices
    middle = log["hour"].mean()
    assert (told.rows["size"].head(12) > middle).all()
    assert told.rows[LOSS].head(12).mean() > 2 * told.rows[LOSS].mean()
    late = told.rows["size"] > middle
    assert late.is_monotonic_decreasing  # the late half before the early one


def test_learning_starts_with_high_losses_of_the_first_days():
    log = planted(plant_learning)
    told = behind("learning", "fall of loss since the first day", log)
    assert len(told.rows) == who(log).sum()
    assert (told.rows["size"].head(12) <= 7).all()
    assert told.rows["size"].min() == 1
    assert told.rows[LOSS].head(12).mean() > told.rows[LOSS].mean()


def test_practice_and_missing_figures_are_in_none():
    def change(log):
        plant_both(log)
        log.loc[log["nth"] == 1, "purpose"] = "practice"
        log.loc[log["nth"] == 2, LEFT] = np.nan

    log = planted(change)
    for kind, unit in (("both-sides", ""), ("one-side", "right"), ("first-splices", "cleave angle"),
                       ("tiring", "cleave angle"), ("learning", "cleave angle")):  # fmt: skip
        told = behind(kind, unit, log).rows
        assert len(told) > 0, kind
        assert set(told["id"]).isdisjoint(ids(log, log["nth"].isin([1, 2]))), kind
        assert np.isfinite(told["size"]).all(), kind


def test_splices_made_with_a_dull_blade_prove_nothing_about_a_hand():
    log = planted(plant_both)
    at = log["spliced_at"]
    since, until = at.min() + pd.Timedelta(days=10), at.min() + pd.Timedelta(days=20)
    rises = pd.DataFrame(
        {"subject_type": ["cleaver"], "subject": ["c4"], "since": [since], "until": [until],
         "ended": [True]}
    )  # fmt: skip
    dull = who(log) & (log["cleaver"] == "c4") & at.between(since, until)
    assert dull.sum() > 20
    shown = behind("both-sides", "angle against the crew", log, rises=rises)
    assert set(shown.rows["id"]) == set(log.loc[who(log) & ~dull, "id"])
    still = behind("both-sides", "angle against the crew", log, rises=rises.assign(ended=False))
    gone = who(log) & (log["cleaver"] == "c4") & (at >= since)
    assert set(still.rows["id"]) == set(log.loc[who(log) & ~gone, "id"])
    # losses with good cleaves are not about angles
    log = planted(plant_dirt)
    plain, judged = (behind("dirt", "times", log, rises=r).rows for r in (RISES, rises))
    assert plain["id"].tolist() == judged["id"].tolist()
