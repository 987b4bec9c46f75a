"""Chart design: the budget, what it buys, and the alarms it would have given."""

from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from arcdrift.analysis.budget.replay_alarms import ALARM_COLUMNS
from arcdrift.settings import load_crew
from dashboard import ids
from dashboard.components import View
from dashboard.pages.budget import budget, budget_trial
from dashboard.pages.budget.budget_query import CHARTS, requested_budget
from dashboard.reading.data import CrewData
from tests.dashboard.invented import CREW_TOML, write_crew
from tests.dashboard.rendering import parts, shown, text, whole


def view(data: CrewData, **query: str) -> View:
    run = data.run()
    assert run is not None
    return View(data, run, query, "light")


def test_the_price_of_half_this_twice_and_five_times_the_budget(data: CrewData):
    table = budget.detection_delay_table(view(data))
    assert list(table["budget"].unique()) == [1.0, 2.0, 4.0, 10.0]
    half = table.pivot_table(index="budget", columns="rise_pct", values="half_within_days")
    # a larger budget never takes longer, and neither does a larger rise
    assert (half.diff().iloc[1:] <= 0).all(axis=None)
    assert (half.T.diff().iloc[1:] <= 0).all(axis=None)
    words = shown(data, "/budget")
    assert "2 (this)" in words
    assert "With 2 false alarms a month half of all lasting rises" in "".join(
        str(getattr(part, "aria-label", "")) for part in parts(whole(data, "/budget", ""))
    )


def test_the_shares_are_told_with_what_each_finds(data: CrewData):
    words = shown(data, "/budget", "?budget=4")
    for name, (chart, finds) in CHARTS.items():
        assert f"{chart} finds {finds}" in words, name
    page = view(data, budget="4")
    plans = budget.chart_plans_requested(page, requested_budget(page))
    rows = {plan.name: plan for plan in plans}
    assert rows["loss_raised"].per_month == pytest.approx(1.6)
    # three streams, of which two work on all of the last 22 workdays and one on three of them
    assert rows["loss_raised"].pace == 47
    assert rows["loss_raised"].run_length == pytest.approx(47 / 1.6)
    assert "drawn 1.10 times as far out" in words


def test_a_dull_blade_has_its_price_and_its_alarms_are_listed(data: CrewData):
    table = budget.TABLES["angle-price"](view(data))
    half = table.pivot_table(index="budget", columns="rise_pct", values="half_within_days")
    assert (half.diff().iloc[1:] <= 0).all(axis=None)
    assert (half.T.diff().iloc[1:] <= 0).all(axis=None)
    assert "Dull blades: the price of several budgets" in shown(data, "/budget")
    rows = budget_trial.trial_alarms(view(data), requested_budget(view(data)))
    risen = rows[rows["measure"] == "cleave"]
    assert set(risen["subject_id"]) == {"C9", "Birch"}
    words = text(budget_trial.trial_list(view(data)))
    assert "Cleave angles have risen" in words
    assert "+40 % that day against what was expected" in words


def test_findings_that_come_from_no_chart_are_told_with_the_reason(data: CrewData):
    words = shown(data, "/budget")
    assert "Findings outside the budget" in words
    for subject in ("missed, late and failed checks", "far above what is usual", "heated room",
                    "sign-off", "99 % interval"):  # fmt: skip
        assert subject in words


def saved(data: CrewData, query: dict[str, str]) -> Any:
    """What is answered to somebody who sees the page as it is now."""
    return budget.save_requested_budget(data, query, budget.budget_words(data.settings()))


def test_shares_of_an_old_file_are_told_and_can_be_saved(tmp_path: Path):
    write_crew(tmp_path)
    toml = tmp_path / "crew.toml"
    old = ("loss_raised = 0.4", "loss_lowered = 0.1", "arc = 0.25")
    toml.write_text("\n".join([CREW_TOML, "[shares]", *old]), encoding="utf-8")
    data = CrewData(tmp_path)
    words = shown(data, "/budget")
    assert "say nothing of doubtful arc checks" in words
    assert "Save 2 a month and these shares" in words
    assert "Saved" in text(saved(data, {}))
    assert load_crew(tmp_path).notices == ()
    assert "say nothing of doubtful arc checks" not in shown(data, "/budget")


