"""Each shipped fault does what it says, to whom it says, when it says: found with plain tools."""

from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from arcdrift.simulate import (
    Habits,
    LossLaw,
    Scenario,
    SimulatedCrew,
    add_faults,
    invented_crew,
    load_plan,
    plan_names,
    simulate_frames,
)
from arcdrift.simulate.crew.scenario import ArcLaw

BARE = LossLaw(day_sd=(0.0, 0.0), dirty_share=(0.0, 0.0), splice_lag=0.0)
"""Losses that scatter about their mean and do nothing else."""
STILL = ArcLaw(density=0.0, vapor=0.0, wear=0.0, noise_sd=0.0, pair_sd=0.0)
"""An arc that always needs the setting it has."""
START = pd.Timestamp("2026-07-20", tz="America/Denver")


def crew(**changes: object) -> Scenario:
    return replace(invented_crew(splicers=4, days=100, splices_per_day=60, seed=3), **changes)


HEALTHY = {
    "field": crew(),
    "bare": crew(losses=BARE, arc=STILL, habits=Habits()),
}


@pytest.fixture(scope="module")
def healthy():
    return {name: simulate_frames(scenario) for name, scenario in HEALTHY.items()}


@cache
def hurt_crew(name: str, base: str = "field") -> tuple[SimulatedCrew, dict]:
    made = simulate_frames(add_faults(HEALTHY[base], load_plan(name)))
    (fault,) = made.truth.faults
    return made, fault


def during(at: pd.Series, fault: dict) -> pd.Series:
    inside = at >= pd.Timestamp(fault["since"])
    return inside if fault["until"] is None else inside & (at < pd.Timestamp(fault["until"]))


def test_healthy_crews_carry_no_fault(healthy):
    for made in healthy.values():
        assert made.truth.faults == []
    nights = simulate_frames(add_faults(crew(), load_plan("nights-and-rooms")))
    assert nights.truth.faults == []


EVERY_DAY = {"electrodes-never-replaced", "cold-front", "dull-blade"}
"""One fault each of a splicer, of all the air and of a cleaver."""


@pytest.mark.parametrize(
    "name",
    [
        name if name in EVERY_DAY else pytest.param(name, marks=pytest.mark.long)
        for name in plan_names()
        if name != "nights-and-rooms"
    ],
)
def test_faults_touch_nobody_else(name, healthy):
    made, fault = hurt_crew(name)
    assert fault["name"] == name
    assert fault["harmless"] == (name in ("altitude-move", "cold-front"))
    if fault["subject_type"] not in ("splicer", "cleaver"):
        return
    whose = fault["subject_type"]
    for kind in ("splices", "arc-checks") if whose == "splicer" else ("splices",):
        a, b = (frames[kind].drop(columns=["id", "line"]) for frames in (healthy["field"], made))
        pd.testing.assert_frame_equal(
            a[a[whose] != fault["subject"]].reset_index(drop=True),
            b[b[whose] != fault["subject"]].reset_index(drop=True),
        )


def test_a_bent_holder_shows_on_its_side_only(healthy):
    made, fault = hurt_crew("holder-bent")
    a, b = healthy["field"]["splices"], made["splices"]
    there = during(a["spliced_at"], fault) & (a["splicer"] == fault["subject"])
    assert fault["side"] == "left"
    # 2.2 from the plan; angles are rounded to 0.1 and cut at 12 degrees
    ratio = b.loc[there, "cleave_left_deg"].sum() / a.loc[there, "cleave_left_deg"].sum()
    assert ratio == pytest.approx(2.2, abs=0.05)
    pd.testing.assert_series_equal(a["cleave_right_deg"], b["cleave_right_deg"])
    pd.testing.assert_series_equal(
        a.loc[~there, "cleave_left_deg"], b.loc[~there, "cleave_left_deg"]
    )
    # a tilt costs light: the mean rises, if only by a little
    assert b.loc[there, "loss_db"].mean() > a.loc[there, "loss_db"].mean()


def test_a_reset_clock_shifts_times_by_its_hours(healthy):
    made, fault = hurt_crew("splicer-clock-reset")
    for kind, when in (("splices", "spliced_at"), ("arc-checks", "checked_at")):
        a, b = healthy["field"][kind], made[kind]
        there = during(a[when], fault) & (a["splicer"] == fault["subject"])
        assert there.sum() > 3
        assert set(b[when][there] - a[when][there]) == {pd.Timedelta(hours=-7)}
        assert (b[when][~there] == a[when][~there]).all()
    subset = made["splices"].query("splicer == @fault['subject']")
    back = subset["spliced_at"].diff() < pd.Timedelta(0)
    # the counter runs on where the clock runs backwards
    assert back.sum() >= 1
    assert (subset["splice_number"].diff().dropna() == 1).all()


