"""``arcdrift findings``: what needs a person, the most pressing first."""

from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from arcdrift.cli.crew_folder import open_crew, require_analysis
from arcdrift.cli.names import require_known
from arcdrift.cli.options import HERE, AsJson, CrewFolder
from arcdrift.cli.output import counted, emit, print_json, shown, tell
from arcdrift.cli.time_arguments import local, typed_instant, zone_of_splicer

if TYPE_CHECKING:
    from sqlalchemy import Engine

    from arcdrift.settings import Crew

Severity = Literal["act", "watch", "note"]
STYLES = {"act": "bold red", "watch": "yellow", "note": "cyan"}


def findings(
    crew: CrewFolder = HERE,
    since: Annotated[
        str | None,
        typer.Option("--since", metavar="DATE", help="Only with evidence on or after this day."),
    ] = None,
    subject: Annotated[
        str | None,
        typer.Option("--subject", help="Only about this splicer, stream, site or person."),
    ] = None,
    kind: Annotated[
        str | None, typer.Option("--kind", help="Only of this kind, such as check-missed.")
    ] = None,
    severity: Annotated[
        Severity | None, typer.Option("--severity", help="Only this pressing or more.")
    ] = None,
    fail_on: Annotated[
        Severity | None,
        typer.Option(
            "--fail-on", help="Exit with code 1 when one this pressing or more is listed."
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """List what needs a person: what, since when, and what to do next."""
    from arcdrift.finding import KINDS, SEVERITY_ORDER
    from arcdrift.store import read

    with open_crew(crew) as here:
        require_analysis(here)
        if kind is not None:
            require_known(kind, KINDS, "kind of finding")
        zone = zone_of_splicer(here.crew)
        start = None if since is None else typed_instant(since, zone, "--since")
        found = may_be_shown(
            here.engine, here.crew, read.findings(here.engine, since=start, kind=kind)
        )
        if subject is not None:
            found = _about(found, subject, {*read.splicers(here.engine), *here.crew.sites})
        if severity is not None:
            found = [
                item
                for item in found
                if SEVERITY_ORDER[item["severity"]] <= SEVERITY_ORDER[severity]
            ]
        if as_json:
            print_json(found)
        else:
            print_findings(found, here.crew)
            tell(_total(found))
    if fail_on is not None and any(
        SEVERITY_ORDER[item["severity"]] <= SEVERITY_ORDER[fail_on] for item in found
    ):
        raise typer.Exit(1)


def may_be_shown(
    engine: "Engine", crew: "Crew", found: list[dict[str, Any]]
) -> list[dict[str, Any]]:
    """Findings of those who may be seen, by the names that may be shown."""
    from arcdrift.people import People
    from arcdrift.store import read

    people = People(crew)
    names = read.technicians(engine)
    told = (people.finding(item, names) for item in found)
    return [item for item in told if item is not None]


def print_findings(found: Sequence[dict[str, Any]], crew: "Crew") -> None:
    """Print findings as a list: severity, what and since when, and the next step."""
    from rich.table import Table
    from rich.text import Text

    grid = Table.grid(padding=(0, 2))
    grid.add_column(no_wrap=True)
    grid.add_column()
    for item in found:
        zone = zone_of_splicer(crew, str(item["subject"]["id"]).split(" / ")[0])
        since, until = (local(item[end], zone)[:10] for end in ("since", "until"))
        span = since if since == until else f"{since} to {until}"
        words = Text(shown(item["summary"] or item["kind"]))
        words.append(f"\n{span}, {item['kind']}", style="dim")
        causes = item["likely_causes"]
        if causes:
            words.append(f"\nLikely: {shown(causes[0]['cause'])} ({shown(causes[0]['why'])})")
        words.append(f"\nNext: {shown(item['next_step'])}\n")
        grid.add_row(Text(item["severity"], style=STYLES[item["severity"]]), words)
    if found:
        emit(grid)


def _about(found: list[dict[str, Any]], subject: str, known: set[str]) -> list[dict[str, Any]]:
    """Findings about a subject: a splicer's streams belong to the splicer."""
    about = [
        item
        for item in found
        if subject in (item["subject"]["id"], str(item["subject"]["id"]).split(" / ")[0])
    ]
    if not about:
        subjects = {str(item["subject"]["id"]) for item in found}
        require_known(subject, known | subjects, "splicer, stream, site or person")
    return about


def _total(found: Sequence[dict[str, Any]]) -> str:
    if not found:
        return "No findings among the analyzed records for this choice."
    counts = Counter(item["severity"] for item in found)
    return (
        f"{counted(len(found), 'finding')}: {counts['act']} to act on, {counts['watch']} to watch, "
        f"{counts['note']} to note."
    )