@pytest.mark.parametrize(
    ("query", "said"),
    [
        ("?budget=0", "A budget is a number from 0.01 to 1,000 false alarms a month."),
        ("?budget=none", "A budget is a number from 0.01 to 1,000 false alarms a month."),
        ("?budget=nan", "A budget is a number from 0.01 to 1,000 false alarms a month."),
        ("?loss_raised=45", "The shares add to 105 %; they must add to 100 %."),
        ("?arc=0", "Each share is a number above 0 % and below 100 %."),
    ],
)
def test_what_cannot_be_is_refused_in_a_sentence(data: CrewData, query: str, said: str):
    assert said in shown(data, "/budget", query)
    answer = text(saved(data, dict([query[1:].split("=")])))
    assert answer.strip() == f"Nothing was saved. {said}"


def test_the_fields_keep_what_was_typed_until_the_shares_add_up(data: CrewData):
    page = parts(whole(data, "/budget", "?loss_raised=45&budget=3"))
    kinds = ("NumberInput", "Slider")
    fields = {part.id["key"]: part.value for part in page if type(part).__name__ in kinds}
    assert (fields["loss_raised"], fields["arc"], fields["budget"]) == (45, 22, 3)
    good = requested_budget(view(data, loss_raised="45", arc="17"))
    assert (good.problem, good.shares.loss_raised) == ("", 0.45)


def test_the_present_budget_lists_the_alarms_on_record(data: CrewData):
    rows = budget_trial.trial_alarms(view(data), requested_budget(view(data)))
    seen = {(row["subject_id"], row["measure"], row["side"]) for row in rows.to_dict("records")}
    assert ("Kestrel / single-mode fixed", "level", "up") in seen
    assert ("Birch", "level", "up") in seen
    assert ("Heron", "arc", "down") in seen or ("Heron", "arc", "up") in seen
    words = text(budget_trial.trial_card(view(data)))
    assert f"With the present budget, 2 a month, you had {len(rows)} alarms on these 60" in words
    assert "chance alone gives about 5.5" in words  # 2 a month of 22 workdays, for 60 of them


def test_another_budget_is_set_beside_the_present_one(data: CrewData):
    one = view(data, budget="40")
    rows = budget_trial.trial_alarms(one, requested_budget(one))
    words = text(budget_trial.trial_card(one))
    tried, gone = (~rows["only_now"]).sum(), rows["only_now"].sum()
    assert f"With 40 a month you would have had {tried} alarms" in words
    assert f"{rows['now'].isna().sum()} of the alarms below would be new, {gone}" in words
    # Kestrel rose by more than half for its last ten days
    kestrel = rows[(rows["subject_id"] == "Kestrel / single-mode fixed") & ~rows["only_now"]]
    assert (kestrel["day"] >= "2025-06-04").any()


def test_what_a_budget_means_is_said_in_sentences_beside_the_slider(data: CrewData):
    words = shown(data, "/budget")
    assert "2 a month (22 workdays) when nothing is wrong: about one every 11 workdays" in words
    assert "Half of all lasting rises of one splicer's loss are caught: 25 % in" in words
    assert words.index("when nothing is wrong") < words.index("you had")
    assert "about 1.8 every workday" in shown(data, "/budget", "?budget=40")
    page = list(parts(whole(data, "/budget", "?budget=40")[0]))
    (slider,) = [part for part in page if type(part).__name__ == "Slider"]
    assert (slider.value, slider.max) == (12, 12)  # the address may go further


def test_alarms_stand_on_a_time_line_and_lead_to_their_charts(data: CrewData):
    page = parts(budget_trial.trial_card(view(data, budget="40")))
    figure = next(part.figure for part in page if type(part).__name__ == "Graph")
    marks = [one for trace in figure["data"] for one in trace["customdata"]]
    rows = budget_trial.trial_alarms(*(lambda v: (v, requested_budget(v)))(view(data, budget="40")))
    assert len(marks) == len(rows)
    assert any(href == "/loss?splicer=Kestrel&program=single-mode+fixed" for *_, href in marks)
    assert {trace["marker"]["symbol"] for trace in figure["data"]} >= {"diamond"}
    assert "Loss" in figure["layout"]["yaxis"]["ticktext"]


