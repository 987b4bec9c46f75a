"""The sample crew's planted faults are found, and what is harmless is left alone.

Truth: data/sample/truth.json, written by the simulator, never read by the analyses.
"""

import json
import os

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.advice.advice_from_store import advice_from_store, advice_of_splicers
from arcdrift.analysis.arc.arc_model import ArcModel
from arcdrift.analysis.attempts.hints.comparisons import POINTS_TO
from arcdrift.analysis.review.review import review
from arcdrift.finding import Finding
from arcdrift.store.imports.set_aside_rows import read_quarantined
from arcdrift.store.records.record_overview import read_splicers
from arcdrift.store.records.record_rows import read_records
from arcdrift.store.results.result_rows import read_findings, read_result
from tests.recovery.conftest import FILES, SAMPLE, Sample

STREAM = ["splicer", "program"]


def instant(text: str) -> pd.Timestamp:
    return pd.Timestamp(text)


def about(sample: Sample, kind: str, subject: str) -> list[Finding]:
    return [
        finding
        for finding in sample.review.findings
        if finding.kind == kind and finding.subject_id.split(" / ")[0] == subject
    ]


@pytest.mark.parametrize("name", FILES)
def test_every_row_of_the_sample_is_accounted_for(sample: Sample, name: str) -> None:
    went, truth = sample.reports[name].balance, sample.truth["files"][name]
    assert went.rows == truth["rows"]
    assert went.quarantined == truth["broken"]
    assert went.already_stored == truth["repeated"]
    assert went.conflicting == 0
    assert went.accepted == truth["rows"] - truth["broken"] - truth["repeated"]


def test_quarantined_lines_are_the_broken_ones(sample: Sample) -> None:
    stored = read_quarantined(sample.engine)
    got = {(row.file_name, row.line) for row in stored.itertuples()}
    broken = {
        (row["file"], row["line"])
        for row in sample.truth["broken_rows"]
        if row["expected"] == "quarantined"
    }
    assert got == broken


def test_every_check_status_is_exact(sample: Sample) -> None:
    got = read_result(sample.engine, "result_check_days").set_index(["splicer", "day"])
    for row in sample.truth["check_days"]:
        mine = got.loc[(row["splicer"], row["day"])]
        assert mine["status"] == row["status"], row
        assert mine["splices"] == row["splices"], row
        assert mine["splices_before_check"] == row["splices_before_check"], row
    listed = {(row["splicer"], row["day"]) for row in sample.truth["check_days"]}
    rest = got[~got.index.isin(list(listed))]
    assert set(rest["status"]) <= {"no-work"}


def test_arc_step_is_found_with_its_size_and_day(sample: Sample) -> None:
    (fault,) = sample.faults("arc-step")
    found = [
        finding
        for kind in ("arc-step", "arc-drift")
        for finding in about(sample, kind, fault["subject"])
    ]
    assert len(found) == 1
    (finding,) = found
    assert finding.kind == "arc-step"
    assert finding.onset is not None
    assert abs(finding.onset.estimate - instant(fault["since"])) <= pd.Timedelta(days=3)
    assert finding.evidence["unexplained_change"] == pytest.approx(fault["size"], abs=3)
    # the pair of electrodes was replaced: nothing is alarmed after the cure
    assert finding.until <= instant(fault["until"])


def test_arc_drift_is_found_and_told_from_a_step(sample: Sample) -> None:
    (fault,) = sample.faults("arc-drift")
    (finding,) = about(sample, "arc-drift", fault["subject"])
    assert not about(sample, "arc-step", fault["subject"])
    assert finding.onset is not None
    began = instant(fault["since"])
    assert abs(finding.onset.estimate - began) <= pd.Timedelta(days=14)
    assert finding.onset.earliest <= began <= finding.onset.latest
    days = (sample.review.now - began) / pd.Timedelta(days=1)
    assert finding.evidence["unexplained_change"] == pytest.approx(fault["size"] * days, rel=0.3)


def test_no_other_splicer_has_an_arc_finding(sample: Sample) -> None:
    """Neither the move to Pass nor the cold front is an alarm."""
    faulty = {
        fault["subject"] for kind in ("arc-step", "arc-drift") for fault in sample.faults(kind)
    }
    named = {
        finding.subject_id
        for finding in sample.review.findings
        if finding.kind in ("arc-step", "arc-drift")
    }
    assert named == faulty


