"""``arcdrift digest``: what is new in the small crew, whose newest record is of 6 May."""

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.digest.servers import Box, mail_server


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


@pytest.fixture
def box(analyzed: Path) -> Iterator[Box]:
    """A mail server on this computer, through which the small crew sends to two readers."""
    with mail_server() as (box, port):
        text = (analyzed / "crew.toml").read_text()
        settings = (
            '\n[[digest.readers]]\nname = "Ash"\nrole = "lead"\naddress = "ash@example.org"\n'
            '[[digest.readers]]\nname = "Oak"\nrole = "technician"\naddress = "oak@example.org"\n'
            'subjects = ["Kestrel"]\n'
            f'[digest.smtp]\nhost = "127.0.0.1"\nport = {port}\ntls = "none"\n'
            'sender = "drift@example.org"\n'
        )
        (analyzed / "crew.toml").write_text(text + settings)
        yield box


def test_a_digest_is_sent_once_a_day(box: Box, arcdrift: Any) -> None:
    dry = arcdrift("digest", "--send", "--dry-run")
    assert dry.code == 0
    assert "Ash would get this at ash@example.org:\n  Invented crew: what is new" in dry.out
    assert "Oak: nothing is new." in dry.out
    assert box.messages == []
    done = arcdrift("digest", "--send")
    assert (done.code, done.err) == (0, "")
    assert done.out == "Ash got what is new at ash@example.org.\nOak: nothing is new.\n"
    assert box.to == ["ash@example.org"]
    again = arcdrift("digest", "--send", "--json")
    assert [row["outcome"] for row in again.data] == ["already-sent", "nothing-new"]
    assert len(box.messages) == 1
    last = arcdrift("digest", "--since", "last", "--reader", "ash")
    assert last.out.startswith("Invented crew: nothing is new since 6 May 2026, 09:00")
    assert "1 late: Heron" in arcdrift("digest", "--reader", "ash", "--since", "yesterday").out


def test_a_failed_delivery_is_a_sentence_and_code_3(box: Box, arcdrift: Any) -> None:
    box.answers["ash@example.org"] = "550 no such person"
    done = arcdrift("digest", "--send", "--since", "2026-05-03")
    assert done.code == 3
    assert done.sentence.startswith("Ash: The mail server 127.0.0.1:")
    assert "(550 no such person); check the address in crew.toml." in done.sentence
    assert done.out == "Oak got what is new at oak@example.org.\n"
    box.answers.clear()
    assert arcdrift("digest", "--send", "--reader", "Ash").code == 0
    assert box.to == ["oak@example.org", "ash@example.org"]


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--dry-run"], "--dry-run says what --send would do; give both."),
        (["--send", "--markdown"], "leave --markdown away"),
        (["--since", "last"], "give --reader NAME"),
        (["--reader", "Elm"], "crew.toml has no reader 'Elm'; there are: none."),
        (["--send"], "add a [[digest.readers]]"),
    ],
)
def test_what_makes_no_sense_is_refused(
    words: list[str], sentence: str, analyzed: Path, arcdrift: Any
) -> None:
    done = arcdrift("digest", *words)
    assert done.code == 2
    assert sentence in done.sentence


@pytest.mark.long
def test_a_process_killed_by_the_server_it_sends_to(
    box: Box, analyzed: Path, arcdrift: Any
) -> None:
    started = {}

    def kill() -> None:
        os.kill(started["process"].pid, signal.SIGKILL)

    box.on_data = kill
    code = "from arcdrift.cli.main import run; run()"
    started["process"] = subprocess.Popen([sys.executable, "-c", code, "digest", "--send"])
    assert started["process"].wait(60) == -signal.SIGKILL
    box.on_data = None
    again = arcdrift("digest", "--send")
    assert again.out.startswith("Another run is sending the message of Ash")
    assert len(box.messages) == 1
