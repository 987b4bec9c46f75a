"""One review of a made-up log: tables complete, findings of what was planted and nothing else."""

import json

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.people.cleave_runs import practice_splices
from arcdrift.analysis.people.prep_review import review_prep
from arcdrift.figures.hands import days_with_sessions
from arcdrift.figures.prep import (
    people_effects,
    share_against_volume,
    shared_work,
    spread_days,
)
from arcdrift.settings import Crew
from arcdrift.store.results.result_replacement import replace_results
from arcdrift.store.results.result_rows import read_result
from tests.analysis.review.made_up_log import CREW, SERVICE, Summed, made_up_log, times
from tests.empty_store import empty_store

SIDES = ("cleave_left_deg", "cleave_right_deg")


def reviewed(log, crew=CREW):
    seen = Summed(log)
    now = log["spliced_at"].max() + pd.Timedelta(hours=1)
    return review_prep(
        seen.cells.drop(columns="cleaves"), seen.runs, practice_splices(log), seen.use, SERVICE,
        crew, now,
    )  # fmt: skip


@pytest.fixture(scope="module")
def told():
    log = made_up_log(1)
    t2 = log["technician"] == "t2"
    times(log, t2, 1.6, *SIDES)
    log.loc[t2 & (log["number"] == 39) & log["nth"].between(3, 6), "cleave_left_deg"] = 4.5
    times(log, log["splicer"] == "s3", 1.6, "cleave_right_deg")
    rough = log["technician"] == "t4"
    rng = np.random.default_rng(2)
    times(log, rough, np.exp(0.35 * rng.standard_normal(rough.sum())), *SIDES)
    times(log, log["technician"] == "t5", 1.5, "loss_db")
    log.loc[(log["technician"] == "t1") & (log["number"] == 12), "outcome"] = "redo"
    return reviewed(log)


def test_findings_are_those_of_what_was_planted(told):
    found = {(one.kind, one.subject_type, one.subject_id) for one in told.findings}
    assert ("cleave-raised", "technician", "t2") in found
    assert ("cleave-run", "technician", "t2") in found
    assert ("cleave-uneven", "splicer", "s3") in found
    assert ("prep-inconsistent", "technician", "t4") in found
    # nobody is blamed but those two; of machines only the one with the bent side
    assert {name for _, who, name in found if who == "technician"} == {"t2", "t4"}
    assert {name for _, who, name in found if who == "splicer"} == {"s3"}
    run = next(one for one in told.findings if one.kind == "cleave-run")
    assert run.severity in ("watch", "act")
    assert len(run.evidence["splice_ids"]) >= 4
    assert f"blade of cleaver {run.evidence['cleaver']}" in run.next_step
    assert all("eye protection" in one.next_step for one in told.findings)


def test_every_table_goes_into_the_store_and_comes_back(told, tmp_path):
    engine = empty_store(tmp_path)
    replace_results(engine, told.frames)
    for name, frame in told.frames.items():
        assert len(read_result(engine, name)) == len(frame), name
    days = read_result(engine, "result_person_days", technician="t5")
    assert days["loss_level"].mean() > 0.2
    document = json.loads(read_result(engine, "result_prep")["document"].iloc[0])
    assert document["sets"] == 1
    assert document["refusal"] is None
    engine.dispose()


def test_shares_stand_apart_from_the_machines(told):
    shares = told.frames["result_shares"].set_index(["measure", "technician"])
    again = shares.loc["first_time"]
    assert again.index[again["share"] > again["high"]].tolist() == ["t1"]
    assert again["observed"].sum() == again.loc["t1", "observed"]


def test_figures_say_in_words_what_they_show(told):
    frames = told.frames
    people = frames["result_people"]
    people = people[(people["who"] == "technician") & (people["measure"] == "loss")]
    picture = people_effects(people, "loss", margin=0.1)
    assert picture.summary.startswith("6 with a figure, by name.")
    assert picture.table["name"].tolist() == sorted(picture.table["name"])
    crew = json.loads(frames["result_prep"]["document"].iloc[0])["shares"]["first_time"]
    shown = share_against_volume(frames["result_shares"], "first_time", typical=crew["share"],
                   spread=crew["overdispersion"])  # fmt: skip
    assert shown.summary.endswith("by chance: t1.")
    assert "a person used 6 of them." in shared_work(frames["result_shared_work"]).summary
    own = frames["result_person_days"]
    rough = own[own["technician"] == "t4"]
    assert "40 days;" in spread_days(rough, 0.3).summary
    assert days_with_sessions(rough, [("2026-01-20", "cleaving")], "angle").figure is not None
    nothing = spread_days(rough.iloc[:0], None)
    assert nothing.figure is None
    assert "No day" in nothing.summary


def test_a_log_without_names_is_refused_in_a_sentence():
    log = made_up_log(1, days=3)
    log["technician"] = None
    told = reviewed(log)
    document = json.loads(told.frames["result_prep"]["document"].iloc[0])
    assert document["refusal"] == "No splice names its technician yet."
    assert told.findings == []
    assert len(told.frames["result_blades"]) == 6


def test_older_work_than_the_window_is_left_out():
    log = made_up_log(1, days=70)
    short = Crew.model_validate({"name": "invented", "prep": {"window_days": 28}})
    days = reviewed(log, short).frames["result_person_days"]["day"]
    # 70 days from the first of March; 28 days back from 9 May lie in April
    assert days.min() == "2026-04-01"
