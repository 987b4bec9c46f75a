"""Each signature: one planted case that it finds, three harmless ones that it leaves alone."""

import numpy as np
import pytest

from arcdrift.analysis.people.signature_days import dirt, first_splices, learning, tiring
from arcdrift.analysis.people.signatures import (
    blade_worn,
    both_sides,
    cleave_run_signatures,
    one_side,
)
from tests.analysis.review.made_up_log import CREW, Summed, made_up_log, times

LEFT, RIGHT = "cleave_left_deg", "cleave_right_deg"
PREP = CREW.prep
LOOK = {
    "both-sides": lambda s: both_sides(
        s.effects("angle", "uneven"), s.cells, PREP, one_side(s.effects("uneven"), s.cells, PREP)
    ),
    "one-side": lambda s: one_side(s.effects("uneven"), s.cells, PREP),
    "cleave-run": lambda s: cleave_run_signatures(s.runs, s.cells),
    "blade-worn": lambda s: blade_worn(s.cells, s.effects("angle"), s.blades),
    "dirt": lambda s: dirt(s.cells, PREP),
    "first-splices": lambda s: first_splices(s.cells, PREP),
    "learning": lambda s: learning(s.cells, s.effects("loss", "angle"), PREP),
    "tiring": lambda s: tiring(s.cells, PREP),
}


def who(log, name="t2"):
    return log["technician"] == name


def dirty(log, rows, share, seed=9):
    picked = rows & (np.random.default_rng(seed).random(len(log)) < share)
    log.loc[picked, "loss_db"] = 0.4


def bad_cleaves(log, rows):
    log.loc[rows, LEFT] = 4.2


def overdue(log, rows):
    """The last position was never left: cleaves count on from day 8."""
    later = rows & (log["number"] >= 8)
    log.loc[later, "blade_position"] = "2"
    log.loc[later, "used"] = (log["number"] - 8) * 48 + 2 * log["nth"]


def newcomer(log, start=18):
    log.loc[who(log) & (log["number"] < start), "technician"] = None
    return np.maximum(log["number"] - start, 0)


# -- planted ---------------------------------------------------------------------------------


def plant_both(log):
    times(log, who(log), 1.5, LEFT, RIGHT)


def plant_one_side(log):
    times(log, log["splicer"] == "s3", 1.6, RIGHT)


def plant_run(log):
    bad_cleaves(log, who(log) & (log["number"] == 11) & log["nth"].between(4, 8))


def plant_blade(log):
    rows = log["cleaver"] == "c1"
    overdue(log, rows)
    times(log, rows, np.exp(0.5 * log.loc[rows, "used"] / 1000), LEFT, RIGHT)


def plant_dirt(log):
    dirty(log, log["number"] >= 0, 0.01, 4)
    dirty(log, who(log), 0.06)


def plant_first(log):
    times(log, who(log) & (log["nth"] < 5), 1.9, "loss_db")


def plant_learning(log):
    served = newcomer(log)
    times(log, who(log), 1 + 1.2 * np.exp(-served[who(log)] / 4), "loss_db")


def plant_tiring(log):
    times(log, who(log), 1 + 0.3 * log.loc[who(log), "hour"], "loss_db")


PLANTED = {
    "both-sides": (plant_both, "t2"), "one-side": (plant_one_side, "s3"),
    "cleave-run": (plant_run, "t2"), "blade-worn": (plant_blade, "c1"),
    "dirt": (plant_dirt, "t2"), "first-splices": (plant_first, "t2"),
    "learning": (plant_learning, "t2"), "tiring": (plant_tiring, "t2"),
}  # fmt: skip


@pytest.mark.parametrize("kind", PLANTED)
def test_a_planted_signature_is_found_and_tied_to_its_subject(kind):
    change, subject = PLANTED[kind]
    log = made_up_log(1)
    change(log)
    found = LOOK[kind](Summed(log))
    assert [one.subject for one in found] == [subject]
    one = found[0]
    assert one.kind == kind
    assert one.low <= one.estimate <= one.high
    assert one.splices > 0
    assert one.since <= one.until
    assert one.words.endswith(".")


# -- harmless --------------------------------------------------------------------------------


def nothing(log):
    pass


