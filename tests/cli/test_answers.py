"""Checks, findings and advice of a crew whose days are known by hand."""

import sqlite3
from contextlib import closing
from datetime import datetime, tzinfo
from pathlib import Path
from typing import Any

import pytest

from arcdrift.store.records import record_overview

# Heron: checked on the 4th, late after one splice on the 5th, not yet on the 6th, which is
# still running when the newest record was made. Kestrel: missed on the 3rd, only a failed check
# on the 4th, at rest on the 5th, not yet on the 6th. Oslo is two hours ahead of UTC.
DAYS = [
    ("2026-05-03", "Kestrel", "missed", None, "07:00", 1, 0),
    ("2026-05-04", "Heron", "checked", "05:30", "06:00", 1, 0),
    ("2026-05-04", "Kestrel", "failed-only", None, "06:00", 1, 0),
    ("2026-05-05", "Heron", "late", "08:00", "07:00", 2, 1),
    ("2026-05-05", "Kestrel", "no-work", None, None, 0, 0),
    ("2026-05-06", "Heron", "due", None, "06:00", 1, 0),
    ("2026-05-06", "Kestrel", "due", None, "07:00", 1, 0),
]


def as_json(row: tuple[Any, ...]) -> dict[str, Any]:
    day, splicer, status, checked, first, splices, before = row
    return {
        "splicer": splicer,
        "day": day,
        "status": status,
        "checked_at": checked and f"{day}T{checked}:00Z",
        "first_splice_at": first and f"{day}T{first}:00Z",
        "splices": splices,
        "splices_before_check": before,
    }


def test_checks_one_object_a_splicer_day(analyzed: Path, arcdrift: Any) -> None:
    done = arcdrift("checks", "--json")
    assert done.code == 0
    assert done.err == ""
    assert done.data == [as_json(row) for row in DAYS]


@pytest.mark.parametrize(
    ("options", "chosen"),
    [
        (["--splicer", "Heron"], [1, 3, 5]),
        (["--since", "2026-05-05"], [3, 4, 5, 6]),
        (["--status", "failed-only"], [2]),
        (["--splicer", "Kestrel", "--status", "missed"], [0]),
    ],
)
def test_checks_filtered(
    options: list[str], chosen: list[int], analyzed: Path, arcdrift: Any
) -> None:
    data = arcdrift("checks", *options, "--json").data
    assert data == [as_json(DAYS[place]) for place in chosen]


def test_checks_in_words(analyzed: Path, arcdrift: Any) -> None:
    out = arcdrift("checks").out
    heron = next(line for line in out.splitlines() if line.strip().startswith("Heron"))
    # 1 of 2: Wilson 95 % interval 9.5 % to 90.5 % (E. B. Wilson 1927, by hand)
    assert heron.split() == "Heron 2 1 1 0 0 50% 9% to 91% only 2 days".split()
    # 1 of 4: 4.6 % to 69.9 % (the same, by hand)
    assert "Together: 1 of 4 workdays in time, 25% (5% to 70% with 95 % confidence)." in out
    late = next(line for line in out.splitlines() if "5 May 2026" in line)
    assert late.split() == "5 May 2026 Heron late 09:00 CEST 10:00 CEST 2 1".split()


# workdays, checked, late, failed only, missed; by hand from DAYS. Nobody is named on the 3rd, which
# is a Sunday
SHARES = {
    "splicer": {"Heron": [2, 1, 1, 0, 0], "Kestrel": [2, 0, 0, 1, 1]},
    "technician": {"Alder": [3, 1, 1, 1, 0], "(not logged)": [1, 0, 0, 0, 1]},
    "week": {"2026-W18": [1, 0, 0, 0, 1], "2026-W19": [3, 1, 1, 1, 0]},
    "site": {"Harbor": [4, 1, 1, 1, 1]},
}
COUNTS = ("days", "checked", "late", "failed-only", "missed")


