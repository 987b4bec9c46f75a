"""What a review says of a dull blade, and what it leaves of the people who used it."""

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.people.prep_review import review_prep
from arcdrift.figures.cleave_angles import angle_days
from arcdrift.store.results.result_replacement import replace_results
from arcdrift.store.results.result_rows import read_result
from tests.analysis.people.cleave_angles.crew_days import crew_days, found_in, raised
from tests.analysis.review.made_up_log import CREW, Summed, made_up_log, times
from tests.empty_store import empty_store

SIDES = ("cleave_left_deg", "cleave_right_deg")
TURNED = pd.Timestamp("2026-04-05 06:00", tz="UTC")
SERVICE = pd.DataFrame(
    {"asset": ["c3", "c3"], "action": ["blade rotated", "blade rotated"],
     "serviced_at": [pd.Timestamp("2026-03-20 06:00", tz="UTC"), TURNED]}
)  # fmt: skip


def review(log):
    summed = Summed(log)
    now = log["spliced_at"].max() + pd.Timedelta(hours=1)
    practice = pd.DataFrame(columns=["technician"])
    return review_prep(
        summed.cells.drop(columns="cleaves"), summed.runs, practice, summed.use, SERVICE, CREW, now
    )


@pytest.fixture(scope="module")
def reviewed():
    log = made_up_log(1, days=50, a_day=30)
    dull = (log["cleaver"] == "c3") & log["spliced_at"].between(
        pd.Timestamp("2026-03-25", tz="UTC"), TURNED
    )
    times(log, dull, 1.8, *SIDES)
    return review(log)


def test_the_finding_is_about_the_cleaver_and_says_why(reviewed):
    raised_findings = [f for f in reviewed.findings if f.kind == "cleave-raised"]
    (finding,) = raised_findings
    assert (finding.subject_type, finding.subject_id) == ("cleaver", "c3")
    assert abs(finding.onset.estimate - pd.Timestamp("2026-03-25", tz="UTC")) < pd.Timedelta("2D")
    assert finding.onset.earliest <= finding.onset.estimate <= finding.onset.latest
    assert finding.evidence["angle_change_low_pct"] < 80 < finding.evidence["angle_change_high_pct"]
    assert finding.evidence["blade_turned_before"] == "2026-03-20"
    assert finding.evidence["blade_turned_after"] == "2026-04-05"
    assert finding.evidence["ended"]
    assert "angles came down" in finding.likely_causes[0].why
    assert "in all" in finding.summary
    assert "eye protection" in finding.next_step


def test_nobody_is_held_to_account_for_the_blade(reviewed):
    named = {f.subject_id for f in reviewed.findings if f.subject_type == "technician"}
    assert named == set()
    kinds = set(reviewed.frames["result_signatures"].get("kind", pd.Series(dtype=object)))
    assert not kinds & {"both-sides", "cleave-run"}


def test_tables_go_through_the_store_and_into_the_figure(reviewed, tmp_path):
    engine = empty_store(tmp_path)
    replace_results(engine, reviewed.frames)
    shifts = read_result(engine, "result_angle_shifts")
    days = read_result(engine, "result_angle_days", subject="c3")
    engine.dispose()
    assert shifts["subject"].tolist() == ["c3"]
    assert days["alarm"].sum() >= 3
    assert days.loc[days["open"], "ratio"].median() > 1.3
    picture = angle_days(days, shifts)
    assert picture.figure is not None
    assert "Risen: up " in picture.summary
    assert " until 4 Apr 2026" in picture.summary
    plain = angle_days(days.assign(alarm=False), shifts.iloc[:0])
    assert plain.summary.endswith("No rise.")
    assert angle_days(days.iloc[:0], shifts).figure is None


def test_one_bad_side_is_laid_to_its_holder_not_to_the_blade():
    log = made_up_log(2, days=40, a_day=30)
    bent = (log["cleaver"] == "c1") & (log["number"] >= 25)
    times(log, bent, 2.2, "cleave_right_deg")
    (finding,) = [f for f in review(log).findings if f.kind == "cleave-raised"]
    assert finding.likely_causes[0].cause == "the right holder or clamp"


def test_hand_and_blade_that_cannot_be_told_apart_are_both_named_as_causes():
    cells = crew_days(7, weekly=False)
    cells = raised(cells, (cells["cleaver"] == "c2") & (cells["number"] >= 60), 1.4)
    (shift,) = found_in(cells)
    assert shift.sole_hand is not None
    assert np.isfinite(shift.ratio)