def test_an_optimistic_estimate_hides_what_it_says(healthy):
    made, fault = hurt_crew("optimistic-estimator")
    a, b = healthy["field"]["splices"], made["splices"]
    pd.testing.assert_series_equal(a["loss_db"], b["loss_db"])
    subset = b[(b["splicer"] == fault["subject"]) & b["measured_ab_db"].notna()]
    hidden = subset[["measured_ab_db", "measured_ba_db"]].mean(axis=1) - subset["loss_db"]
    bias = made.truth.splicers[fault["subject"]]["estimate_bias_db"]
    assert len(subset) > 60
    # one-sample t statistic against the stated 0.03 dB beyond the splicer's own bias
    t = (hidden.mean() - 0.03 - bias) / (hidden.std() / np.sqrt(len(subset)))
    assert abs(t) < 3.5
    assert hidden.mean() > 0.02


def test_a_newcomer_s_factor_fades():
    scenario = add_faults(
        replace(
            invented_crew(splicers=4, days=150, splices_per_day=150, seed=8),
            losses=BARE, arc=STILL,
        ),
        load_plan("newcomer"),
    )  # fmt: skip
    made = simulate_frames(scenario)
    (fault,) = made.truth.faults
    person = made.truth.technicians[fault["subject"]]
    mean = {(s["splicer"], s["program"]): s["mean_db"] for s in made.truth.streams}
    subset = made["splices"].query("technician == @fault['subject']").dropna(subset=["loss_db"])
    assert subset["spliced_at"].min() >= pd.Timestamp(fault["since"])
    assert set(subset.loc[subset["purpose"] == "practice", "technician"]) == {fault["subject"]}
    relative = subset["loss_db"] / [
        mean[key] for key in zip(subset["splicer"], subset["program"], strict=True)
    ]
    relative /= person["loss_factor"]
    day = (subset["spliced_at"] - pd.Timestamp(fault["since"])).dt.days
    # least squares for 1 + size exp(-day / 12): size 0.6 from the plan, splices beyond 3 degrees
    # cost some percent more than the model says
    x = sm.add_constant(np.exp(-day / 12.0))
    fit = sm.OLS(relative.to_numpy(), x.to_numpy()).fit(cov_type="HC1")
    assert fit.params[0] == pytest.approx(1.0, abs=0.05)
    assert fit.params[1] == pytest.approx(0.6, abs=max(0.06, 3.5 * fit.bse[1]))
    late = day > 60
    assert relative[late].mean() < 1.08
    assert relative[day < 5].mean() > 1.35


def test_a_dull_blade_wears_as_fast_as_said():
    scenario = replace(
        invented_crew(splicers=2, days=100, splices_per_day=50, seed=3), losses=BARE, arc=STILL
    )
    made = simulate_frames(add_faults(scenario, load_plan("dull-blade")))
    (fault,) = made.truth.faults
    assert fault["subject_type"] == "cleaver"
    subset = made["splices"].query("cleaver == @fault['subject']")
    subset = subset[during(subset["spliced_at"], fault)]
    assert len(set(subset["blade_position"])) == 1
    # 2.06 cleaves a splice; the mean angle rises by exp(0.25 x 1.5) per 1,000 cleaves, both sides
    x = pd.get_dummies(subset["technician"].fillna("nobody"), dtype=float)
    x["cleaves"] = 2.06 * np.arange(len(subset)) / 1000.0
    for side in ("cleave_left_deg", "cleave_right_deg"):
        fit = sm.GLM(subset[side], x, family=sm.families.Poisson()).fit(scale="X2")
        assert fit.params["cleaves"] == pytest.approx(0.375, abs=3.5 * fit.bse["cleaves"])
        assert fit.bse["cleaves"] < 0.03


def test_dirty_grooves_and_wrong_programs_raise_the_mean_by_their_size(healthy):
    for name, size in (("dirty-v-grooves", 1.5), ("wrong-program", 1.4)):
        made, fault = hurt_crew(name, "bare")
        a, b = healthy["bare"]["splices"], made["splices"]
        changed = (a["loss_db"] != b["loss_db"]) & a["loss_db"].notna()
        there = during(a["spliced_at"], fault) & (a["splicer"] == fault["subject"])
        if name == "wrong-program":
            there &= a["fiber_b"] == "G.655"
            assert set(a.loc[there, "program"]) == {"mixed-fiber recipe"}
            assert set(b.loc[there, "program"]) == {"single-mode fixed"}
            assert set(b.loc[there, "fiber_b"]) == {"G.655"}
            pd.testing.assert_series_equal(a.loc[~there, "program"], b.loc[~there, "program"])
        assert not changed[~there].any()
        assert there.sum() > 80
        ratio = b.loc[there, "loss_db"].sum() / a.loc[there, "loss_db"].sum()
        assert ratio == pytest.approx(size, abs=0.05)


def test_electrodes_that_nobody_replaces(healthy):
    made, fault = hurt_crew("electrodes-never-replaced")
    service = made["service"].query("asset == @fault['subject']")
    assert "electrodes replaced" not in set(service["action"])
    subset = made["splices"].query("splicer == @fault['subject']")
    assert subset["arc_count"].is_monotonic_increasing
    life = made.crew.splicers[fault["subject"]].electrode_life_arcs
    past = subset.loc[subset["arc_count"] > life, "spliced_at"]
    true_values = [w["since"] for w in made.truth.worn_out if w["splicer"] == fault["subject"]]
    assert [pd.Timestamp(t) for t in true_values] == past.head(1).dt.floor("s").tolist()


