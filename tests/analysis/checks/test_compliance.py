"""Compliance: what counts, for whom, and what is said of few days. Counts are read off by hand."""

import pandas as pd
import pytest

from arcdrift.analysis.checks.compliance import FEW_DAYS, NOT_LOGGED, compliance
from arcdrift.figures.checks import compliance_table

# 28 December 2026 is a Monday: ISO 8601 puts it, and 1 to 3 January 2027, in week 53 of 2026
ROWS = [
    ("Heron", "2026-12-27", "missed", "Alder", "Harbor", True),
    ("Heron", "2026-12-28", "checked", "Alder", "Harbor", True),
    ("Heron", "2026-12-29", "late", "Birch", "Harbor", True),
    ("Heron", "2026-12-30", "no-work", None, "Harbor", True),
    ("Plover", "2026-12-28", "checked", "Birch", "Pass", True),
    ("Plover", "2027-01-03", "failed-only", None, None, True),
    ("Plover", "2027-01-04", "due", "Birch", "Pass", False),
    ("Heron", "2027-01-04", "late", "Birch", "Harbor", False),
]
DAYS = pd.DataFrame(ROWS, columns=["splicer", "day", "status", "technician", "site", "day_over"])
COUNTS = ["days", "checked", "late", "failed-only", "missed"]


def counted(by: str, days: pd.DataFrame = DAYS) -> dict[str, list[int]]:
    return {row[by]: [row[name] for name in COUNTS] for row in compliance(days, by)}


def test_by_splicer() -> None:
    assert counted("splicer") == {"Heron": [3, 1, 1, 0, 1], "Plover": [2, 1, 0, 1, 0]}


def test_by_technician_names_missing_from_the_log_come_last() -> None:
    got = counted("technician")
    assert got == {
        "Alder": [2, 1, 0, 0, 1],
        "Birch": [2, 1, 1, 0, 0],
        NOT_LOGGED: [1, 0, 0, 1, 0],
    }
    assert list(got)[-1] == NOT_LOGGED
    late_names = DAYS.assign(technician=DAYS["technician"].fillna("zzz").replace("zzz", None))
    shuffled = late_names.iloc[::-1]
    assert list(counted("technician", shuffled)) == ["Alder", "Birch", NOT_LOGGED]


def test_by_site() -> None:
    assert counted("site") == {
        "Harbor": [3, 1, 1, 0, 1],
        "Pass": [1, 1, 0, 0, 0],
        NOT_LOGGED: [1, 0, 0, 1, 0],
    }


def test_by_iso_week_over_the_new_year() -> None:
    assert counted("week") == {"2026-W52": [1, 0, 0, 0, 1], "2026-W53": [4, 2, 1, 1, 0]}


def test_the_crew_is_one_row() -> None:
    (row,) = compliance(DAYS, "crew")
    assert [row[name] for name in COUNTS] == [5, 2, 1, 1, 1]
    assert row["share"] == 0.4


def test_running_days_count_neither_way_and_their_week_says_so() -> None:
    monday = DAYS.iloc[[0]].assign(day="2027-01-04", status="checked")
    tuesday = DAYS.iloc[[0]].assign(day="2027-01-05", status="due", day_over=False)
    days = pd.concat([DAYS.iloc[:6], monday, tuesday])
    assert counted("week", days)["2027-W01"] == [1, 1, 0, 0, 0]
    notes = {row["week"]: row["note"] for row in compliance(days, "week")}
    assert notes["2027-W01"] == "only 1 day, week still running"
    assert notes["2026-W53"] == "only 4 days"


@pytest.mark.parametrize(("count", "note"), [(1, "only 1 day"), (9, "only 9 days"), (10, "")])
def test_few_days_say_so(count: int, note: str) -> None:
    assert FEW_DAYS == 10
    days = pd.DataFrame({"splicer": "Heron", "status": ["checked"] * count, "day_over": True})
    assert [row["note"] for row in compliance(days)] == [note]


def test_days_from_the_store_and_from_the_analysis_are_the_same() -> None:
    typed = DAYS.assign(day=pd.to_datetime(DAYS["day"]))
    assert compliance(typed, "week") == compliance(DAYS, "week")


def test_nothing_finished_is_an_empty_table() -> None:
    running = DAYS[~DAYS["day_over"]]
    assert compliance(running) == []
    table = compliance_table(running, "splicer")
    assert list(table) == ["splicer", *COUNTS, "share", "low", "high", "note"]


def test_what_is_not_counted_is_refused() -> None:
    with pytest.raises(ValueError, match="not counted by 'moon'"):
        compliance(DAYS, "moon")  # type: ignore[arg-type]
