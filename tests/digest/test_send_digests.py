"""At most one message a day and person, and nothing lost: moved clocks, kills, two runs at once."""

import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, select

from arcdrift.digest import send_digests as module
from arcdrift.digest.digest import DigestRows
from arcdrift.digest.digest_from_store import CrewNews
from arcdrift.digest.send_digests import Delivery, find_reader, send_digests
from arcdrift.errors import StoreTrouble, UsageError
from arcdrift.settings import Crew
from arcdrift.store import schema
from arcdrift.store.database.connect import reading
from tests.both_stores import both_stores, daily_on_postgresql
from tests.digest.digest_rows import at, check, found, rows, said, splice, view
from tests.digest.servers import Box, Hook, mail_server, webhook
from tests.empty_store import empty_store

pytestmark = both_stores

ASH = {"name": "Ash", "role": "lead", "address": "ash@example.org"}
BIRCH = {"name": "Birch", "role": "technician", "address": "birch@example.org",
         "technician": "Birch"}  # fmt: skip
MORNING = datetime(2026, 11, 18, 6, 30, tzinfo=UTC)


class Killed(BaseException):
    """The run ends here, as by a kill: nothing after it happens."""


@pytest.fixture(scope="module")
def server() -> Iterator[tuple[Box, int]]:
    with mail_server() as running:
        yield running


@pytest.fixture
def box(server: tuple[Box, int]) -> Box:
    server[0].__init__()
    return server[0]


@pytest.fixture
def engine(tmp_path: Path) -> Iterator[Engine]:
    engine = empty_store(tmp_path)
    yield engine
    engine.dispose()


@pytest.fixture
def send(engine: Engine, server: tuple[Box, int], box: Box) -> Any:
    """Sends to some readers at an instant what some rows tell."""

    def run(
        readers: list[dict[str, Any]],
        of: DigestRows,
        now: datetime = MORNING,
        *,
        crew: dict[str, Any] | None = None,
        **other: Any,
    ) -> list[Delivery]:
        smtp = {"host": "127.0.0.1", "port": server[1], "tls": "none",
                "sender": "arcdrift@crew.example"}  # fmt: skip
        settings = Crew.model_validate(
            {"name": "Tarnwater", "time_zone": "UTC", "digest": {"readers": readers, "smtp": smtp}}
            | (crew or {})
        )
        news = CrewNews(settings, of, ("Birch", "Cedar"), now, settings.time_zone or "UTC")
        given = {"environment": {}, "clock": lambda: now}
        return send_digests(engine, news, settings.digest.readers, **given | other)

    return run


def outcomes(deliveries: list[Delivery]) -> list[str]:
    return [delivery.outcome for delivery in deliveries]


def person_case(name: str, case_id: str) -> dict[str, Any]:
    return view(
        found(case_id, at(17), title=f"{name}: cleave angles up", cause="hand",
              subject={"type": "technician", "id": name})
    )  # fmt: skip


def states(engine: Engine) -> list[tuple[str, str]]:
    table = schema.digest_messages
    with reading(engine) as connection:
        found = connection.execute(select(table).order_by(table.columns.id)).all()
    return [(row.day, row.state) for row in found]


CASE = rows(cases=[view(found("a", at(17)))])
TWO_CASES = rows(cases=[view(found("a", at(17))), view(found("b", at(18, 5)))])


@daily_on_postgresql
def test_one_message_a_day_with_what_is_new_since_the_last(
    send: Any, box: Box, engine: Engine
) -> None:
    assert outcomes(send([ASH], CASE)) == ["sent"]
    later = send([ASH], TWO_CASES, MORNING + timedelta(hours=9))
    assert outcomes(later) == ["already-sent"]
    assert "got today's message already (18 Nov 2026, 06:30)" in later[0].sentence
    assert outcomes(send([ASH], TWO_CASES, MORNING + timedelta(days=1))) == ["sent"]
    assert outcomes(send([ASH], TWO_CASES, MORNING + timedelta(days=2))) == ["nothing-new"]
    texts = [message.get_body(("plain",)).get_content() for message in box.messages]
    assert len(texts) == 2
    assert "[a]" in texts[0]
    assert "what is new since the last message of 18 Nov 2026, 06:30" in texts[1]
    assert "[b]" in texts[1]
    assert "[a]" not in texts[1]
    assert states(engine) == [("2026-11-18", "sent"), ("2026-11-19", "sent")]


