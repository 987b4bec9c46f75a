"""Sends each reader what is new for them, at most one message a workday and person.

`arcdrift.store.digests.sent_digests` says why a kill at any moment neither doubles a message nor
loses what it told.
"""

import os
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Literal

from sqlalchemy import Engine

from arcdrift.digest.delivery import DeliveryInDoubt, Handover, TakenUp
from arcdrift.digest.digest import Digest
from arcdrift.digest.digest_from_store import CrewNews
from arcdrift.digest.digest_words import moment_text
from arcdrift.digest.mail import MailRoute, digest_message, mail_route, send_mail
from arcdrift.digest.since import workday, workday_start
from arcdrift.digest.told import Told
from arcdrift.digest.webhook import post_webhook, webhook_document, webhook_secret
from arcdrift.digest_settings import DigestReader
from arcdrift.errors import ArcdriftError, UsageError
from arcdrift.instants import day_text
from arcdrift.people import Viewer
from arcdrift.store.database.read_only import require_writable
from arcdrift.store.digests.sent_digests import (
    Claim,
    Past,
    claim_message,
    note_failed,
    note_quiet,
    note_sending,
    note_sent,
    past_messages,
    recipient_key,
    state_today,
)

Outcome = Literal[
    "sent", "would-send", "nothing-new", "already-sent", "in-progress", "in-doubt", "failed"
]
FAILURES = ("in-doubt", "failed")


@dataclass(frozen=True)
class Delivery:
    """What became of one reader's message.

    Attributes
    ----------
    sentence : str
        For the one who ran it; of a failure with the next step.
    digest : Digest or None
        What was told, or would be.
    preface : str
        What stands before it.
    exit_code : int
        Of a failure, as the command line ends with.
    """

    reader: DigestReader
    outcome: Outcome
    sentence: str
    digest: Digest | None = None
    preface: str = ""
    exit_code: int = 0


def viewer_of(reader: DigestReader) -> Viewer:
    """Who reads it: a technician sees nobody but themself."""
    return Viewer(reader.role, reader.technician)


def find_reader(readers: Sequence[DigestReader], name: str) -> DigestReader:
    """Return the reader of a name, in upper or lower case.

    Raises
    ------
    UsageError
        When crew.toml lists none.
    """
    for reader in readers:
        if reader.name.casefold() == name.strip().casefold():
            return reader
    listed = ", ".join(reader.name for reader in readers) or "none"
    raise UsageError(f"crew.toml has no reader {name.strip()[:60]!r}; there are: {listed}.")


def require_readers(readers: Sequence[DigestReader]) -> None:
    """Check that there is somebody to send to.

    Raises
    ------
    UsageError
        When crew.toml lists nobody.
    """
    if not readers:
        raise UsageError(
            "Nobody is listed to get messages; add a [[digest.readers]] with name, role and "
            "address to crew.toml."
        )


def reader_digest(
    news: CrewNews, reader: DigestReader, past: Past, since: datetime | None = None
) -> Digest:
    """Return what is new for a reader since the last message that reached them.

    Parameters
    ----------
    since : datetime, optional
        What is new since then instead (UTC).
    """
    told = None if past.told is None or since is not None else Told.from_json(past.told)
    start = since
    if start is None and told is not None:
        start = told.at
    if start is None:
        start = past.untold_since or _yesterday(news)
    return news.digest(start, told=told, viewer=viewer_of(reader), subjects=reader.subjects)


def _yesterday(news: CrewNews) -> datetime:
    offset = news.crew.day_offset
    day = workday(news.now, news.zone, offset) - timedelta(days=1)
    return workday_start(day, news.zone, offset)


def send_digests(
    engine: Engine,
    news: CrewNews,
    readers: Sequence[DigestReader],
    *,
    since: datetime | None = None,
    dry_run: bool = False,
    environment: Mapping[str, str] = os.environ,
    clock: Callable[[], datetime] = lambda: datetime.now(UTC),
) -> list[Delivery]:
    """Send each reader what is new for them; a failure of one does not stop the others.

    Parameters
    ----------
    since : datetime, optional
        What is new since then, instead of since each reader's last message.
    dry_run : bool
        Send nothing and note nothing; say who would get what.
    environment : mapping of str
        Variables of the environment.
    clock : callable
        Present time (UTC).

    Raises
    ------
    StoreTrouble
        When the store cannot be written, so that nothing may be sent.
    """
    if not dry_run:
        require_writable(engine)
    run = _Run(engine, news, since, environment, clock, dry_run=dry_run)
    return [run.deliver(reader) for reader in readers]


