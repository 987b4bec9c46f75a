"""People and machines told apart: crews whose truth is known."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
import statsmodels.formula.api as smf

from arcdrift.analysis.loss.proportion_charts import COUNTED
from arcdrift.analysis.people.comparability import cheapest_swaps, connected_sets
from arcdrift.analysis.people.prep_effects import PrepEffects, prep_effects, scaled
from tests.analysis.people.made_up_hands import made_up_cells, work


def log_effects(told, who, measure):
    table = told.effects_of(who, measure).set_index("name")
    return table["effect"].map(lambda change: scaled(change, measure)), table


def against_the_median_of_others(people):
    truth = pd.Series(people)
    return truth - [truth.drop(name).median() for name in truth.index]


def test_intervals_hold_the_truth_and_the_bad_splicer_is_not_the_person():
    inside = []
    for seed in range(6):
        cells, people, _ = made_up_cells(seed, days=80)
        told = prep_effects(cells, measures=["loss"])
        assert isinstance(told, PrepEffects)
        effect, table = log_effects(told, "technician", "loss")
        truth = np.expm1(against_the_median_of_others(people))
        inside += list((table["low"] <= truth) & (truth <= table["high"]))
        assert np.corrcoef(effect, truth.reindex(table.index))[0, 1] > 0.9
        assert told.sets == 1
    # 60 intervals at .95: fewer than 51 inside would happen once in a thousand
    assert sum(inside) >= 51


def test_every_measure_finds_whose_it_is():
    cells, people, _ = made_up_cells(3)
    told = prep_effects(cells)
    truth = against_the_median_of_others(people)
    angle, _ = log_effects(told, "technician", "angle")
    # angles were made with twice the person's effect, odds of bad places with three times, and
    # those of errors with minus three times
    np.testing.assert_allclose(angle, 2 * truth.reindex(angle.index), atol=0.05)
    for measure, sign in (("first_time", 1), ("errors", -1)):
        odds, _ = log_effects(told, "technician", measure)
        assert np.corrcoef(odds, sign * truth.reindex(odds.index))[0, 1] > 0.6
    _, uneven = log_effects(told, "splicer", "uneven")
    assert uneven.index[uneven["sure"] > 0.99].tolist() == ["s2"]
    _, people_uneven = log_effects(told, "technician", "uneven")
    assert (people_uneven["sure"] < 0.5).all()


def test_cleavers_that_stay_with_their_splicer_are_not_told_apart_and_it_is_said():
    cells, _, _ = made_up_cells(4, days=60)
    told = prep_effects(cells, measures=["loss"])
    assert told.told_apart == ("technician", "splicer")
    assert "one splicer only" in told.not_told_apart[0]


def test_a_bad_cleaver_that_goes_around_is_told_from_its_splicers():
    cells, _, _ = made_up_cells(5)
    rng = np.random.default_rng(1)
    week = cells["number"] // 5
    number = (cells["splicer"].str[1:].astype(int) + week + rng.permutation(8)[week % 8]) % 8
    cells["cleaver"] = "C" + number.astype(str)
    worse = (cells["cleaver"] == "C3") * 0.4
    cells["angle_squares"] += cells["n"] * ((cells["angle"] / cells["n"] + worse) ** 2
                                            - (cells["angle"] / cells["n"]) ** 2)  # fmt: skip
    cells["angle"] += cells["n"] * worse
    told = prep_effects(cells, measures=["angle"])
    assert told.told_apart == ("technician", "splicer", "cleaver")
    cleavers = told.effects_of("cleaver", "angle")
    assert cleavers.loc[cleavers["sure"] > 0.99, "name"].tolist() == ["C3"]
    splicers = told.effects_of("splicer", "angle")
    assert (splicers["sure"] < 0.5).all()


def test_air_and_blade_are_adjusted_for():
    """A person who always got the worn blades is not blamed for them."""
    cells, _, _ = made_up_cells(6)
    unlucky = cells["technician"] == "t1"
    cells["cleaves"] = np.where(unlucky, 900.0, 300.0) + 100.0 * (cells["number"] % 7)
    rise = 0.3 * (cells["cleaves"] - 300) / 1000
    cells["angle_squares"] += 2 * cells["angle"] * rise + cells["n"] * rise**2
    cells["angle"] += cells["n"] * rise
    plain = prep_effects(cells.drop(columns="cleaves"), measures=["angle"]).effects_of(
        "technician", "angle"
    )
    told = prep_effects(cells, measures=["angle"]).effects_of("technician", "angle")
    before = prep_effects(made_up_cells(6)[0], measures=["angle"]).effects_of("technician", "angle")
    own = [frame.set_index("name").loc["t1", "effect"] for frame in (plain, told, before)]
    assert own[0] > own[2] + 0.12
    assert abs(own[1] - own[2]) < 0.05


def test_people_who_share_no_splicer_are_told_apart_as_sets():
    cells, _, _ = made_up_cells(1, split=True)
    told = prep_effects(cells, measures=["loss"])
    assert told.sets == 2
    table = told.effects_of("technician", "loss").set_index("name")
    first = {table.loc[f"t{i}", "set"] for i in range(5)}
    second = {table.loc[f"t{i}", "set"] for i in range(5, 10)}
    assert len(first) == len(second) == 1
    assert first != second


def test_the_proposed_swap_makes_the_answer_come_out_right():
    """Half the crew has splicers that lose 35 % more; after the swap people are not blamed."""
    before, after, widths = [], [], []
    for seed in range(3):
        cells, people, machines = made_up_cells(10 + seed, split=True, apart=0.3)
        told = prep_effects(cells, measures=["loss"])
        sets = connected_sets(cells[["technician", "splicer"]])
        swaps = cheapest_swaps(cells, sets, told.fits["loss"].variances, half_width=0.12)
        rng = np.random.default_rng(seed)
        rows = [
            (swap.splicer, swap.technician, 130 + 20 * number + day)
            for number, swap in enumerate(swaps)
            for day in range(swap.days)
        ]
        joined = pd.concat([cells, work(rows, people, machines, rng)], ignore_index=True)
        again = prep_effects(joined, measures=["loss"])
        assert again.sets == 1
        widths.append(max(swap.half_width for swap in swaps[-1:]))
        assert sum(swap.days for swap in swaps) <= 30
        truth = pd.Series(people)
        between = truth[[f"t{i}" for i in range(5)]].mean() - truth[
            [f"t{i}" for i in range(5, 10)]
        ].mean()  # fmt: skip
        for fit, into in ((told, before), (again, after)):
            place = fit.fits["loss"].positions("technician")
            weights = np.zeros(len(fit.fits["loss"].labels))
            for i in range(10):
                weights[place[f"t{i}"]] = 0.2 if i < 5 else -0.2
            estimate, sd = fit.fits["loss"].contrast(weights)
            into.append((abs(estimate - between), sd))
    assert max(widths) <= 0.12
    error, sd = np.array(after).T
    assert (error <= 3 * sd).all()
    # as sure as was planned, within what the variances' own estimate moves it
    assert np.all(1.96 * sd < 0.12 * 1.35)
    # without the swap the people of the unlucky half would have been blamed
    assert np.mean(np.array(before)[:, 0]) > 0.15 > 3 * error.mean()


def test_connected_crews_need_no_swap():
    cells, _, _ = made_up_cells(1, days=20)
    sets = connected_sets(cells[["technician", "splicer"]])
    assert cheapest_swaps(cells, sets, {"technician": 1, "splicer": 1, "residual": 1},
                          half_width=0.1) == []  # fmt: skip


def test_sets_follow_shared_cleavers_too():
    pairs = pd.DataFrame(
        {"technician": ["a", "b", "c"], "splicer": ["x", "y", "z"], "cleaver": ["1", "1", "2"]}
    )
    sets = connected_sets(pairs)
    assert sets["technician", "a"] == sets["technician", "b"] == sets["splicer", "y"] == 0
    assert sets["technician", "c"] == sets["cleaver", "2"] == 1


def test_too_little_work_is_refused_and_a_newcomer_gets_no_figure():
    cells, _, _ = made_up_cells(2)
    sentence = prep_effects(cells[cells["number"] < 4])
    assert isinstance(sentence, str)
    assert "too few" in sentence
    few = cells[(cells["technician"] != "t3") | cells.groupby("technician").cumcount().lt(3)]
    row = (
        prep_effects(few, measures=["loss"])
        .effects_of("technician", "loss")
        .set_index("name")
        .loc["t3"]
    )
    assert np.isnan(row["effect"])
    assert row["note"] == "only 3 days of work"


def test_one_that_no_shared_work_connects_has_no_figure_instead_of_zero():
    cells, _, _ = made_up_cells(6, days=60)
    # t0 keeps s0 to himself: he may only have the better splicer
    cells = cells[(cells["technician"] == "t0") == (cells["splicer"] == "s0")]
    told = prep_effects(cells, measures=["loss"])
    assert isinstance(told, PrepEffects)
    rows = told.effects.set_index("name")
    assert rows.loc[["t0", "s0"], ["effect", "low", "high", "sure"]].isna().all(axis=None)
    assert rows["note"]["s0"] == "cannot be separated: nobody used it and another one"
    assert rows["note"]["t0"] == "cannot be separated: shared no splicer with anybody"
    others = rows.drop(["t0", "s0"])
    assert others["note"].isna().all()
    assert (others["low"] < others["high"]).all()


def test_no_figure_is_an_empty_interval_around_zero():
    """Splicers without any difference between them: the variance is often estimated as zero."""
    empty = 0
    for seed in range(4):
        cells, _, _ = made_up_cells(seed, days=60)
        rng = np.random.default_rng(seed)
        for measure in ("loss", "angle"):
            even = cells.assign(splicer=rng.permutation(cells["splicer"].to_numpy()))
            rows = prep_effects(even, measures=[measure]).effects
            told = rows[rows["effect"].notna()]
            assert (told["high"] - told["low"] > 0.001).all()
            empty += (rows["note"] == "no difference found").any()
    assert empty


@pytest.mark.parametrize("measure", ["first_time", "errors"])
def test_odds_are_those_of_a_binomial_regression_where_counts_are_large(measure: str) -> None:
    """statsmodels' GLM Binomial with people and splicers as fixed effects: nothing to shrink."""
    cells, _, _ = made_up_cells(4)
    rng = np.random.default_rng(8)
    people = {name: float(size) for name, size in zip(
        sorted(cells["technician"].unique()), rng.normal(0.0, 0.6, 10), strict=True)}  # fmt: skip
    machines = {name: float(size) for name, size in zip(
        sorted(cells["splicer"].unique()), rng.normal(0.0, 0.6, 8), strict=True)}  # fmt: skip
    odds = cells["technician"].map(people) + cells["splicer"].map(machines) - 2.5
    bad, of = COUNTED[measure]
    n = np.full(len(cells), 4000)
    cells = cells.assign(
        **{of: n.astype(float), bad: rng.binomial(n, 1 / (1 + np.exp(-odds))).astype(float)}
    )
    told = prep_effects(cells, measures=[measure])
    ours, _ = log_effects(told, "technician", measure)
    theirs = smf.glm(
        "share ~ C(technician) + C(splicer)",
        cells.assign(share=cells[bad] / cells[of]),
        family=sm.families.Binomial(),
        var_weights=cells[of].to_numpy(),
    ).fit()
    fitted = {name: theirs.params.get(f"C(technician)[T.{name}]", 0.0) for name in people}
    expected = against_the_median_of_others(fitted).reindex(ours.index)
    np.testing.assert_allclose(ours, expected, atol=0.003)
    assert np.ptp(expected) > 1.0