def a_dull_splicer(log):
    """Everybody's angles are high on one splicer."""
    times(log, log["splicer"] == "s1", 1.5, LEFT, RIGHT)


def one_side_of_a_person(log):
    times(log, who(log), 1.8, LEFT)


def everybody_high(log):
    times(log, log["number"] >= 0, 1.5, LEFT, RIGHT)


def both_sides_of_a_splicer(log):
    times(log, log["splicer"] == "s3", 1.6, LEFT, RIGHT)


def everybody_right(log):
    times(log, log["number"] >= 0, 1.3, RIGHT)


def bad_ones_apart(log):
    bad_cleaves(log, who(log) & (log["nth"] % 3 == 0))


def bad_ones_of_two(log):
    """Bad at the end of one day and the start of the next."""
    bad_cleaves(log, who(log) & (log["number"] == 11) & (log["nth"] >= 14))
    bad_cleaves(log, who(log) & (log["number"] == 12) & (log["nth"] < 2))


def used_long_but_sharp(log):
    overdue(log, log["cleaver"] == "c1")


def careless_on_a_fresh_blade(log):
    times(log, who(log), 1.7, LEFT, RIGHT)


def the_usual_wear(log):
    times(log, log["number"] >= 0, np.exp(0.25 * log["used"] / 1000), LEFT, RIGHT)


def dirty_splicer(log):
    dirty(log, log["number"] >= 0, 0.01, 4)
    dirty(log, log["splicer"] == "s4", 0.06)


def dirty_with_bad_cleaves(log):
    """High losses that the cleave explains."""
    dirty(log, log["number"] >= 0, 0.01, 4)
    rows = who(log) & (np.random.default_rng(5).random(len(log)) < 0.06)
    log.loc[rows, "loss_db"] = 0.4
    log.loc[rows, LEFT] = 4.0


def a_few_more_dirty(log):
    dirty(log, log["number"] >= 0, 0.02, 4)


def everybodys_first(log):
    """A cold arc in the morning hits all alike."""
    times(log, log["nth"] < 5, 1.9, "loss_db")


def one_bad_morning(log):
    times(log, who(log) & (log["nth"] < 5) & (log["number"] == 7), 4.0, "loss_db")


def always_high(log):
    times(log, who(log), 1.8, "loss_db", LEFT, RIGHT)


def old_hand_improves(log):
    served = log["number"]
    times(log, who(log), 1 + 1.2 * np.exp(-served[who(log)] / 4), "loss_db")


def newcomer_who_knows(log):
    newcomer(log)


def newcomer_given_better_splicers(log):
    """The first splicers a newcomer gets lose more, in everybody's hands."""
    newcomer(log)
    times(log, log["splicer"].isin(["s5", "s0"]), 2.0, "loss_db")


def everybody_tires(log):
    times(log, log["number"] >= 0, 1 + 0.3 * log["hour"], "loss_db")


def one_long_bad_day(log):
    rows = who(log) & (log["number"] == 9)
    times(log, rows, 1 + 0.5 * log.loc[rows, "hour"], "loss_db")


HARMLESS = {
    "both-sides": (a_dull_splicer, one_side_of_a_person, everybody_high),
    "one-side": (both_sides_of_a_splicer, everybody_right, plant_both),
    "cleave-run": (nothing, bad_ones_apart, bad_ones_of_two),
    "blade-worn": (used_long_but_sharp, careless_on_a_fresh_blade, the_usual_wear),
    "dirt": (dirty_splicer, dirty_with_bad_cleaves, a_few_more_dirty),
    "first-splices": (everybodys_first, one_bad_morning, always_high),
    "learning": (old_hand_improves, newcomer_who_knows, newcomer_given_better_splicers),
    "tiring": (everybody_tires, one_long_bad_day, always_high),
}


@pytest.mark.parametrize(
    ("kind", "change"),
    [
        pytest.param(kind, change, marks=[pytest.mark.long] if number else [])
        for kind, changes in HARMLESS.items()
        for number, change in enumerate(changes)
    ],
    ids=lambda value: getattr(value, "__name__", value),
)
def test_what_is_harmless_is_left_alone(kind, change):
    log = made_up_log(2)
    change(log)
    assert [one.subject for one in LOOK[kind](Summed(log))] == []
