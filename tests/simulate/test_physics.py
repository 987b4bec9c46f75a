"""Known effects must be found again by methods that share nothing with the simulator."""

from dataclasses import replace
from datetime import date, datetime

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from arcdrift.air.air_join import join_air
from arcdrift.settings import load_crew
from arcdrift.simulate import Fault, invented_crew
from arcdrift.simulate.air.weather import make_weather
from arcdrift.simulate.crew.faults import FaultKind
from arcdrift.simulate.crew.loss_law import LossLaw
from arcdrift.simulate.crew.scenario import ArcLaw, Habits, ModelSpec
from arcdrift.simulate.work.geometry import (
    core_offset_um,
    draw_tilt,
    field_and_tilt_loss_db,
    mean_field_and_tilt_loss_db,
)
from arcdrift.simulate.work.splice_losses import SpliceInputs, draw_splices

ALWAYS = Habits(late=0.0, missed=0.0, failed_only=0.0, retry=0.0, at_work=1.0)


@pytest.fixture(scope="module")
def quiet(simulated, tmp_path_factory):
    """A crew whose checks repeat well; one splicer works at two altitudes."""
    move = Fault(
        "site-move", "Heron", datetime(2026, 9, 1), datetime(2026, 10, 15), 0.0, "", target="Pass"
    )
    crew = invented_crew(splicers=3, days=240, splices_per_day=40, seed=11, faults=(move,))
    crew = replace(
        crew,
        arc=ArcLaw(noise_sd=0.6, pair_sd=0.0),
        habits=ALWAYS,
        models=(ModelSpec("Model A", electrode_life_arcs=3000),),
    )
    return simulated(crew, tmp_path_factory.mktemp("quiet"))


def test_regression_finds_the_true_arc_coefficients(quiet):
    checks = quiet.checks.query("outcome == 'pass'").reset_index(drop=True)
    crew = load_crew(quiet.folder)
    air = join_air(checks, quiet.readings, crew, "checked_at")
    table = checks.join(air[["vapor_pressure", "air_density", "air_age_min"]])
    assert table["air_density"].notna().mean() > 0.99
    for splicer, subset in table.dropna(subset=["air_density"]).groupby("splicer"):
        x = sm.add_constant(
            pd.DataFrame(
                {
                    "density": subset["air_density"] - 1.2,
                    "vapor": subset["vapor_pressure"] - 10.0,
                    "wear": subset["arc_count"] / 1000.0,
                }
            )
        )
        fit = sm.GLSAR(subset["arc_setting"], x, rho=1).iterative_fit(maxiter=5)
        truth = quiet.truth["arc"][splicer]
        for name in ("density", "vapor", "wear"):
            assert abs(fit.params[name] - truth[name]) < 4 * fit.bse[name], (splicer, name)
        # splicers differ, so a wrong pairing of truth and file would show
        assert fit.bse["density"] < 0.1 * abs(truth["density"])
        # rounding to a whole step adds a sixth of a step squared (uniform: 1/12)
        assert np.sqrt(fit.scale) < 1.5


def test_true_coefficients_lie_about_the_law(simulated, tmp_path):
    crew = invented_crew(splicers=30, days=1, splices_per_day=5, seed=2)
    arc = simulated(crew, tmp_path).truth["arc"]
    scale = {"steps": 1.0, "%": 0.5}
    density = np.array([subset["density"] / scale[subset["unit"]] for subset in arc.values()])
    assert density.mean() == pytest.approx(-120, abs=10)  # 3 standard errors of 15 % over 30
    assert 0.09 < density.std() / 120 < 0.22


BASE = invented_crew(splicers=4, days=60, splices_per_day=50, seed=5)
"""A fault planted in it changes what the fault concerns; all else draws the same numbers."""


@pytest.fixture(scope="module")
def without(simulated, tmp_path_factory):
    return simulated(BASE, tmp_path_factory.mktemp("without"))


def fault(kind: FaultKind, subject: str, size: float, until: datetime | None = None) -> Fault:
    return Fault(kind, subject, datetime(2026, 8, 17), until, size, "")


def test_arc_step_moves_the_setting_by_its_size(simulated, without, tmp_path):
    hurt = simulated(replace(BASE, faults=(fault("arc-step", "Heron", 12.0),)), tmp_path)
    moved = (hurt.checks["arc_setting"] - without.checks["arc_setting"]).fillna(0)
    subset = without.checks["splicer"] == "Heron"
    after = without.checks["checked_at"] > "2026-08-17 06:00+00:00"
    (fault_entry,) = hurt.truth["faults"]
    if fault_entry["until"] is not None:
        assert fault_entry["until"] in [c["replaced_at"] for c in hurt.truth["electrodes"]]
        after &= without.checks["checked_at"] < fault_entry["until"]
    passed = without.checks["outcome"] == "pass"
    assert (moved[subset & after & passed] == 12).all()
    assert (moved[~(subset & after)] == 0).all()
    assert (subset & after & passed).sum() > 5


