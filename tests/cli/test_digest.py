"""``arcdrift digest``: what is new in the small crew, whose newest record is of 6 May."""

from pathlib import Path
from typing import Any

import pytest


def test_what_is_new_since_yesterday_is_printed(analyzed: Path, arcdrift: Any) -> None:
    done = arcdrift("digest")
    assert done.code == 0
    assert done.out.startswith("Invented crew: what is new since 5 May 2026, 00:00\n")
    assert "failed check" not in done.out
    earlier = arcdrift("digest", "--since", "2026-05-03")
    assert "- Kestrel: 2 splices after a failed check, 6 May [" in earlier.out
    assert "- 1 late: Heron (5 May 2026)" in done.out
    assert max(map(len, done.out.splitlines())) <= 80


def test_markdown_and_json(analyzed: Path, arcdrift: Any) -> None:
    assert arcdrift("digest", "--markdown").out.startswith("# Invented crew: what is new since")
    document = arcdrift("digest", "--json").data
    assert (document["since"], document["nothing_new"]) == ("2026-05-04T22:00:00Z", False)
    assert document["open_cases"] == 2
    both = arcdrift("digest", "--json", "--markdown")
    assert (both.code, both.sentence) == (2, "Give --markdown or --json, not both.")


def test_nothing_new_is_a_sentence_and_fine(analyzed: Path, arcdrift: Any) -> None:
    done = arcdrift("digest", "--since", "1 hour")
    assert done.code == 0
    assert done.out == "Invented crew: nothing is new since 6 May 2026, 08:00.\n"
    assert done.err == ""


@pytest.mark.parametrize("since", ["soon", "2026-05-07"])
def test_a_since_that_is_no_time_past_is_refused(since: str, analyzed: Path, arcdrift: Any) -> None:
    done = arcdrift("digest", "--since", since)
    assert done.code == 2
    assert since in done.sentence


def test_without_an_analysis_the_next_step_is_told(crew: Path, arcdrift: Any) -> None:
    done = arcdrift("digest")
    assert done.code == 2
    assert "`arcdrift analyze`" in done.sentence


def test_people_who_may_not_be_seen_are_not_in_it(analyzed: Path, arcdrift: Any) -> None:
    (case,) = (c for c in arcdrift("cases", "--json").data if c["cause"] == "failed-check")
    arcdrift("case", "close", case["id"], "--by", "Ash", "--why", "Alder tried again")
    assert "Alder tried again" in arcdrift("digest").out
    toml = analyzed / "crew.toml"
    toml.write_text(toml.read_text() + "\n[prep]\nperson_pages = false\n")
    hidden = arcdrift("digest", "--json")
    assert "Alder" not in hidden.out
    toml.write_text(toml.read_text().replace("person_pages = false", "pseudonyms = true"))
    assert "Technician " in arcdrift("digest").out