def test_nothing_is_sent_when_nothing_is_new(send: Any, box: Box, engine: Engine) -> None:
    assert outcomes(send([ASH], rows())) == ["nothing-new"]
    assert box.messages == []
    # what an import of last week's log brings the next day is new
    late = rows(check_days=[check(9)], revisit=[splice(at(10))])
    (delivery,) = send([ASH], late, MORNING + timedelta(hours=1))
    assert delivery.outcome == "sent"
    assert delivery.digest is not None
    assert (len(delivery.digest.checks), len(delivery.digest.splices)) == (1, 1)


def test_days_are_workdays_of_the_crew(send: Any, box: Box) -> None:
    late = datetime(2026, 11, 17, 22, 30, tzinfo=UTC)  # 23:30 in Oslo
    oslo = {"time_zone": "Europe/Oslo"}
    assert outcomes(send([ASH], CASE, late, crew=oslo)) == ["sent"]
    after = late + timedelta(hours=1)
    night = oslo | {"day_starts_at": "06:00"}
    assert outcomes(send([ASH], TWO_CASES, after, crew=night)) == ["already-sent"]
    assert outcomes(send([ASH], TWO_CASES, after, crew=oslo)) == ["sent"]


def test_a_clock_that_is_set_back_a_day_sends_no_second_message(send: Any, box: Box) -> None:
    assert outcomes(send([ASH], CASE)) == ["sent"]
    assert outcomes(send([ASH], TWO_CASES, MORNING - timedelta(days=1))) == ["already-sent"]
    assert len(box.messages) == 1


def test_a_clock_that_was_a_year_ahead_once_silences_nobody(send: Any, box: Box) -> None:
    ahead = MORNING + timedelta(days=365)
    missed = rows(cases=CASE.cases, check_days=[check(17)])
    assert outcomes(send([ASH], missed, clock=lambda: ahead)) == ["sent"]
    assert outcomes(send([ASH], TWO_CASES)) == ["sent"]
    assert outcomes(send([ASH], TWO_CASES, MORNING + timedelta(hours=1))) == ["already-sent"]


def test_who_reads_about_people(send: Any, box: Box) -> None:
    both = rows(cases=[person_case("Birch", "b"), person_case("Cedar", "c")])
    dogwood = {"name": "Dogwood", "role": "technician", "address": "dogwood@example.org"}
    trainer = {"name": "Elder", "role": "trainer", "address": "elder@example.org"}
    readers = [ASH, BIRCH, dogwood, trainer]
    assert outcomes(send(readers, both)) == ["sent", "sent", "nothing-new", "sent"]
    texts = {to: str(message) for to, message in zip(box.to, box.messages, strict=True)}
    for lead in ("ash@example.org", "elder@example.org"):
        assert "Birch: cleave" in texts[lead]
        assert "Cedar: cleave" in texts[lead]
    assert "Birch: cleave" in texts["birch@example.org"]
    assert "Cedar" not in texts["birch@example.org"]
    assert [str(message["To"]) for message in box.messages].count("Ash <ash@example.org>") == 1


def test_a_technician_does_not_read_which_colleague_took_a_case(send: Any, box: Box) -> None:
    taken = rows(cases=[view(found("a", at(10)), said("a", "take", at(17), "Cedar", "with Birch"))])
    assert outcomes(send([ASH, BIRCH], taken)) == ["sent", "sent"]
    assert "by Cedar: with Birch" in str(box.messages[0])
    assert "by one person: with Birch" in str(box.messages[1])
    assert "Cedar" not in str(box.messages[1])


def test_hidden_people_and_pseudonyms_hold_for_messages(send: Any, box: Box) -> None:
    both = rows(cases=[person_case("Birch", "b")])
    hidden = {"prep": {"person_pages": False}}
    assert outcomes(send([ASH, BIRCH], both, crew=hidden)) == ["nothing-new", "nothing-new"]
    renamed = {"prep": {"pseudonyms": True}}
    assert outcomes(send([ASH], both, MORNING + timedelta(days=1), crew=renamed)) == ["sent"]
    assert "Birch" not in str(box.messages[0])
    assert "Technician " in str(box.messages[0])