def test_arc_drift_creeps(simulated, without, tmp_path):
    hurt = simulated(replace(BASE, faults=(fault("arc-drift", "Heron", 0.5),)), tmp_path)
    moved = hurt.checks["arc_setting"] - without.checks["arc_setting"]
    days = (without.checks["checked_at"] - pd.Timestamp("2026-08-17 06:00+00:00")) / pd.Timedelta(
        days=1
    )
    subset = (without.checks["splicer"] == "Heron") & moved.notna()
    assert (moved[subset] - 0.5 * days[subset].clip(lower=0)).abs().max() <= 1.0
    assert moved[subset].iloc[-1] >= 13


def test_dirty_grooves_raise_the_mean_until_cleaned(simulated, without, tmp_path):
    until = datetime(2026, 9, 4, 16, 30)
    hurt = simulated(
        replace(BASE, faults=(fault("v-grooves-dirty", "Heron", 1.5, until),)), tmp_path
    )
    a, b = without.splices, hurt.splices
    ordinary = a["loss_db"] < 0.15
    dirty = (a["splicer"] == "Heron") & a["spliced_at"].between("2026-08-17", "2026-09-05")
    ratio = b.loc[dirty & ordinary, "loss_db"].sum() / a.loc[dirty & ordinary, "loss_db"].sum()
    assert ratio == pytest.approx(1.5, abs=0.08)
    pd.testing.assert_series_equal(a.loc[~dirty, "loss_db"], b.loc[~dirty, "loss_db"])
    cleaned = hurt.service.query("action == 'v-grooves cleaned'")
    assert cleaned["asset"].tolist() == ["Heron"]
    assert cleaned["serviced_at"].tolist() == [pd.Timestamp("2026-09-04 22:30", tz="UTC")]


def test_careless_hands_show_on_every_splicer(simulated, tmp_path):
    hurt = simulated(replace(BASE, faults=(fault("careless", "Birch", 1.4),)), tmp_path)
    after = hurt.splices[hurt.splices["spliced_at"] > "2026-08-18"]
    mine = after["technician"] == "Birch"
    assert len(after.loc[mine, "splicer"].unique()) > 1
    angles = after[["cleave_left_deg", "cleave_right_deg"]].max(axis=1)
    assert angles[mine].median() > 1.3 * angles[~mine].median()
    assert after.loc[mine, "loss_db"].mean() > 1.2 * after.loc[~mine, "loss_db"].mean()


def test_a_blade_left_alone_wears(simulated, tmp_path):
    hurt = simulated(
        replace(BASE, faults=(fault("blade-overdue", "C1", 0.0, datetime(2026, 9, 19)),)), tmp_path
    )
    subset = hurt.splices.query("cleaver == 'C1'")
    there = subset["spliced_at"].between("2026-08-20", "2026-09-18")
    assert len(subset.loc[there, "blade_position"].unique()) == 1
    turns = hurt.service.query("asset == 'C1' and action != 'cleaned'")["serviced_at"]
    assert not turns.between("2026-08-18", "2026-09-18").any()
    last = subset["spliced_at"].between("2026-09-11", "2026-09-18")
    first = subset["spliced_at"].between("2026-07-20", "2026-08-10")
    median = subset["cleave_left_deg"].groupby([first, last]).median()
    assert median[(False, True)] > 1.25 * median[(True, False)]


def test_cold_front_chills_and_passes(simulated, without, tmp_path):
    hurt = simulated(replace(BASE, faults=(fault("cold-front", "crew", 14.0),)), tmp_path)
    drop = without.readings["temperature_c"] - hurt.readings["temperature_c"]
    hours = (hurt.readings["read_at"] - pd.Timestamp("2026-08-17 06:00+00:00")) / pd.Timedelta(
        hours=1
    )
    assert drop[hours <= 0].abs().max() == 0
    assert drop[hours.between(6, 10)].median() == pytest.approx(12.5, abs=0.7)
    assert drop[hours > 24 * 12].abs().max() < 0.5


def test_a_wrong_setting_costs_more_on_a_fixed_program():
    n = 200_000

    def mean_loss(mismatch: float, share: float) -> float:
        conditions = SpliceInputs(
            mean_db=np.full(n, 0.03),
            shape=np.full(n, 1.2),
            day=np.arange(n) // 100,
            mismatch=np.full(n, mismatch),
            mismatch_share=np.full(n, share),
            dirty_factor=np.zeros(n),
            cleave_median_deg=np.full(n, 0.5),
            cleave_log_sd=np.full(n, 0.3),
        )
        return float(np.nanmean(draw_splices(conditions, np.random.default_rng(1)).loss_db))

    # gamma about 0.03 dB with a 10 % day effect: standard error 1e-4
    assert mean_loss(0.0, 1.0) == pytest.approx(0.03, abs=4e-4)
    fixed = mean_loss(12.0, 1.0) - mean_loss(0.0, 1.0)
    adjusting = mean_loss(12.0, 0.1) - mean_loss(0.0, 0.1)
    assert fixed == pytest.approx(8e-5 * 144, rel=0.05)
    assert 0 < adjusting < 0.15 * fixed


