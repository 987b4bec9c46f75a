"""What is kept of cases, and what people say about them: added, never lost, never overwritten."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import Engine

from arcdrift.case import CaseStatement, KeptCase
from arcdrift.errors import StaleChange, UsageError
from arcdrift.store.cases.case_statements import add_statement, read_statements
from arcdrift.store.cases.kept_cases import read_kept_cases
from arcdrift.store.results.result_replacement import replace_results
from arcdrift.store.results.store_versions import records_version, store_version
from tests.both_stores import both_stores
from tests.empty_store import empty_store

pytestmark = both_stores
AT = datetime(2026, 3, 2, 6, tzinfo=UTC)
CASE = KeptCase(
    "ab12cd34ef56", (("loss", "splicer", "Dunlin"),), AT, AT + timedelta(days=3), AT,
    title="Dunlin: loss up 45 % since 2 Mar",
)  # fmt: skip


@pytest.fixture
def engine(tmp_path: Path) -> Engine:
    engine = empty_store(tmp_path)
    replace_results(engine, {}, kept_cases=[CASE])
    return engine


def said(action: str = "take", by: str = "Ash", why: str = "") -> CaseStatement:
    return CaseStatement(CASE.id, action, by, why, AT + timedelta(days=4), CASE.until)


def test_a_case_is_kept_and_follows_its_evidence(engine: Engine) -> None:
    assert read_kept_cases(engine) == [CASE]
    grown = replace(CASE, until=AT + timedelta(days=9), title="Dunlin: loss up 60 % since 2 Mar")
    replace_results(engine, {}, kept_cases=[grown])
    assert read_kept_cases(engine) == [grown]
    replace_results(engine, {})  # an analysis that does not find it
    assert read_kept_cases(engine) == [grown]


def test_statements_are_read_as_they_were_said(engine: Engine) -> None:
    first = said(why="mine")
    done = replace(said("done", "Birch"), acted_on=AT + timedelta(days=3))
    assert add_statement(engine, first, based_on=0) == 1
    assert add_statement(engine, done, based_on=1) == 2
    assert read_statements(engine) == [first, done]
    assert read_statements(engine, ["another"]) == []
    (kept,) = read_kept_cases(engine)
    assert kept == replace(CASE, spoken=True)


def test_the_second_of_two_people_is_told_what_the_first_did(engine: Engine) -> None:
    add_statement(engine, said("take", "Ash", "on my way"), based_on=0)
    with pytest.raises(StaleChange) as stale:
        add_statement(engine, said("close", "Birch"), based_on=0)
    assert str(stale.value) == (
        'Meanwhile Ash took it on on 6 Mar 2026, 06:00 UTC ("on my way"); look at the case '
        "again, and say it once more if it still holds."
    )
    assert len(read_statements(engine)) == 1
    add_statement(engine, said("close", "Birch"), based_on=1)


def test_statements_of_a_joined_case_count(engine: Engine) -> None:
    other = replace(CASE, id="0123456789ab")
    replace_results(engine, {}, kept_cases=[other])
    add_statement(engine, replace(said(), case_id=other.id), based_on=0)
    with pytest.raises(StaleChange, match="Ash took it on"):
        add_statement(engine, said("take", "Birch"), same_case=[other.id], based_on=0)


def test_nobody_says_nothing(engine: Engine) -> None:
    with pytest.raises(UsageError, match="give --by NAME"):
        add_statement(engine, said(by="  "), based_on=None)
    with pytest.raises(UsageError, match="2,000 characters"):
        add_statement(engine, said(why="x" * 2001), based_on=None)


def test_screens_see_a_statement_at_once_and_results_stay_up_to_date(engine: Engine) -> None:
    before = store_version(engine), records_version(engine)
    add_statement(engine, said(), based_on=0)
    assert store_version(engine) != before[0]
    assert records_version(engine) == before[1]