def test_alarms_of_the_same_chart_are_matched_when_near():
    def rows(*days: str) -> pd.DataFrame:
        return pd.DataFrame(
            {"day": pd.to_datetime(list(days)), "subject_type": "splicer", "subject_id": "Heron",
             "measure": "arc", "side": "up", "value": 1.0, "expected": 1.0, "evidence": 1.1}
        )[ALARM_COLUMNS]  # fmt: skip

    told = budget_trial.match_alarms(rows("2025-05-01", "2025-05-20"), rows("2025-05-03"))
    assert told["now"].iloc[0] == 2
    assert pd.isna(told["now"].iloc[1])


@pytest.mark.parametrize(
    ("row", "words"),
    [
        (("level", "stream", 0.06, 0.04), "+50 % that day: 0.060 dB, 0.040 dB was expected"),
        (("level", "site", 1.2, 0.96), "+25 % that day against what was expected"),
        (("dirty", "crew", 0.05, 0.02), "5.0 % that day, 2.0 % was expected"),
        (("arc", "splicer", 118.0, 110.6), "set to 118, 111 was expected"),
        (("level", "site", 1.2, None), "not known"),
    ],
)
def test_how_far_an_alarm_was_out_is_told_in_its_own_unit(row, words):
    names = ("measure", "subject_type", "value", "expected")
    assert budget_trial.how_far(dict(zip(names, row, strict=True))) == words


def test_people_show_only_as_they_may_be_seen(tmp_path: Path):
    write_crew(tmp_path)
    toml = tmp_path / "crew.toml"
    toml.write_text(CREW_TOML + "[prep]\nperson_pages = false\n", encoding="utf-8")
    hidden = CrewData(tmp_path)
    rows = budget_trial.trial_alarms(view(hidden), requested_budget(view(hidden)))
    assert "technician" not in set(rows["subject_type"])
    assert "Birch" not in shown(hidden, "/loss")
    assert "off screens" in shown(hidden, "/loss", "?subject=technician:Birch")
    toml.write_text(CREW_TOML + "[prep]\npseudonyms = true\n", encoding="utf-8")
    masked = CrewData(tmp_path)
    name = masked.people.shown("Birch")
    assert name in set(masked.alarms_under_budget(2.0, masked.budget_in_use()[1])["subject_id"])
    words = shown(masked, "/loss", f"?subject=technician:{name}")
    assert "1 alarm." in words
    assert "Birch" not in words
    assert "no chart of that name" in shown(masked, "/loss", "?subject=technician:Birch")


def test_save_writes_crew_toml_and_says_when_it_counts(tmp_path: Path):
    data = CrewData(write_crew(tmp_path))
    assert "says so already" in text(saved(data, {}))
    answer = text(saved(data, {"budget": "3.5", "loss_raised": "35", "arc": "27"}))
    assert "Saved: crew.toml now says 3.5 false alarms a month." in answer
    assert "arcdrift analyze" in answer
    crew = load_crew(tmp_path)
    assert (crew.false_alarms_per_month, crew.shares.arc) == (3.5, 0.27)
    words = shown(data, "/budget")
    assert "the charts still go by 2 and the former shares until the next" in words
    assert "3.5 (this)" in words


def test_who_saves_second_is_told_and_overwrites_nothing(tmp_path: Path) -> None:
    data = CrewData(write_crew(tmp_path))
    drawn = [part for part in parts(whole(data, "/budget", "?budget=3"))
             if getattr(part, "id", None) == ids.budget_seen("?budget=3")]  # fmt: skip
    (seen,) = (part.data for part in drawn)
    assert "Saved" in text(budget.save_requested_budget(data, {"budget": "4"}, seen))
    answer = text(budget.save_requested_budget(data, {"budget": "3"}, seen))
    assert "Nothing was saved. Meanwhile somebody else has changed the budget" in answer
    assert "now says 4 false alarms a month" in answer
    assert load_crew(tmp_path).false_alarms_per_month == 4
    # the same button again is no quarrel
    assert "says so already" in text(budget.save_requested_budget(data, {"budget": "4"}, seen))