def test_losses_have_the_shape_of_the_study():
    # statistics of the loss study: gamma of shape 1.2, 1.2 % dirty splices of 0.2 to 1 dB
    n = 300_000
    conditions = SpliceInputs(
        mean_db=np.full(n, 0.03),
        shape=np.full(n, 1.2),
        day=np.arange(n) // 60,
        mismatch=np.zeros(n),
        mismatch_share=np.zeros(n),
        dirty_factor=np.ones(n),
        cleave_median_deg=np.full(n, 0.5),
        cleave_log_sd=np.full(n, 0.3),
    )
    made = draw_splices(conditions, np.random.default_rng(2))
    loss = pd.Series(made.loss_db).dropna()
    np.testing.assert_allclose(loss * 100, (loss * 100).round(), atol=1e-9)
    assert (loss >= 0.2).mean() == pytest.approx(0.0125, abs=0.002)
    ordinary = loss[loss < 0.2]
    # gamma: coefficient of variation 1/sqrt(1.2); the day effect and rounding widen it a little
    assert ordinary.std() / ordinary.mean() == pytest.approx(1.2**-0.5, rel=0.06)
    assert set(made.outcome) == {"done", "redo", "error"}
    assert (np.isnan(made.loss_db) == (made.outcome == "error")).all()


def test_weather_is_believable():
    crew = invented_crew(days=365, seed=4, start=date(2026, 1, 1), habits=Habits())
    weather = make_weather(crew)
    temperature = pd.DataFrame(weather.temperature.T, columns=[s.name for s in crew.sites])
    # standard lapse of ISO 2533: 6.5 K/km over 2,728 m between Harbor and Pass
    assert (temperature["Harbor"] - temperature["Pass"]).mean() == pytest.approx(17.7, abs=1.0)
    pressure = pd.DataFrame(weather.station_pressure.T, columns=temperature.columns)
    # ISO 2533: 1011.8 hPa at 12 m, 942.1 at 610 m, 724.6 at 2,740 m
    for site, standard in {"Harbor": 1011.8, "Valley": 942.1, "Pass": 724.6}.items():
        assert pressure[site].mean() == pytest.approx(standard, abs=8)
        assert 3 < pressure[site].std() < 10
    assert weather.humidity.min() >= 8
    assert weather.humidity.max() <= 99
    assert ((weather.vapor_pressure > 0) & (weather.vapor_pressure < 40)).all()


def test_geometry_costs_what_gaussian_modes_say():
    # overlap integrals of Gaussian modes (Marcuse 1977): equal fibers of 9.2 um, 0.5 degrees of
    # tilt at 1310 nm, n 1.46: 0.085792 dB; 1 um of offset: 0.205243 dB; 8.8 against 9.6 um:
    # 0.032839 dB
    assert field_and_tilt_loss_db(4.6, 4.6, np.array([0.5])) == pytest.approx(0.085792, abs=1e-6)
    assert field_and_tilt_loss_db(4.4, 4.8, np.array([0.0])) == pytest.approx(0.032839, abs=1e-6)
    assert core_offset_um(4.6, 4.6, np.array([0.205243])) == pytest.approx(1.0, abs=1e-5)


def test_mean_cost_of_cleave_angles_is_that_of_many():
    rng = np.random.default_rng(5)
    left, right = (0.7 * np.exp(0.45 * rng.normal(size=400_000)) for _ in range(2))
    # two ends tilted left and right in random directions, drawn as vectors
    turn = rng.uniform(0, 2 * np.pi, len(left))
    between = np.abs(left - right * np.exp(1j * turn))
    tilt = draw_tilt(left, right, np.random.default_rng(6))
    assert np.mean(tilt**2) == pytest.approx(np.mean((0.1 * between) ** 2), rel=0.01)
    # 0.085792 dB at half a degree, quadratic in small angles
    expected = 0.085792 * np.mean((0.1 * between) ** 2) / 0.25
    assert mean_field_and_tilt_loss_db(4.6, 4.6, 0.7, 0.45) == pytest.approx(expected, rel=0.01)


def test_the_whole_law_keeps_the_program_s_mean():
    n = 300_000
    made = draw_splices(
        SpliceInputs(
            mean_db=np.full(n, 0.03 - float(mean_field_and_tilt_loss_db(4.6, 4.6, 0.7, 0.45))),
            shape=np.full(n, 1.2),
            day=np.arange(n) // 60,
            mismatch=np.zeros(n),
            mismatch_share=np.zeros(n),
            dirty_factor=np.zeros(n),
            cleave_median_deg=np.full(n, 0.7),
            cleave_log_sd=np.full(n, 0.45),
        ),
        np.random.default_rng(2),
        law=LossLaw(geometry=True),
        azimuth=np.random.default_rng(3),
    )
    assert np.nanmean(made.loss_db) == pytest.approx(0.03, abs=3e-4)
    # four tenths of what scatters is core offset: 4.343 (d / w)^2 dB, seen to within a third
    offset = made.core_offset_um[made.outcome == "done"]
    assert np.mean(4.343 * (offset / 4.6) ** 2) == pytest.approx(0.4 * 0.025, rel=0.1)
