"""Results are replaced whole, and findings come in their order."""

from datetime import timedelta

import pandas as pd
import pytest
from pandas.testing import assert_frame_equal

from arcdrift.store.database.connect import reading
from arcdrift.store.results.result_replacement import replace_results
from arcdrift.store.results.result_rows import read_findings, read_result
from tests.both_stores import both_stores
from tests.store.stored_examples import RUN, START

pytestmark = both_stores


def test_results_are_replaced_whole(filled):
    days = pd.DataFrame(
        {
            "splicer": ["Kestrel", "Heron"],
            "day": ["2025-03-01", "2025-03-01"],
            "site": [None, "Harbor"],
            "status": ["missed", "checked"],
            "checked_at": pd.Series([pd.NaT, START]).astype("datetime64[us, UTC]"),
            "splices": [10, 20],
            "splices_before_check": [10, 0],
            "attempts": [0, 1],
            "failed_attempts": [0, 0],
            "splices_after_failure": [0, 0],
            "day_over": [True, False],
        }
    )
    replace_results(filled, {"result_check_days": days, "analysis_run": pd.DataFrame(RUN)})
    stored = read_result(filled, "result_check_days")
    assert list(stored["splicer"]) == ["Heron", "Kestrel"]
    assert stored["day_over"].dtype == bool
    assert list(stored["day_over"]) == [False, True]
    assert stored.loc[0, "checked_at"] == START
    assert stored["checked_at"].isna().tolist() == [False, True]
    one = read_result(filled, "result_check_days", splicer="Heron")
    assert list(one["splices"]) == [20]
    with reading(filled):
        assert_frame_equal(read_result(filled, "result_check_days"), stored)
    run = read_result(filled, "analysis_run")
    assert run.loc[0, "now"] == RUN["now"][0]

    replace_results(filled, {"result_check_days": days.iloc[:1]})
    assert list(read_result(filled, "result_check_days")["splicer"]) == ["Kestrel"]
    assert read_result(filled, "analysis_run").empty
    with pytest.raises(ValueError, match="not a result table: splices"):
        replace_results(filled, {"splices": days})


def test_findings_come_most_pressing_first(engine):
    frame = pd.DataFrame(
        {
            "id": ["a", "b", "c"],
            "kind": ["arc-drift", "check-missed", "arc-drift"],
            "subject_type": "splicer",
            "subject_id": ["Heron", "Heron", "Kestrel"],
            "since": START,
            "until": [START, START + timedelta(days=1), START + timedelta(days=2)],
            "severity": ["note", "note", "act"],
            "document": ['{"id": "a"}', '{"id": "b"}', '{"id": "c"}'],
        }
    )
    replace_results(engine, {"findings": frame})
    assert [one["id"] for one in read_findings(engine)] == ["c", "b", "a"]
    assert [one["id"] for one in read_findings(engine, subject="Heron")] == ["b", "a"]
    assert [one["id"] for one in read_findings(engine, kind="arc-drift")] == ["c", "a"]
    later = (START + timedelta(hours=1)).to_pydatetime()
    assert [one["id"] for one in read_findings(engine, since=later)] == ["c", "b"]