def test_dirty_v_grooves_are_found_at_their_onset(sample: Sample) -> None:
    (fault,) = sample.faults("v-grooves-dirty")
    began = instant(fault["since"]).normalize()
    (finding,) = [
        finding
        for finding in about(sample, "loss-raised", fault["subject"])
        if finding.until >= began
    ]
    assert finding.onset is not None
    assert abs(finding.onset.estimate - began) <= pd.Timedelta(days=3)
    assert finding.evidence["ratio"] == pytest.approx(fault["size"], abs=0.25)
    assert finding.likely_causes[0].cause.startswith("the splicer")
    # told once, about the machine: the people who worked on it are its evidence
    assert (finding.subject_type, finding.subject_id) == ("splicer", fault["subject"])
    assert any(text.startswith("cleaver C4") for text in finding.evidence["may_also_be"])
    assert not [
        other
        for other in sample.review.findings
        if other.kind == "loss-raised" and other is not finding and other.until >= began
    ]
    assert not any("technician's splices: " in cause.cause for cause in finding.likely_causes)


def test_an_overdue_blade_is_told_about_its_cleaver(sample: Sample) -> None:
    (fault,) = sample.faults("blade-overdue")
    (finding,) = about(sample, "cleave-raised", fault["subject"])
    assert finding.onset is not None
    assert finding.onset.earliest is not None
    assert abs(finding.onset.estimate - instant(fault["since"])) <= pd.Timedelta(days=7)
    assert finding.onset.earliest <= instant(fault["since"]) <= finding.onset.latest
    assert finding.evidence["ended"]
    assert finding.until <= instant(fault["until"])
    assert finding.evidence["cleaves_on_position"] > 2 * finding.evidence["cleaves_per_position"]
    assert finding.likely_causes[0].cause == "the blade: overdue for a turn"
    assert len(finding.evidence["in_hands"]) >= 4


def test_people_are_judged_without_the_days_of_the_overdue_blade(sample: Sample) -> None:
    """Only the careless person is named for angles, and none of the proof is of that blade."""
    (careless,) = sample.faults("careless")
    (blade,) = sample.faults("blade-overdue")
    rises = read_result(sample.engine, "result_angle_shifts")
    assert rises["subject"].tolist() == [blade["subject"]]
    named = [
        finding
        for finding in sample.review.findings
        if finding.kind.startswith("cleave") and finding.subject_type == "technician"
    ]
    assert {finding.subject_id for finding in named} == {careless["subject"]}
    since, until = rises["since"].iloc[0], rises["until"].iloc[0]
    logged = read_records(sample.engine, "splices", columns=["id", "cleaver", "spliced_at"])
    dull = logged["cleaver"].eq(blade["subject"]) & logged["spliced_at"].between(since, until)
    proof = {
        number
        for finding in named
        if finding.kind == "cleave-run"
        for number in finding.evidence["splice_ids"]
    }
    assert proof
    assert not proof & set(logged.loc[dull, "id"])
    days = read_result(sample.engine, "result_person_days", technician=careless["subject"])
    assert days["angle_level"].notna().sum() >= 50


def test_losses_that_came_with_a_careless_hand_say_so(sample: Sample) -> None:
    (fault,) = sample.faults("careless")
    about_loss = [
        finding
        for finding in sample.review.findings
        if finding.kind in ("loss-raised", "loss-dirty", "first-time-lowered", "errors-raised")
    ]
    # the hand itself is told of, once and with the streams it showed on, not stream by stream
    own = [one for one in about_loss if one.subject_id == fault["subject"]]
    assert own
    assert all(any(fault["subject"] in cause.cause for cause in one.likely_causes) for one in own)
    # nobody takes over from themselves
    assert not any("change of hands" in cause.cause for one in own for cause in one.likely_causes)
    assert any(one.evidence.get("also_seen") for one in own)


