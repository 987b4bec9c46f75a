"""``arcdrift digest``: what is new since yesterday, since a day, or since the last message."""

from datetime import datetime
from typing import TYPE_CHECKING, Annotated

import typer

from arcdrift.cli.crew_folder import CrewSession, open_crew, require_analysis
from arcdrift.cli.options import CURRENT_FOLDER, AsJson, CrewFolder
from arcdrift.cli.output import print_json, printable
from arcdrift.cli.time_arguments import zone_of_splicer
from arcdrift.errors import UsageError

if TYPE_CHECKING:
    from arcdrift.digest.digest import Digest


def digest(
    folder: CrewFolder = CURRENT_FOLDER,
    since: Annotated[
        str,
        typer.Option(
            "--since", metavar="WHEN",
            help="yesterday, today, 12 hours, 7 days, a date or a time; days are workdays of the "
            "crew.",
        ),
    ] = "yesterday",
    as_markdown: Annotated[
        bool, typer.Option("--markdown", help="Print Markdown instead of plain text.")
    ] = False,
    as_json: AsJson = False,
) -> None:  # fmt: skip
    """Print what is new: cases, checks that were missed, splices to revisit."""
    if as_json and as_markdown:
        raise UsageError("Give --markdown or --json, not both.")
    with open_crew(folder) as session:
        require_analysis(session)
        from arcdrift.digest.digest_from_store import crew_news
        from arcdrift.digest.since import since_instant

        zone, now = zone_of_splicer(session.crew), _present(session)
        start = since_instant(since, now, zone, session.crew.day_offset)
        news = crew_news(session.engine, session.crew, now, zone or "UTC")
        _print_digest(news.digest(start), as_json=as_json, as_markdown=as_markdown)


def _present(session: CrewSession) -> datetime:
    """The instant that is told of: of this computer's clock, or of an archive's newest record."""
    from arcdrift.store.records.record_overview import assessment_time

    present: datetime = assessment_time(session.engine, session.crew).to_pydatetime()
    return present


def _print_digest(digest: "Digest", *, as_json: bool, as_markdown: bool) -> None:
    from arcdrift.digest.digest_forms import markdown, plain_text
    from arcdrift.digest.digest_words import digest_json, digest_words

    if as_json:
        print_json(digest_json(digest))
        return
    words = digest_words(digest)
    text = markdown(words) if as_markdown else plain_text(words)
    typer.echo(printable(text), nl=False)
