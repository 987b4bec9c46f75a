"""``arcdrift clock``: a small crew whose wrong hours are planted by hand."""

import shutil
from pathlib import Path
from typing import Any

import pytest

from dashboard.reading.data import CrewData
from tests.slow_clock import write_slow_crew

SHIFT = ["Heron", "--shift", "+7h", "--by", "Birch", "--why", "set against the site clock"]


@pytest.fixture(scope="module")
def slow_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A crew whose splicer was seven hours slow from noon of 12 May to 17 May."""
    return write_slow_crew(tmp_path_factory.mktemp("slow"))


@pytest.fixture
def slow(slow_once: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of that crew, which is also the current folder."""
    shutil.copytree(slow_once, tmp_path, dirs_exist_ok=True)
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("ARCDRIFT_CREW", raising=False)
    return tmp_path


def test_found_set_and_taken_back(slow: Path, arcdrift: Any) -> None:
    (found,) = arcdrift("clock", "--json").data["suspected"]
    # half of 12 May and five whole days: 66 splices and 5 checks
    assert (found["splicer"], found["shift_hours"]) == ("Heron", 7)
    assert (found["splices"], found["checks"], found["days"]) == (66, 5, 6)
    (finding,) = arcdrift("findings", "--kind", "clock-wrong", "--json").data
    assert finding["severity"] == "act"
    assert finding["evidence"]["days_kept_apart"] == 6
    assert finding["onset"]["estimate"] == "2026-05-12T09:00:00Z"
    days = {row["day"] for row in arcdrift("checks", "--json").data}
    assert "2026-05-11" in days
    assert not days & {f"2026-05-{day}" for day in range(12, 18)}

    words = finding["next_step"].split("arcdrift clock ")[1].split(" --by")[0].split()
    done = arcdrift("clock", *words, "--by", "Birch", "--why", "set by hand", "--json")
    assert (done.data["records"], done.data["shift_hours"]) == (71, 7)
    assert "changed since" in arcdrift("findings").sentence
    arcdrift("analyze")
    assert arcdrift("clock", "--json").data["suspected"] == []
    assert arcdrift("findings", "--kind", "clock-wrong", "--json").data == []
    checks = arcdrift("checks", "--json").data
    assert {row["status"] for row in checks if row["day"] < "2026-05-30"} == {"checked"}
    assert next(row for row in checks if row["day"] == "2026-05-13") == {
        "splicer": "Heron",
        "day": "2026-05-13",
        "status": "checked",
        "checked_at": "2026-05-13T05:50:00Z",
        "first_splice_at": "2026-05-13T06:00:00Z",
        "splices": 12,
        "splices_before_check": 0,
    }
    message = arcdrift("clock").out
    assert "No splicer clock looks wrong" in message
    assert "Birch" in message

    number = done.data["id"]
    assert arcdrift("clock", "Heron", "--undo", number).code == 0
    again = arcdrift("clock", "Heron", "--undo", number)
    assert (again.code, "taken back before" in again.sentence) == (2, True)
    arcdrift("analyze")
    data = arcdrift("clock", "--json").data
    assert len(data["suspected"]) == 1
    assert data["shifts"][0]["undone_at"] is not None


def test_later_imports_into_the_stretch_are_shifted_alike(slow: Path, arcdrift: Any) -> None:
    limits = ["--from", "2026-05-12T03:00", "--until", "2026-05-17T07:00"]
    assert arcdrift("clock", *SHIFT, *limits).code == 0
    late = "splicer,spliced_at,loss_db,program,site\nHeron,2026-05-14 05:40,0.02,plain,Harbor\n"
    (slow / "late.csv").write_text(late, encoding="utf-8")
    arcdrift("import", "late.csv")
    day = CrewData(slow).splice_page("Heron", "plain", day="2026-05-14").rows["spliced_at"]
    assert len(day) == 13
    assert f"{day.min():%H:%M}" == "08:00"
    assert "12:40" in {f"{at:%H:%M}" for at in day}


def test_a_clock_said_to_be_right(slow: Path, arcdrift: Any) -> None:
    limits = ["--from", "2026-05-12T03:00", "--until", "2026-05-17T07:00"]
    done = arcdrift("clock", "Heron", "--shift", "0h", *limits, *SHIFT[3:])
    assert "count as right" in done.out
    assert arcdrift("clock", "--json").data["shifts"][0]["shift_hours"] == 0


@pytest.mark.long  # tests/analysis/clock/test_clock_errors.py finds none without a store
def test_a_clock_said_to_be_right_is_suspected_no_more(slow: Path, arcdrift: Any) -> None:
    arcdrift("clock", "Heron", "--shift", "0h", *LIMITS, *SHIFT[3:])
    arcdrift("analyze")
    assert arcdrift("clock", "--json").data["suspected"] == []
    day = [row for row in arcdrift("checks", "--json").data if row["day"] == "2026-05-14"]
    assert [row["first_splice_at"] for row in day] == ["2026-05-13T23:00:00Z"]


LIMITS = ["--from", "2026-05-12T03:00", "--until", "2026-05-17T07:00"]


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["Heron", "--shift", "+7h"], "needs --from, --until, --by, --why too"),
        (["Hern", *SHIFT[1:], *LIMITS], "did you mean Heron?"),
        (["Heron", "--shift", "7h", *SHIFT[3:], *LIMITS], "needs its sign"),
        (["Heron", "--shift", "soon", *SHIFT[3:], *LIMITS], "write it like +7h"),
        (["Heron", "--shift", "+90000d", *SHIFT[3:], *LIMITS], "longer than 40 years"),
        (["Heron", "--shift", "+900d", *SHIFT[3:], *LIMITS], "a time to come"),
        ([*SHIFT, "--from", "noon", "--until", "2026-05-17"], "--from noon is not a date"),
        ([*SHIFT, "--from", "2026-05-17", "--until", "2026-05-12"], "ends before it begins"),
        ([*SHIFT, "--from", "2025-05-12", "--until", "2025-05-13"], "no splice or arc check"),
        (["Heron", "--undo", "4"], "has no shift 4; on record: none"),
        (["--undo", "4"], "SPLICER --undo ID"),
    ],
)
def test_refused_in_a_sentence(words: list[str], message: str, slow: Path, arcdrift: Any) -> None:
    done = arcdrift("clock", *words)
    assert done.code == 2
    assert message in done.sentence


def test_a_shift_over_another_is_refused(slow: Path, arcdrift: Any) -> None:
    assert arcdrift("clock", *SHIFT, *LIMITS).code == 0
    done = arcdrift("clock", *SHIFT, "--from", "2026-05-14", "--until", "2026-05-20")
    assert done.code == 2
    assert "Shift 1 already covers part of that stretch" in done.sentence


def test_a_log_without_counts_cannot_be_told(analyzed: Path, arcdrift: Any) -> None:
    done = arcdrift("clock")
    assert done.code == 0
    assert "Heron: cannot tell by its counts, since it made fewer than 10 splices." in done.out


def test_the_dashboard_lists_splices_in_true_time(slow: Path, arcdrift: Any) -> None:
    assert arcdrift("clock", *SHIFT, *LIMITS).code == 0
    page = CrewData(slow).splice_page("Heron", "plain", day="2026-05-14")
    assert page.total == 12
    assert [f"{at:%m-%d %H:%M}" for at in page.rows["spliced_at"].iloc[[-1, 0]]] == [
        "05-14 08:00",
        "05-14 13:30",
    ]
