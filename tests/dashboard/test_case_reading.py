"""Pages read cases as they stand, and write down what people say."""

from pathlib import Path
from typing import Any

import pytest

from arcdrift.analysis.cases.found_cases import found_cases
from arcdrift.analysis.review.result_tables import cases_table, findings_table
from arcdrift.errors import StaleChange, UsageError
from arcdrift.store.database.connect import open_store
from arcdrift.store.results.result_replacement import replace_results
from dashboard.pages.findings.finding_words import case_link, is_open, next_step
from dashboard.reading.data import CrewData
from tests.analysis.cases.made_up_findings import day, finding, records
from tests.dashboard.invented import results, write_crew


@pytest.fixture
def data(tmp_path: Path) -> CrewData:
    """A crew with one case, about a splicer."""
    write_crew(tmp_path)
    raised = finding("loss-raised", "Heron", 10, 20)
    single = finding("loss-over-limit", "Heron / a", about="stream", single_limit_db=0.3)
    found = found_cases([raised, single], [], records(days=24, splicers=("Heron",)), day(24))
    told = [
        type(raised)(**vars(one) | {"case_id": found.case_ids.get(one.id)})
        for one in (raised, single)
    ]
    engine = open_store(tmp_path)
    rows = {"findings": findings_table(told), "result_cases": cases_table(found)}
    replace_results(engine, results() | rows, kept_cases=found.kept)
    engine.dispose()
    return CrewData(tmp_path)


def of_case(data: CrewData) -> tuple[dict[str, Any], dict[str, Any]]:
    (case,) = data.cases()
    (about,) = (one for one in data.findings() if one["case_id"] == case["id"])
    return case, about


def test_what_a_person_says_shows_at_once(data: CrewData) -> None:
    case, about = of_case(data)
    assert (case["state"], about["case_state"], is_open(about)) == ("new", "new", True)
    link = case_link(about)
    assert (link.children, link.href) == ("Case: new", f"/cases/{case['id']}")
    data.state_case(case["id"], "done", said_by="Ash", why="cleaned", based_on=0)
    case, about = of_case(data)
    assert (case["state"], case["owner"], case["version"]) == ("waiting", "Ash", 1)
    assert next_step(about) == case["next_step"] != about["next_step"]
    data.state_case(case["id"], "close", said_by="Ash", how="accepted", based_on=1)
    assert not is_open(of_case(data)[1])


def test_a_page_that_is_out_of_date_is_refused(data: CrewData) -> None:
    (case,) = data.cases()
    data.state_case(case["id"], "take", said_by="Ash", based_on=0)
    with pytest.raises(StaleChange, match="Meanwhile Ash took it on"):
        data.state_case(case["id"], "take", said_by="Birch", based_on=0)
    with pytest.raises(UsageError, match="There is no case"):
        data.state_case("nothing", "take", said_by="Birch")


def test_findings_of_single_splices_lead_to_the_list(data: CrewData) -> None:
    (single,) = (one for one in data.findings() if one["kind"] == "loss-over-limit")
    assert single["case_id"] is None
    assert is_open(single)
    link = case_link(single)
    assert (link.children, link.href) == ("Among the splices to revisit", "/cases/revisit")
    assert data.splices_to_revisit() == []
