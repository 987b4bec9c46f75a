"""Everybody against the median colleague on the same splicer and cleaver: known truths."""

import numpy as np
import pandas as pd

from arcdrift.analysis.people.hands_by_machine import hands_by_machine
from tests.analysis.people.made_up_hands import made_up_cells


def truth_of(people: dict[str, float], present: list[str], name: str) -> float:
    return people[name] - float(np.median([people[other] for other in present if other != name]))


def test_intervals_hold_the_truth_on_every_machine():
    inside = []
    for seed in range(4):
        cells, people, _ = made_up_cells(seed)
        table = hands_by_machine(cells)
        angle = table[(table["measure"] == "angle") & table["effect"].notna()]
        for _, rows in angle.groupby("splicer"):
            present = list(rows["technician"])
            truth = np.array([2 * truth_of(people, present, name) for name in present])
            inside += list((rows["low"] <= np.expm1(truth)) & (np.expm1(truth) <= rows["high"]))
    assert len(inside) > 250
    # 95 % of some 300 are 285; the interval is widened for days that are alike, and these are not
    assert 0.94 < np.mean(inside) <= 1.0


def test_a_bad_machine_is_nobodys_fault_on_it():
    cells, _, _ = made_up_cells(2)
    worse = cells["splicer"] == "s3"
    cells.loc[worse, "angle"] += 0.6 * cells.loc[worse, "n"]
    plain, table = hands_by_machine(made_up_cells(2)[0]), hands_by_machine(cells)
    # the weights of days move a little with the scatter of all; the machine itself is +82 %
    on_it = (table["splicer"] == "s3") & (table["measure"] == "angle")
    np.testing.assert_allclose(table.loc[on_it, "effect"], plain.loc[on_it, "effect"], atol=0.01)


def test_a_machine_of_one_person_compares_nobody():
    cells, _, _ = made_up_cells(1, days=40)
    alone = cells[(cells["splicer"] != "s0") | (cells["technician"] == "t0")]
    rows = hands_by_machine(alone)
    on_it = rows[rows["splicer"] == "s0"]
    assert on_it["effect"].isna().all()
    assert (on_it["colleagues"] == 0).all()


def test_no_work_gives_no_rows():
    cells, _, _ = made_up_cells(1, days=10)
    assert hands_by_machine(cells.iloc[:0]).empty
    nobody = cells.assign(technician="(technician not logged)")
    assert isinstance(hands_by_machine(nobody), pd.DataFrame)
    assert hands_by_machine(nobody).empty