@pytest.mark.parametrize("by", list(SHARES))
def test_shares_as_data(by: str, analyzed: Path, arcdrift: Any) -> None:
    done = arcdrift("checks", "--by", by, "--json")
    assert (done.code, done.err) == (0, "")
    assert {row[by]: [row[name] for name in COUNTS] for row in done.data} == SHARES[by]
    for row in done.data:
        assert set(row) == {by, *COUNTS, "share", "low", "high", "note"}
        assert row["low"] <= row["share"] <= row["high"]
        assert row["note"].startswith(f"only {row['days']} day")


def test_shares_in_words(analyzed: Path, arcdrift: Any) -> None:
    weeks = arcdrift("checks", "--by", "week").out
    assert "2026-W19" in weeks
    assert "only 3 days, week still running" in weeks
    assert "By day" not in weeks
    people = arcdrift("checks", "--by", "technician", "--since", "2026-05-04").out
    assert "(not logged)" not in people
    assert "whoever made most of its splices" in people


def test_shares_and_a_status_do_not_go_together(analyzed: Path, arcdrift: Any) -> None:
    done = arcdrift("checks", "--by", "week", "--status", "late")
    assert done.code == 2
    assert "give one of the two only" in done.sentence


def test_checks_of_an_unknown_splicer(analyzed: Path, arcdrift: Any) -> None:
    done = arcdrift("checks", "--splicer", "Kestral")
    assert done.code == 2
    assert done.sentence == "There is no splicer 'Kestral'; did you mean Kestrel?"


def test_checks_since_no_date(analyzed: Path, arcdrift: Any) -> None:
    done = arcdrift("checks", "--since", "yesterday")
    assert done.code == 2
    assert "write it like 2026-05-04" in done.sentence


def test_findings_shape(analyzed: Path, arcdrift: Any) -> None:
    done = arcdrift("findings", "--json")
    assert done.code == 0
    kinds = {(item["kind"], item["subject"]["id"]) for item in done.data}
    assert {
        ("check-missed", "Kestrel"),
        ("check-failed", "Kestrel"),
        ("check-late", "Heron"),
    } <= kinds
    for item in done.data:
        assert set(item) == {
            "id",
            "kind",
            "subject",
            "since",
            "until",
            "onset",
            "severity",
            "summary",
            "evidence",
            "likely_causes",
            "next_step",
            "assessed_on",
            "case_id",
            "import_ids",
        }
        assert set(item["subject"]) == {"type", "id"}
        assert item["severity"] in ("act", "watch", "note")
        assert item["since"].endswith("Z")


def test_findings_filtered(analyzed: Path, arcdrift: Any) -> None:
    everything = arcdrift("findings", "--json").data
    missed = arcdrift("findings", "--kind", "check-missed", "--json").data
    # a kind by the name it had before
    former = arcdrift("findings", "--kind", "redo-raised", "--json").data
    assert former == arcdrift("findings", "--kind", "first-time-lowered", "--json").data
    assert missed == [item for item in everything if item["kind"] == "check-missed"]
    herons = arcdrift("findings", "--subject", "Heron", "--json").data
    assert herons
    assert {item["subject"]["id"].split(" / ")[0] for item in herons} == {"Heron"}
    later = arcdrift("findings", "--since", "2026-05-05", "--json").data
    assert "check-late" in {item["kind"] for item in later}
    assert "check-missed" not in {item["kind"] for item in later}
    acts = arcdrift("findings", "--severity", "act", "--json").data
    assert acts == [item for item in everything if item["severity"] == "act"]


@pytest.mark.parametrize(
    ("option", "message"),
    [
        (["--kind", "check-mised"], "did you mean check-missed"),
        (["--subject", "Herron"], "did you mean Heron?"),
        (["--since", "5/5"], "is not a date"),
    ],
)
def test_findings_mistyped(option: list[str], message: str, analyzed: Path, arcdrift: Any) -> None:
    done = arcdrift("findings", *option)
    assert done.code == 2
    assert message in done.sentence


@pytest.mark.parametrize("level", ["act", "watch", "note"])
def test_fail_on(level: str, analyzed: Path, arcdrift: Any) -> None:
    order = ["act", "watch", "note"]
    severities = {item["severity"] for item in arcdrift("findings", "--json").data}
    reached = any(order.index(severity) <= order.index(level) for severity in severities)
    assert reached or level != "note"
    assert arcdrift("findings", "--fail-on", level).code == int(reached)