def test_skipped_checks_and_work_on_a_failed_check_are_findings(sample: Sample) -> None:
    (skipped,) = sample.faults("checks-skipped")
    missed = about(sample, "check-missed", skipped["subject"])
    assert any(
        finding.evidence["days"] >= 5
        and finding.since <= instant(skipped["until"])
        and finding.until >= instant(skipped["since"])
        for finding in missed
    )
    (failed,) = sample.faults("check-failed")
    found = about(sample, "check-failed", failed["subject"])
    assert any(
        finding.since <= instant(failed["until"]) and finding.until >= instant(failed["since"])
        for finding in found
    )


def test_readings_gap_is_found_where_it_was(sample: Sample) -> None:
    (fault,) = sample.faults("readings-gap")
    found = [finding for finding in sample.review.findings if finding.kind == "readings-gap"]
    assert [finding.subject_id for finding in found] == [fault["subject"]]
    assert instant(fault["since"]) <= found[0].since
    assert found[0].until <= instant(fault["until"])


def test_intervals_of_the_arc_effects_hold_the_truth(sample: Sample) -> None:
    """Coefficients of the healthy splicers; 95 % intervals, so nearly all must cover."""
    rows = read_result(sample.engine, "result_arc_models")
    faulty = {"Kestrel", "Plover"}
    covered = total = 0
    for row in rows[~rows["splicer"].isin(faulty)].itertuples():
        model = ArcModel.from_json(json.loads(row.model))
        truth = sample.truth["arc"][row.splicer]
        true = [truth["density"] * 0.01, truth["vapor"], truth["wear"]]
        covered += sum(
            e.low <= value <= e.high for e, value in zip(model.effects, true, strict=True)
        )
        total += 3
        assert model.sigma == pytest.approx(truth["noise_sd"], rel=0.35)
    assert total == 18
    assert covered >= 15


def test_advice_follows_the_day(sample: Sample) -> None:
    today = {
        row["splicer"]: row["status"]
        for row in sample.truth["check_days"]
        if row["day"] == max(other["day"] for other in sample.truth["check_days"])
    }
    if os.environ.get("ARCDRIFT_LONG") != "1":  # one splicer of each status
        today = {name: status for status, name in {s: n for n, s in today.items()}.items()}
    for splicer, status in today.items():
        told = advice_from_store(sample.engine, sample.crew, splicer)
        assert (told.verdict == "run-check") == (status == "due"), splicer
        assert told.basis == "model"


def test_advice_is_the_same_for_one_splicer_and_for_all(sample: Sample) -> None:
    names = read_splicers(sample.engine)
    together = advice_of_splicers(sample.engine, sample.crew, names)
    for splicer in names:
        alone = advice_from_store(sample.engine, sample.crew, splicer)
        assert json.dumps(together[splicer].to_json()) == json.dumps(alone.to_json())
        assert repr(together[splicer].start_of_day) == repr(alone.start_of_day)


def test_typed_in_air_far_from_the_check_recalibrates(sample: Sample) -> None:
    told = advice_from_store(
        sample.engine, sample.crew, "Heron",
        temperature_c=-8.0, pressure_hpa=1015.0, humidity_pct=60.0,
    )  # fmt: skip
    assert told.verdict == "recalibrate"
    assert told.air is not None
    assert told.air["source"] == "typed in"


def test_findings_are_traced_to_their_imports(sample: Sample) -> None:
    known = {report.import_id for report in sample.reports.values()}
    for finding in sample.review.findings:
        assert set(finding.import_ids) <= known
        assert finding.import_ids


@pytest.mark.long  # the demonstration is run twice, too
def test_review_again_gives_the_same_findings(sample: Sample) -> None:
    before = read_findings(sample.engine)
    again = review(sample.engine, sample.crew)
    after = read_findings(sample.engine)
    assert [finding.id for finding in again.findings] == [
        finding.id for finding in sample.review.findings
    ]
    for old, new in zip(before, after, strict=True):
        assert {**old, "assessed_on": None} == {**new, "assessed_on": None}


def test_most_work_has_air_and_the_rest_is_counted(sample: Sample) -> None:
    coverage = read_result(sample.engine, "result_air_coverage")
    share = coverage["with_air"].sum() / coverage["rows"].sum()
    assert 0.95 < share < 1.0
    splices = coverage[coverage["kind"] == "splices"]["rows"].sum()
    assert splices == sample.reports["splices.csv.gz"].balance.accepted