@daily_on_postgresql
def test_one_refused_address_does_not_stop_the_others(send: Any, box: Box, engine: Engine) -> None:
    box.answers["ash@example.org"] = "550 no such person"
    first = send([ASH, BIRCH], CASE)
    assert outcomes(first) == ["failed", "sent"]
    assert (first[0].exit_code, box.to) == (3, ["birch@example.org"])
    assert "check the address in crew.toml" in first[0].sentence
    box.answers.clear()
    again = send([ASH, BIRCH], CASE, MORNING + timedelta(minutes=1))
    assert outcomes(again) == ["sent", "already-sent"]
    assert box.to == ["birch@example.org", "ash@example.org"]


def test_what_could_not_be_sent_for_days_is_not_lost(send: Any, box: Box) -> None:
    box.answers["MAIL"] = "drop"
    assert outcomes(send([ASH], CASE)) == ["failed"]
    box.answers.clear()
    after = MORNING + timedelta(days=3)
    assert outcomes(send([ASH], CASE, after)) == ["sent"]  # although it is of before yesterday


@daily_on_postgresql
def test_a_message_in_doubt_is_not_repeated_that_day_but_told_again_the_next(
    send: Any, box: Box
) -> None:
    box.answers["after DATA"] = "drop"
    (first,) = send([ASH], CASE)
    assert (first.outcome, first.exit_code) == ("failed", 3)
    assert "may have arrived" in first.sentence
    box.answers.clear()
    (second,) = send([ASH], CASE, MORNING + timedelta(hours=2))
    assert (second.outcome, second.exit_code) == ("in-doubt", 3)
    assert "the next message tells all of it again" in second.sentence
    assert len(box.messages) == 1
    (third,) = send([ASH], TWO_CASES, MORNING + timedelta(days=1))
    assert third.outcome == "sent"
    text = box.messages[1].get_body(("plain",)).get_content()
    assert text.startswith("The message of 18 Nov 2026 may not have arrived.")
    assert "[a]" in text
    assert "[b]" in text
    (fourth,) = send([ASH], TWO_CASES, MORNING + timedelta(days=2))
    assert fourth.outcome == "nothing-new"


def test_a_kill_after_the_server_took_it_doubles_nothing(
    send: Any, box: Box, monkeypatch: pytest.MonkeyPatch
) -> None:
    def kill(*_: Any) -> None:
        raise Killed

    with monkeypatch.context() as patch:
        patch.setattr(module, "note_sent", kill)
        with pytest.raises(Killed):
            send([ASH], CASE)
    assert outcomes(send([ASH], CASE, MORNING + timedelta(minutes=1))) == ["in-progress"]
    assert outcomes(send([ASH], CASE, MORNING + timedelta(minutes=11))) == ["in-doubt"]
    assert len(box.messages) == 1
    assert outcomes(send([ASH], CASE, MORNING + timedelta(days=1))) == ["sent"]
    assert "may not have arrived" in str(box.messages[1])


def test_a_kill_before_it_left_delays_it_only(
    send: Any, box: Box, monkeypatch: pytest.MonkeyPatch
) -> None:
    def kill(*_: Any) -> None:
        raise Killed

    with monkeypatch.context() as patch:
        patch.setattr(module, "send_mail", kill)
        with pytest.raises(Killed):
            send([ASH], CASE)
    assert outcomes(send([ASH], CASE, MORNING + timedelta(minutes=1))) == ["in-progress"]
    assert outcomes(send([ASH], CASE, MORNING + timedelta(minutes=11))) == ["sent"]
    assert len(box.messages) == 1
    assert "may not have arrived" not in str(box.messages[0])


def test_a_run_that_slept_until_another_took_its_message_sends_nothing(
    send: Any, box: Box, monkeypatch: pytest.MonkeyPatch
) -> None:
    original = module.send_mail

    def slow(*arguments: Any) -> None:
        monkeypatch.setattr(module, "send_mail", original)
        assert outcomes(send([ASH], CASE, MORNING + timedelta(minutes=11))) == ["sent"]
        original(*arguments)

    monkeypatch.setattr(module, "send_mail", slow)
    (delivery,) = send([ASH], CASE)
    assert (delivery.outcome, delivery.exit_code) == ("in-progress", 0)
    assert "not sent twice" in delivery.sentence
    assert len(box.messages) == 1