def test_fail_on_looks_at_what_is_listed(analyzed: Path, arcdrift: Any) -> None:
    done = arcdrift("findings", "--kind", "loss-raised", "--fail-on", "note")
    assert done.code == 0
    assert "No findings" in done.out


@pytest.mark.parametrize("command", ["findings", "checks"])
def test_nothing_analyzed_is_not_fine(command: str, crew: Path, arcdrift: Any) -> None:
    arcdrift("import", "arc-checks.csv")
    done = arcdrift(command, "--json")
    assert done.code == 2
    assert done.out == ""
    assert "arcdrift analyze" in done.sentence


def test_results_older_than_the_records_say_so(analyzed: Path, arcdrift: Any) -> None:
    assert arcdrift("import", "splices.csv").code == 0
    assert arcdrift("findings").err == ""
    assert arcdrift("imports", "undo", 2).code == 0
    done = arcdrift("findings", "--json")
    assert "changed since the last analysis" in done.sentence
    assert isinstance(done.data, list)


def test_analyze(crew: Path, arcdrift: Any) -> None:
    done = arcdrift("analyze")
    assert done.code == 2
    assert "import" in done.sentence
    arcdrift("import", "arc-checks.csv", "splices.csv")
    data = arcdrift("analyze", "--from-scratch", "--json").data
    assert set(data) == {
        "now", "splicers", "splices", "checks", "findings", "cases", "seconds",
    }  # fmt: skip
    assert (data["splicers"], data["splices"], data["checks"]) == (2, 7, 3)
    assert data["now"] == "2026-05-06T07:00:00Z"
    assert set(data["findings"]) == {"act", "watch", "note"}


ADVICE = {
    "splicer",
    "verdict",
    "probability",
    "required",
    "setting",
    "tolerance",
    "reasons",
    "breakdown",
    "cautions",
    "air",
    "last_check",
    "program_classes",
    "verdict_words",
    "verdict_mark",
    "unchecked_splices",
    "unchecked_since",
}


def test_advise_shape(analyzed: Path, arcdrift: Any) -> None:
    done = arcdrift("advise", "Heron", "--json")
    assert done.code == 0
    assert ADVICE <= set(done.data)
    assert done.data["splicer"] == "Heron"
    assert done.data["verdict"] == "run-check"
    assert done.data["unchecked_splices"] == 1
    assert done.data["reasons"][0] == "1 splice made at 08:00 without a check."
    assert done.data["setting"] == 101
    assert done.data["last_check"] == "2026-05-05T08:00:00Z"
    assert "No arc check has passed since this workday began." in done.data["reasons"]


def test_advise_in_words(analyzed: Path, arcdrift: Any) -> None:
    out = arcdrift("advise", "Heron").out
    assert out.startswith(
        "Heron: ► Run the daily check\nRun the daily arc check before the next splice.\n"
    )
    assert "Last passed check: 5 May 2026, 10:00 CEST." in out
    assert "Air now: no reading is recent enough." in out
    assert "power the splicer off" in out
    assert "Before the first splice of a day:" in out
    assert "DUE  Arc check" in out


def test_advise_lists_the_start_of_the_day(analyzed: Path, arcdrift: Any) -> None:
    items = arcdrift("advise", "Heron", "--json").data["start_of_day"]
    assert [item["what"] for item in items] == [
        "Arc check", "Electrodes", "Blade", "Cleaning", "V-grooves", "Factory service", "Air",
    ]  # fmt: skip
    assert items[0]["state"] == "due"
    # newest record 2026-05-06 09:00, last passed check the day before at 10:00
    assert items[0]["numbers"] == {"hours_since_check": 23.0}
    assert {item["state"] for item in items[1:]} == {"unknown"}
    assert items[1]["numbers"]["arcs_on_electrodes"] == 40