class _Run:
    """One run over all readers."""

    def __init__(
        self,
        engine: Engine,
        news: CrewNews,
        since: datetime | None,
        environment: Mapping[str, str],
        clock: Callable[[], datetime],
        *,
        dry_run: bool,
    ) -> None:
        self._engine = engine
        self._news = news
        self._since = since
        self._environment = environment
        self._clock = clock
        self._dry_run = dry_run

    def deliver(self, reader: DigestReader) -> Delivery:
        """Send one reader's message, if there is anything new and none was sent today."""
        try:
            return self._deliver(reader)
        except TakenUp:
            sentence = (
                f"Another run has taken up the message of {reader.name}; it is not sent twice."
            )
            return Delivery(reader, "in-progress", sentence)
        except ArcdriftError as problem:
            return Delivery(reader, "failed", str(problem), exit_code=problem.exit_code)

    def _deliver(self, reader: DigestReader) -> Delivery:
        now, recipient = self._clock(), recipient_key(reader.recipient)
        crew = self._news.crew
        today = workday(now, self._news.zone, crew.day_offset)
        past = past_messages(self._engine, recipient, now)
        digest = reader_digest(self._news, reader, past, self._since)
        state = state_today(self._engine, recipient, today, now)
        if state.refusal is not None:
            return self._refused(reader, state, digest)
        if not digest.has_news:
            if not self._dry_run and past.told is None:
                note_quiet(self._engine, recipient, reader.name, today, digest.told.to_json(), now)
            return Delivery(reader, "nothing-new", f"{reader.name}: nothing is new.", digest)
        preface = _preface(past.in_doubt)
        send = self._sender(reader, digest, preface)
        if self._dry_run:
            sentence = f"{reader.name} would get this {_way(reader)}:"
            return Delivery(reader, "would-send", sentence, digest, preface)
        claim = claim_message(self._engine, recipient, reader.name, today, digest.since, now)
        if claim.refusal is not None:
            return self._refused(reader, claim, digest)
        self._send(claim, send, digest)
        sentence = f"{reader.name} got what is new {_way(reader)}."
        return Delivery(reader, "sent", sentence, digest, preface)

    def _send(self, claim: Claim, send: Callable[[Handover, str], None], digest: Digest) -> None:
        def handover() -> None:
            if not note_sending(self._engine, claim.token):
                raise TakenUp("Another run has taken the message up meanwhile.")

        try:
            send(handover, claim.token)
        except (DeliveryInDoubt, TakenUp):
            raise  # it stays noted as leaving, or as another run has it
        except ArcdriftError:
            with suppress(ArcdriftError):
                note_failed(self._engine, claim.token, self._clock())
            raise
        note_sent(self._engine, claim.token, digest.told.to_json(), self._clock())

    def _sender(
        self, reader: DigestReader, digest: Digest, preface: str
    ) -> Callable[[Handover, str], None]:
        """A function that sends a digest, once all that it needs is known to be there."""
        if reader.webhook is not None:
            url, secret = reader.webhook, webhook_secret(reader, self._environment)
            document = webhook_document(digest, preface)

            def post(handover: Handover, token: str) -> None:
                post_webhook(url, document, handover, secret=secret, message_id=token)

            return post
        route: MailRoute = mail_route(self._news.crew.digest.smtp, self._environment)
        address = str(reader.address)

        def mail(handover: Handover, token: str) -> None:
            message = digest_message(
                digest, sender=route.sender, reader=reader.name, address=address,
                message_id=token, at=self._clock(), preface=preface,
            )  # fmt: skip
            send_mail(route, message, address, handover)

        return mail

    def _refused(self, reader: DigestReader, claim: Claim, digest: Digest) -> Delivery:
        at = "" if claim.at is None else moment_text(claim.at, self._news.zone)
        if claim.refusal == "already-sent":
            sentence = (
                f"{reader.name} got today's message already ({at}); what is new since then comes "
                "with the next."
            )
            return Delivery(reader, "already-sent", sentence, digest)
        if claim.refusal == "in-progress":
            sentence = f"Another run is sending the message of {reader.name} (since {at})."
            return Delivery(reader, "in-progress", sentence, digest)
        sentence = (
            f"A run that began {at} ended while it sent the message of {reader.name}, which may "
            "have arrived. It is not sent again today; the next message tells all of it again."
        )
        return Delivery(reader, "in-doubt", sentence, digest, exit_code=3)


def _way(reader: DigestReader) -> str:
    return "through the webhook" if reader.address is None else f"at {reader.address}"


def _preface(in_doubt: date | None) -> str:
    if in_doubt is None:
        return ""
    day = day_text(in_doubt)
    return f"The message of {day} may not have arrived. What stood in it stands here again."
