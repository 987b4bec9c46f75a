"""The truth told must be what the files show, found here again with pandas alone."""

from datetime import date

import numpy as np
import pandas as pd

ZONE = "America/Denver"


def local_date(utc: pd.Series) -> pd.Series:
    return utc.dt.tz_convert(ZONE).dt.strftime("%Y-%m-%d")


def test_about_forty_thousand_splices_on_workdays(sample):
    splices = sample.splices
    assert 37_000 < len(splices) < 43_000
    local = splices["spliced_at"].dt.tz_convert(ZONE)
    assert set(local.dt.day_of_week) == {0, 1, 2, 3, 4}
    assert local.min().date() == date(2026, 7, 20)
    assert local.max().strftime("%Y-%m-%d %H:%M") <= "2026-11-16 10:30"
    assert local.dt.hour.between(7, 17).all()
    assert splices["splicer"].nunique() == 8
    assert splices["technician"].nunique() == 10


def test_statuses_follow_from_the_files(sample):
    checks = sample.checks.assign(day=local_date(sample.checks["checked_at"]))
    splices = sample.splices.assign(day=local_date(sample.splices["spliced_at"]))
    worked = dict(list(splices.groupby(["splicer", "day"])["spliced_at"]))
    tried = dict(list(checks.groupby(["splicer", "day"])))
    for row in sample.truth["check_days"]:
        key = (row["splicer"], row["day"])
        work, mine = worked.pop(key), tried.get(key, checks.iloc[:0])
        passed = mine.loc[mine["outcome"] == "pass", "checked_at"]
        before = int((work < passed.min()).sum()) if len(passed) else 0
        if len(passed):
            status = "late" if before else "checked"
        elif len(mine):
            status = "failed-only"
        else:
            status = "due" if row["day"] == "2026-11-16" else "missed"
        assert row["status"] == status
        assert row["splices"] == len(work)
        assert row["splices_before_check"] == before
    assert worked == {}


def test_today_is_still_running(sample):
    today = {
        row["splicer"]: row["status"]
        for row in sample.truth["check_days"]
        if row["day"] == "2026-11-16"
    }
    assert today == {
        "Heron": "checked", "Kestrel": "checked", "Plover": "checked", "Dunlin": "due",
        "Osprey": "checked", "Curlew": "checked", "Tern": "due",
    }  # fmt: skip


def test_passed_checks_have_a_setting_and_failed_ones_none(sample):
    checks = sample.checks
    assert (checks["arc_setting"].notna() == (checks["outcome"] == "pass")).all()
    steps = checks.loc[checks["splicer"] == "Heron", "arc_setting"].dropna()
    assert (steps % 1 == 0).all()
    half = checks.loc[checks["splicer"] == "Osprey", "arc_setting"].dropna()
    assert (half % 0.5 == 0).all()


def test_counters_run_forward_between_replacements(sample):
    replaced = sample.service.query("action == 'electrodes replaced'")
    for splicer, subset in sample.splices.groupby("splicer"):
        subset = subset.sort_values("spliced_at")
        assert (pd.to_numeric(subset["splice_number"]).diff().dropna() == 1).all()
        changes = replaced.loc[replaced["asset"] == splicer, "serviced_at"].sort_values()
        pair = np.searchsorted(changes.to_numpy(), subset["spliced_at"].to_numpy())
        assert (subset["arc_count"].groupby(pair).diff().dropna() > 0).all()
        back = subset["arc_count"].diff() < 0
        # Model A counts from zero again, Model B runs on
        runs_on = splicer in ("Osprey", "Tern", "Lapwing")
        assert back.sum() == (0 if runs_on else len(changes))


def test_electrodes_are_replaced_near_their_limit_but_for_heron(sample):
    life = dict.fromkeys(("Osprey", "Tern", "Lapwing"), 6000)
    for change in sample.truth["electrodes"]:
        limit = life.get(change["splicer"], 4500)
        if change["splicer"] == "Heron":
            assert change["arcs"] > limit + 1000
        else:
            assert abs(change["arcs"] - limit) < 0.08 * limit
    service = sample.service.query("action == 'electrodes replaced'")
    assert len(service) == len(sample.truth["electrodes"])


def test_a_new_pair_is_checked_before_the_first_splice(sample):
    status = {(r["splicer"], r["day"]): r["status"] for r in sample.truth["check_days"]}
    for change in sample.truth["electrodes"]:
        assert status[(change["splicer"], change["replaced_at"][:10])] == "checked"


def test_every_cause_named_in_the_truth_is_in_the_crew(sample):
    kinds = {fault["kind"] for fault in sample.truth["faults"]}
    assert kinds == {
        "careless", "checks-skipped", "site-move", "arc-drift", "v-grooves-dirty",
        "electrodes-late", "arc-step", "blade-overdue", "check-failed", "cold-front",
        "readings-gap", "fiber-position",
    }  # fmt: skip
    harmless = {fault["kind"] for fault in sample.truth["faults"] if fault["harmless"]}
    assert harmless == {"site-move", "cold-front"}


def test_tern_skipped_its_checks_in_the_fortnight(sample):
    missed = [
        row["day"]
        for row in sample.truth["check_days"]
        if row["splicer"] == "Tern" and row["status"] == "missed"
    ]
    inside = [day for day in missed if "2026-08-17" <= day <= "2026-08-28"]
    assert len(inside) >= 5


def test_osprey_worked_all_day_after_a_failed_check(sample):
    (row,) = [
        row
        for row in sample.truth["check_days"]
        if (row["splicer"], row["day"]) == ("Osprey", "2026-10-07")
    ]
    assert row["status"] == "failed-only"
    assert row["splices"] > 20


def test_pass_has_no_readings_for_two_days(sample):
    at = sample.readings.query("site == 'Pass'")["read_at"].sort_values()
    gap = at.diff()
    assert gap.max() == pd.Timedelta(days=2, minutes=30)
    assert (gap.drop(gap.idxmax()).dropna() == pd.Timedelta(minutes=30)).all()


def test_curlew_moved_to_pass_and_back(sample):
    subset = sample.splices.query("splicer == 'Curlew'")
    there = subset[subset["site"] == "Pass"]
    days = local_date(there["spliced_at"])
    assert days.min() >= "2026-08-24"
    assert days.max() <= "2026-09-18"
    assert days.nunique() > 12
    assert set(subset.loc[~subset.index.isin(there.index), "site"]) == {"Valley"}


def test_technicians_and_splicers_are_connected(sample):
    table = pd.crosstab(sample.splices["technician"], sample.splices["splicer"])
    assert ((table > 0).sum(axis=1) >= 4).all()
    assert ((table > 0).sum(axis=0) >= 6).all()


def test_the_newcomer_practices_first(sample):
    practice = sample.splices.query("purpose == 'practice'")
    assert set(practice["technician"].dropna()) == {"Hornbeam"}
    assert local_date(practice["spliced_at"]).min() >= "2026-09-14"
    hers = sample.splices.query("technician == 'Hornbeam'")
    assert local_date(hers["spliced_at"]).min() >= "2026-09-14"