@pytest.mark.parametrize(
    "name", [pytest.param("altitude-move", marks=pytest.mark.long), "cold-front"]
)
def test_settings_follow_harmless_air(name, healthy):
    made, _ = hurt_crew(name)
    moved = 0.0
    for splicer in made.crew.splicers:
        a, b = (
            crew["arc-checks"][crew["arc-checks"]["splicer"] == splicer]
            for crew in (healthy["field"], made)
        )
        sound_lines = a["arc_setting"].notna().to_numpy() & b["arc_setting"].notna().to_numpy()
        at = a["checked_at"][sound_lines]
        need = (
            made.required(splicer, at)["required"]
            - healthy["field"].required(splicer, at)["required"]
        )
        found = b["arc_setting"].to_numpy()[sound_lines] - a["arc_setting"].to_numpy()[sound_lines]
        # the same noise in both, so only the rounding of two settings is left
        step = 1.0 if made.crew.splicers[splicer].setting_unit == "steps" else 0.5
        assert np.abs(found - need.to_numpy()).max() <= 1.01 * step
        moved = max(moved, float(np.abs(need).max()))
    assert moved > 4.0


def test_a_crew_shares_its_day_effect():
    scenario = replace(
        invented_crew(splicers=8, days=60, splices_per_day=200, seed=6),
        losses=replace(BARE, crew_day_sd=0.15), arc=STILL, habits=Habits(),
    )  # fmt: skip
    made = simulate_frames(scenario)
    splices = made["splices"].dropna(subset=["loss_db"])
    mean = {(s["splicer"], s["program"]): s["mean_db"] for s in made.truth.streams}
    relative = splices["loss_db"] / [
        mean[key] for key in zip(splices["splicer"], splices["program"], strict=True)
    ]
    day = splices["spliced_at"].dt.tz_convert("America/Denver").dt.strftime("%Y-%m-%d")
    seen = np.log(relative.groupby(day).mean())
    true_values = np.log(pd.Series(made.truth.crew_days))[seen.index]
    assert np.corrcoef(seen, true_values)[0, 1] > 0.95
    assert true_values.std() == pytest.approx(0.15, abs=0.06)
    assert sm.OLS(seen, sm.add_constant(true_values)).fit().params.iloc[1] == pytest.approx(
        1.0, abs=0.15
    )


def test_regression_finds_the_true_effects_of_people():
    scenario = replace(
        invented_crew(splicers=6, days=120, splices_per_day=100, seed=21),
        losses=replace(BARE, geometry=True, shape=(1.5, 2.0)), arc=STILL, habits=Habits(),
    )  # fmt: skip
    made = simulate_frames(scenario)
    subset = made["splices"].dropna(subset=["loss_db", "technician"])
    subset = subset.assign(stream=subset["splicer"] + subset["program"])
    # a log-linear model of the mean (Poisson quasi-likelihood), hands crossed with streams
    x = pd.get_dummies(subset[["technician", "stream"]], drop_first=False, dtype=float)
    x = x.drop(columns=[c for c in x if c.startswith("technician_")][:1])
    fit = sm.GLM(subset["loss_db"], x, family=sm.families.Poisson()).fit(scale="X2")
    people = sorted(subset["technician"].unique())
    true_values = {name: made.truth.technicians[name]["log_mean_loss"] for name in people}
    for name in people[1:]:
        estimate, error = fit.params[f"technician_{name}"], fit.bse[f"technician_{name}"]
        assert estimate == pytest.approx(
            true_values[name] - true_values[people[0]], abs=3.5 * error + 0.01
        )
    assert np.std(list(true_values.values())) > 0.03


def test_a_check_repeats_as_well_as_said():
    made = simulate_frames(
        replace(
            invented_crew(splicers=10, days=300, splices_per_day=10, seed=4),
            habits=Habits(late=0, missed=0, failed_only=0, retry=0),
        )
    )
    left, lagged = [], []
    for splicer, subset in made["arc-checks"].groupby("splicer"):
        need = made.required(str(splicer), subset["checked_at"])["required"].to_numpy()
        scale = 1.0 if made.crew.splicers[str(splicer)].setting_unit == "steps" else 0.5
        noise = (subset["arc_setting"].to_numpy() - need) / scale
        left.append(noise)
        lagged.append(np.corrcoef(noise[1:], noise[:-1])[0, 1])
    # sd 3 and lag 0.3 of the law; rounding to a whole step adds a variance of 1/12 and takes
    # 1 % off the correlation
    assert np.concatenate(left).std() == pytest.approx(np.sqrt(9 + 1 / 12), rel=0.05)
    assert np.mean(lagged) == pytest.approx(0.3, abs=0.05)
