"""``arcdrift digest``: what is new since yesterday, since a day, or since the last message."""

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated, Any

import typer

from arcdrift.cli.crew_folder import CrewSession, open_crew, require_analysis
from arcdrift.cli.options import CURRENT_FOLDER, AsJson, CrewFolder
from arcdrift.cli.output import print_json, print_lines, print_notice, printable
from arcdrift.cli.time_arguments import zone_of_splicer
from arcdrift.errors import UsageError

if TYPE_CHECKING:
    from arcdrift.digest.digest import Digest
    from arcdrift.digest.digest_from_store import CrewNews
    from arcdrift.digest.send_digests import Delivery

LAST = "last"


def digest(
    folder: CrewFolder = CURRENT_FOLDER,
    since: Annotated[
        str | None,
        typer.Option(
            "--since", metavar="WHEN", show_default="yesterday; with --send: last",
            help="yesterday, today, 12 hours, 7 days, a date or a time (days are workdays of the "
            "crew), or last: the last message to the reader.",
        ),
    ] = None,
    reader: Annotated[
        str | None,
        typer.Option(
            "--reader", metavar="NAME",
            help="A reader in crew.toml: print what they would read, or send to them alone.",
        ),
    ] = None,
    send: Annotated[
        bool,
        typer.Option(
            "--send",
            help="Send it to the readers in crew.toml: at most one message a day and reader, none "
            "when nothing is new.",
        ),
    ] = False,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="With --send: only print who would get what.")
    ] = False,
    as_markdown: Annotated[
        bool, typer.Option("--markdown", help="Print Markdown instead of plain text.")
    ] = False,
    as_json: AsJson = False,
) -> None:  # fmt: skip
    """Print what is new, or send it: cases, checks that were missed, splices to revisit."""
    _require_sense(since, reader, send=send, dry_run=dry_run, markdown=as_markdown, json=as_json)
    with open_crew(folder) as session:
        require_analysis(session)
        from arcdrift.digest.digest_from_store import crew_news
        from arcdrift.digest.send_digests import find_reader, require_readers
        from arcdrift.digest.since import since_instant

        crew = session.crew
        readers = list(crew.digest.readers)
        if reader is not None:
            readers = [find_reader(readers, reader)]
        if send:
            require_readers(readers)
        zone, now = zone_of_splicer(crew), _present(session)
        words = since or (LAST if send else "yesterday")
        start = None
        if words.strip().lower() != LAST:
            start = since_instant(words, now, zone, crew.day_offset)
        if send and zone is None:
            raise UsageError(
                "A message a day needs days: the crew has no time zone; set time_zone in crew.toml."
            )
        news = crew_news(session.engine, crew, now, zone or "UTC")
        if send:
            _send(session, news, readers, start, dry_run=dry_run, as_json=as_json)
        elif reader is None and start is not None:
            _print_digest(news.digest(start), as_json=as_json, as_markdown=as_markdown)
        else:
            found = _as_read(session, news, readers[0], start)
            _print_digest(found, as_json=as_json, as_markdown=as_markdown)


def _require_sense(
    since: str | None, reader: str | None, *,
    send: bool, dry_run: bool, markdown: bool, json: bool,
) -> None:  # fmt: skip
    if json and markdown:
        raise UsageError("Give --markdown or --json, not both.")
    if dry_run and not send:
        raise UsageError("--dry-run says what --send would do; give both.")
    if send and markdown:
        raise UsageError("Messages have a form of their own; leave --markdown away.")
    if since is not None and since.strip().lower() == LAST and reader is None and not send:
        raise UsageError("Say whose last message is meant: give --reader NAME.")


def _present(session: CrewSession) -> datetime:
    """The instant that is told of: of this computer's clock, or of an archive's newest record."""
    from arcdrift.store.records.record_overview import assessment_time

    present: datetime = assessment_time(session.engine, session.crew).to_pydatetime()
    return present


def _as_read(
    session: CrewSession, news: "CrewNews", reader: Any, start: datetime | None
) -> "Digest":
    """What a reader would read."""
    from arcdrift.digest.send_digests import reader_digest
    from arcdrift.store.digests.sent_digests import past_messages, recipient_key

    past = past_messages(session.engine, recipient_key(reader.recipient), datetime.now(UTC))
    return reader_digest(news, reader, past, start)


def _print_digest(digest: "Digest", *, as_json: bool, as_markdown: bool) -> None:
    from arcdrift.digest.digest_forms import markdown, plain_text
    from arcdrift.digest.digest_words import digest_json, digest_words

    if as_json:
        print_json(digest_json(digest))
        return
    words = digest_words(digest)
    text = markdown(words) if as_markdown else plain_text(words)
    typer.echo(printable(text), nl=False)


def _send(
    session: CrewSession, news: "CrewNews", readers: list[Any], start: datetime | None, *,
    dry_run: bool, as_json: bool,
) -> None:  # fmt: skip
    from arcdrift.digest.send_digests import FAILURES, send_digests

    deliveries = send_digests(session.engine, news, readers, since=start, dry_run=dry_run)
    if as_json:
        print_json([_delivery_json(delivery) for delivery in deliveries])
    for delivery in deliveries:
        if delivery.outcome in FAILURES:
            print_notice(f"{delivery.reader.name}: {delivery.sentence}")
        elif not as_json:
            print_lines(delivery.sentence)
            if delivery.outcome == "would-send" and delivery.digest is not None:
                _print_indented(delivery)
    code = max(delivery.exit_code for delivery in deliveries)
    if code:
        raise typer.Exit(code)


def _delivery_json(delivery: "Delivery") -> dict[str, Any]:
    from arcdrift.digest.digest_words import digest_json

    reader, told = delivery.reader, delivery.digest
    return {
        "reader": reader.name,
        "role": reader.role,
        "way": "webhook" if reader.address is None else "mail",
        "address": reader.address,
        "outcome": delivery.outcome,
        "sentence": delivery.sentence,
        "digest": None if told is None else digest_json(told),
    }


def _print_indented(delivery: "Delivery") -> None:
    from arcdrift.digest.digest_forms import WIDTH, plain_text
    from arcdrift.digest.digest_words import digest_words

    if delivery.digest is None:
        return
    text = plain_text(digest_words(delivery.digest), WIDTH - 2)
    lines = [delivery.preface, "", *text.splitlines()] if delivery.preface else text.splitlines()
    typer.echo(printable("".join(f"  {line}".rstrip() + "\n" for line in lines)))