@daily_on_postgresql
def test_two_runs_at_once_send_once(send: Any, box: Box) -> None:
    start, found_outcomes = threading.Barrier(2), []

    def run() -> None:
        start.wait()
        found_outcomes.extend(outcomes(send([ASH, BIRCH], CASE)))

    threads = [threading.Thread(target=run) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert found_outcomes.count("sent") == 2
    assert set(found_outcomes) <= {"sent", "in-progress", "already-sent"}
    assert sorted(box.to) == ["ash@example.org", "birch@example.org"]


def test_a_dry_run_sends_and_notes_nothing(send: Any, box: Box, engine: Engine) -> None:
    channel = {"name": "Channel", "role": "technician", "webhook": "http://127.0.0.1:1/x"}
    found_all = send([ASH, channel, BIRCH | {"subjects": ["Heron"]}], CASE, dry_run=True)
    assert outcomes(found_all) == ["would-send", "would-send", "nothing-new"]
    assert found_all[0].sentence == "Ash would get this at ash@example.org:"
    assert found_all[1].sentence == "Channel would get this through the webhook:"
    assert box.messages == []
    assert states(engine) == []


def test_a_missing_server_is_told_before_anything_is_noted(send: Any, engine: Engine) -> None:
    crew = {"digest": {"readers": [ASH]}}
    (delivery,) = send([ASH], CASE, crew=crew)
    assert delivery.outcome == "failed"
    assert "host is missing in [digest.smtp] of crew.toml" in delivery.sentence
    assert states(engine) == []


@pytest.fixture
def hook() -> Iterator[Hook]:
    with webhook() as running:
        yield running


def test_a_channel_reads_about_no_person_and_gets_its_secret(send: Any, hook: Hook) -> None:
    channel = {
        "name": "Channel", "role": "technician", "webhook": hook.url,
        "secret_variable": "HOOK_SECRET",
    }  # fmt: skip
    mixed = rows(cases=[view(found("a", at(17))), person_case("Birch", "b")])
    (missing,) = send([channel], mixed)
    assert "HOOK_SECRET" in missing.sentence
    environment = {"HOOK_SECRET": "s3cret"}
    (delivery,) = send([channel], mixed, environment=environment)
    assert delivery.outcome == "sent"
    assert hook.headers[0]["Authorization"] == "Bearer s3cret"
    assert "Birch" not in str(hook.got[0])
    assert [case["id"] for case in hook.got[0]["digest"]["cases"]] == ["a"]
    assert outcomes(send([channel], mixed, environment=environment)) == ["already-sent"]
    hook.answers = [500]
    (refused,) = send([channel], TWO_CASES, MORNING + timedelta(days=1), environment=environment)
    assert refused.outcome == "failed"
    assert "path-is-secret" not in refused.sentence


def test_no_address_is_in_the_store(send: Any, box: Box, engine: Engine) -> None:
    box.answers["birch@example.org"] = "550 no such person"
    assert outcomes(send([ASH, BIRCH], CASE)) == ["sent", "failed"]
    table = schema.digest_messages
    with reading(engine) as connection:
        found_rows = connection.execute(select(table)).all()
    assert "example.org" not in str(found_rows)
    assert {row.reader for row in found_rows} == {"Ash", "Birch"}


def test_a_store_that_cannot_be_written_sends_nothing(
    send: Any, box: Box, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(_engine: Engine) -> None:
        raise StoreTrouble("The store can only be read.")

    monkeypatch.setattr(module, "require_writable", refuse)
    with pytest.raises(StoreTrouble):
        send([ASH], CASE)
    assert box.messages == []


def test_trouble_with_the_store_after_sending_is_told_with_its_own_code(
    send: Any, box: Box, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: Any) -> None:
        raise StoreTrouble("The disk is full.")

    with monkeypatch.context() as patch:
        patch.setattr(module, "note_sent", full)
        (delivery,) = send([ASH], CASE)
    assert (delivery.outcome, delivery.exit_code) == ("failed", 4)
    assert outcomes(send([ASH], CASE, MORNING + timedelta(hours=1))) == ["in-doubt"]
    assert len(box.messages) == 1


def test_a_reader_is_found_by_name() -> None:
    readers = Crew.model_validate({"name": "x", "digest": {"readers": [ASH]}}).digest.readers
    assert find_reader(readers, " ash ").address == "ash@example.org"
    with pytest.raises(UsageError, match="no reader 'Oak'; there are: Ash"):
        find_reader(readers, "Oak")


def test_told_rows_are_kept_once(send: Any, engine: Engine) -> None:
    send([ASH], CASE)
    send([ASH], TWO_CASES, MORNING + timedelta(days=1))
    table = schema.digest_messages
    with reading(engine) as connection:
        told = connection.execute(select(table.columns.told).order_by(table.columns.id)).scalars()
        assert [one is None for one in told] == [True, False]