def test_crew_days_agree_with_the_records(sample: Sample) -> None:
    """Reference: plain pandas over the raw splices."""
    raw = read_records(sample.engine, "splices")
    local = raw["spliced_at"].dt.tz_convert("America/Denver").dt.strftime("%Y-%m-%d")
    kept = raw["loss_db"].notna() & (raw["purpose"] == "production")
    plain = raw[kept].groupby(local[kept])["loss_db"]
    days = read_result(sample.engine, "result_crew_days").set_index("day")
    np.testing.assert_allclose(days["mean_db"], plain.mean(), atol=1e-9)
    np.testing.assert_allclose(days["median_db"], plain.quantile(0.5, "lower"), atol=0.0051)
    assert days["over_010"].sum() == (raw.loc[kept, "loss_db"] > 0.10).sum()


def test_advice_tells_what_a_check_alone_does_not_settle(sample: Sample) -> None:
    told = advice_from_store(sample.engine, sample.crew, "Plover")
    assert told.verdict == "inspect"
    assert any(reason.startswith("The arc setting has been drifting") for reason in told.reasons)
    assert not any(
        "drifting" in r for r in advice_from_store(sample.engine, sample.crew, "Heron").reasons
    )


@pytest.fixture(scope="module")
def log() -> pd.DataFrame:
    """Complete rows of the sample's splice log, each once, in time order, read without arcdrift."""
    raw = pd.read_csv(SAMPLE / "splices.csv.gz", dtype=str).drop_duplicates()
    raw["loss_db"] = pd.to_numeric(raw["loss_db"], errors="coerce")
    raw["at"] = pd.to_datetime(raw["spliced_at"], utc=True, errors="coerce")
    return raw.dropna(subset=["at", "loss_db", "location"]).sort_values("at", kind="stable")


def test_what_lies_far_out_is_stored_with_the_limit_it_was_held_against(
    sample: Sample, log: pd.DataFrame
) -> None:
    stored = read_result(sample.engine, "result_exceptions")
    assert (stored["loss_db"] > stored["limit_db"]).all()
    same = stored.merge(
        log, left_on=[*STREAM, "spliced_at", "loss_db", "location"],
        right_on=[*STREAM, "at", "loss_db", "location"],
    )  # fmt: skip
    assert len(same) == len(stored)
    # planted: one splice in 60 to 200 from 0.2 to 1 dB, log-uniform
    far = log[(log["loss_db"] > 0.35) & (log["at"] > log["at"].min() + pd.Timedelta(days=30))]
    assert far["at"].isin(stored["spliced_at"]).mean() > 0.9


def test_each_stream_tells_its_limit_or_why_it_has_none(sample: Sample) -> None:
    limits = read_result(sample.engine, "result_single_limits")
    streams = read_result(sample.engine, "result_streams")
    assert limits[STREAM].equals(streams[STREAM])
    assert (limits["limit_db"].isna() == limits["refusal"].notna()).all()
    assert limits["limit_db"].between(0.1, 0.5).sum() >= 0.8 * len(limits)


def test_what_is_left_over_the_limit_is_the_last_at_its_place(
    sample: Sample, log: pd.DataFrame
) -> None:
    last = log.drop_duplicates("location", keep="last")
    over = last[last["loss_db"] > 0.30].groupby(STREAM).size()
    found = [finding for finding in sample.review.findings if finding.kind == "loss-over-limit"]
    splices = {finding.subject_id: finding.evidence["splices"] for finding in found}
    assert splices == {f"{splicer} / {program}": n for (splicer, program), n in over.items()}
    assert all(finding.evidence["not_told_if_made_again"] == 0 for finding in found)


def test_reasons_of_errors_point_to_lapwing_and_to_nothing_else(sample: Sample) -> None:
    (fault,) = sample.faults("fiber-position")
    hints = read_result(sample.engine, "result_error_hints")
    told = list(zip(hints["kind"], hints["subject"], hints["verdict"], strict=True))
    assert told == [("position", fault["subject"], POINTS_TO)]