def test_advise_for_typed_air_and_time(analyzed: Path, arcdrift: Any) -> None:
    options = ["--at", "2026-05-05T10:30", "--temperature", 8, "--pressure", 1005, "--humidity", 60]
    data = arcdrift("advise", "Heron", *options, "--json").data
    assert data["verdict"] == "cannot-tell"  # the air at its check is not on record
    assert data["air"]["temperature_c"] == 8
    assert data["air"]["pressure_hpa"] == 1005
    assert data["air"]["humidity_pct"] == 60
    with_offset = ["--at", "2026-05-05T08:30+00:00", *options[2:]]
    assert arcdrift("advise", "Heron", *with_offset, "--json").data == data


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["Hern"], "did you mean Heron?"),
        (["Heron", "--pressure", "29.9"], "Pressure 29.9 is outside 450 to 1100 hPa"),
        (["Heron", "--humidity", "140"], "outside 0 to 100 %"),
        (["Heron", "--at", "noon"], "--at noon is not a date"),
    ],
)
def test_advise_refused(words: list[str], message: str, analyzed: Path, arcdrift: Any) -> None:
    done = arcdrift("advise", *words)
    assert done.code == 2
    assert message in done.sentence


def test_local_time_needs_a_zone(analyzed: Path, arcdrift: Any) -> None:
    (analyzed / "crew.toml").write_text('name = "Invented crew"\n', encoding="utf-8")
    done = arcdrift("advise", "Heron", "--at", "2026-05-05T10:30")
    assert done.code == 2
    assert "has no time zone" in done.sentence


def test_records_in_the_future_are_said(analyzed: Path, arcdrift: Any) -> None:
    with sqlite3.connect(analyzed / "arcdrift.db") as store:
        store.execute("UPDATE splices SET spliced_at = 4102444800000000 WHERE id = 1")  # 2100
    assert "lie in the future, 1 Jan 2100, 01:00 (splicer Kestrel)" in arcdrift("findings").err


class EarlyJune(datetime):
    """A clock of this computer that shows 1 June 2026."""

    @classmethod
    def now(cls, tz: tzinfo | None = None) -> datetime:
        return datetime(2026, 6, 1, tzinfo=tz)


@pytest.mark.parametrize("splice", [1, 6], ids=["another splicer's", "its own"])
def test_a_record_of_the_year_2100_moves_no_verdict(
    splice: int, analyzed: Path, arcdrift: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(record_overview, "datetime", EarlyJune)
    before = arcdrift("advise", "Heron", "--json").data
    assert before["verdict"] == "run-check"
    with closing(sqlite3.connect(analyzed / "arcdrift.db")) as store, store:
        store.execute("UPDATE splices SET spliced_at = 4102444800000000 WHERE id = ?", [splice])
    after = arcdrift("advise", "Heron", "--json").data
    # the newest record that can be believed is another splicer's of 2026-05-06
    assert after["start_of_day"] == before["start_of_day"]
    assert after["verdict"] == "run-check"
    assert after["unchecked_splices"] == before["unchecked_splices"] - (splice == 6)
    assert arcdrift("analyze", "--from-scratch", "--json").data["now"] == "2026-05-06T07:00:00Z"
    done = arcdrift("advise", "Heron", "--json")
    assert done.data["start_of_day"] == before["start_of_day"]


def test_an_invented_crew_of_the_future_has_its_own_now(
    analyzed: Path, arcdrift: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    class LongAgo(EarlyJune):
        @classmethod
        def now(cls, tz: tzinfo | None = None) -> datetime:
            return datetime(2020, 1, 1, tzinfo=tz)

    monkeypatch.setattr(record_overview, "datetime", LongAgo)
    assert arcdrift("analyze", "--json").data["now"] == "2026-05-06T07:00:00Z"


@pytest.mark.long  # the sentence of the test before
def test_an_analysis_says_that_records_lie_in_the_future(analyzed: Path, arcdrift: Any) -> None:
    with sqlite3.connect(analyzed / "arcdrift.db") as store:
        store.execute("UPDATE splices SET spliced_at = 4102444800000000 WHERE id = 1")  # 2100
    done = arcdrift("analyze", "--json")
    assert "lie in the future" in done.sentence
    assert done.data["splices"] == 7
