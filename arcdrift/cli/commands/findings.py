"""``arcdrift findings``: lists the findings, the most pressing first."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from arcdrift.cli.analysis_run import severity_counts_text
from arcdrift.cli.crew_folder import open_crew, require_analysis
from arcdrift.cli.known_names import require_known
from arcdrift.cli.options import CURRENT_FOLDER, AsJson, CrewFolder
from arcdrift.cli.output import count_noun, print_json, print_lines, print_renderable, printable
from arcdrift.cli.time_arguments import local_day, parse_instant, zone_of_splicer
from arcdrift.wording import screen_text

if TYPE_CHECKING:
    from sqlalchemy import Engine

    from arcdrift.settings import Crew

Severity = Literal["act", "watch", "note"]  # in the order that --help shows
STYLES = {"act": "bold red", "watch": "yellow", "note": "cyan"}


def findings(
    folder: CrewFolder = CURRENT_FOLDER,
    since: Annotated[
        str | None,
        typer.Option(
            "--since", metavar="DATE", help="Only findings with evidence on or after this day."
        ),
    ] = None,
    subject: Annotated[
        str | None,
        typer.Option(
            "--subject",
            help="Only findings about this splicer, site, person, or 'SPLICER / PROGRAM'.",
        ),
    ] = None,
    kind: Annotated[
        str | None, typer.Option("--kind", help="Only findings of this kind, such as check-missed.")
    ] = None,
    severity: Annotated[
        Severity | None,
        typer.Option("--severity", help="Only findings of this severity or higher."),
    ] = None,
    fail_on: Annotated[
        Severity | None,
        typer.Option(
            "--fail-on", help="Exit with code 1 if a finding of this severity or higher is listed."
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """List the findings: what needs attention, since when, and what to do next."""
    from arcdrift.finding import FORMER_KINDS, KINDS, SEVERITY_ORDER
    from arcdrift.store.records.record_overview import read_splicers
    from arcdrift.store.results.result_rows import read_findings

    with open_crew(folder) as session:
        require_analysis(session)
        if kind is not None:
            kind = FORMER_KINDS.get(kind, kind)
            require_known(kind, KINDS, "kind of finding")
        zone = zone_of_splicer(session.crew)
        start = None if since is None else parse_instant(since, zone, "--since")
        found = visible_findings(
            session.engine, session.crew, read_findings(session.engine, since=start, kind=kind)
        )
        if subject is not None:
            found = _findings_about(
                found, subject, {*read_splicers(session.engine), *session.crew.sites}
            )
        if severity is not None:
            found = [
                finding
                for finding in found
                if SEVERITY_ORDER[finding["severity"]] <= SEVERITY_ORDER[severity]
            ]
        if as_json:
            print_json(found)
        else:
            print_findings(found, session.crew)
            print_lines(_count_text(found))
    if fail_on is not None and any(
        SEVERITY_ORDER[finding["severity"]] <= SEVERITY_ORDER[fail_on] for finding in found
    ):
        raise typer.Exit(1)


def visible_findings(
    engine: "Engine", crew: "Crew", found: list[dict[str, Any]]
) -> list[dict[str, Any]]:
    """Return the findings that may be shown, with pseudonyms if the crew wants them."""
    from arcdrift.people import People
    from arcdrift.store.results.result_rows import read_technicians

    people = People(crew)
    names = read_technicians(engine)
    shown = (people.finding(finding, names) for finding in found)
    return [finding for finding in shown if finding is not None]


def print_findings(found: Sequence[dict[str, Any]], crew: "Crew") -> None:
    """Print findings as a list: severity, summary, period, likely cause and next step."""
    from rich.table import Table
    from rich.text import Text

    grid = Table.grid(padding=(0, 2))
    grid.add_column(no_wrap=True)
    grid.add_column()
    for finding in found:
        zone = zone_of_splicer(crew, str(finding["subject"]["id"]).split(" / ")[0])
        since, until = (local_day(finding[end], zone) for end in ("since", "until"))
        span = since if since == until else f"{since} to {until}"
        text = Text(printable(screen_text(finding["summary"] or finding["kind"])))
        case = f", case {finding['case_id'][:6]}" if finding["case_id"] else ""
        text.append(f"\n{span}, {finding['kind']}{case}", style="dim")
        causes = finding["likely_causes"]
        if causes:
            why = screen_text(causes[0]["why"])
            text.append(f"\nLikely: {printable(causes[0]['cause'])} ({printable(why)})")
        text.append(f"\nNext: {printable(screen_text(finding['next_step']))}\n")
        grid.add_row(Text(finding["severity"], style=STYLES[finding["severity"]]), text)
    if found:
        print_renderable(grid)


def _findings_about(
    found: list[dict[str, Any]], subject: str, known: set[str]
) -> list[dict[str, Any]]:
    """Select the findings about a subject; those of a splicer's streams belong to the splicer."""
    about = [
        finding
        for finding in found
        if subject in (finding["subject"]["id"], str(finding["subject"]["id"]).split(" / ")[0])
    ]
    if not about:
        subjects = {str(finding["subject"]["id"]) for finding in found}
        require_known(subject, known | subjects, "splicer, site or person")
    return about


def _count_text(found: Sequence[dict[str, Any]]) -> str:
    if not found:
        return "No findings among the analyzed records for this choice."
    counts = severity_counts_text(finding["severity"] for finding in found)
    return f"{count_noun(len(found), 'finding')}: {counts}."
