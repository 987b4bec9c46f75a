"""``arcdrift import``: log files into the crew's store, every row accounted for."""

from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from arcdrift.cli.crew_folder import OpenCrew, command, open_crew
from arcdrift.cli.options import HERE, AsJson, CrewFolder
from arcdrift.cli.output import print_json, print_table, say, tell, tell_list, working
from arcdrift.errors import ArcdriftError, StoreTrouble

if TYPE_CHECKING:
    from arcdrift.intake.intake import ImportReport

Kind = Literal["arc-checks", "splices", "readings", "service"]
LISTED_PROBLEMS = 8
COUNT_HEADS = ("Rows", "Accepted", "Already\nstored", "Conflic-\nting", "Quaran-\ntined")


def import_files(
    files: Annotated[list[Path], typer.Argument(metavar="FILE...", help="Log files to read.")],
    crew: CrewFolder = HERE,
    kind: Annotated[
        Kind | None,
        typer.Option("--kind", help="What the files hold, when the headers do not tell."),
    ] = None,
    layout: Annotated[
        Path | None,
        typer.Option(
            "--layout",
            metavar="LAYOUT",
            help="TOML file that maps the files' headers and units to arcdrift's.",
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Read log files into the crew's store. Importing a file twice adds nothing.

    Every row is accounted for: accepted, already stored, conflicting with a stored one, or
    put into quarantine with the reason.
    """
    with open_crew(crew) as here:
        reports, code = _import_all(here, files, kind, layout)
        if as_json:
            print_json([report.to_json() for report in reports])
        elif reports:
            print_reports(reports)
            _print_next(reports, here.folder)
    if code:
        raise typer.Exit(code)


def import_one(
    here: OpenCrew, path: Path, kind: Kind | None = None, layout: Path | None = None
) -> "ImportReport":
    """Import one file with its progress shown."""
    what = f"Importing {path.name}"
    with working(what, "rows") as progress:
        from arcdrift.intake.intake import import_file

        return import_file(
            here.engine,
            here.crew,
            path,
            kind=kind,
            layout=layout,
            progress=partial(progress, what),
        )


def print_reports(reports: "Sequence[ImportReport]") -> None:
    """Print the counts of imports, which add up, and their problems in groups."""
    print_table(
        ["File", "Kind", "Import", *COUNT_HEADS],
        [
            (
                report.file,
                report.kind,
                report.import_id,
                f"{report.balance.rows:,}",
                f"{report.balance.accepted:,}",
                f"{report.balance.already_stored:,}",
                f"{report.balance.conflicting:,}",
                f"{report.balance.quarantined:,}",
            )
            for report in reports
        ],
        numbers=range(2, 8),
        title="Rows = accepted + already stored + conflicting + quarantined",
    )
    for report in reports:
        if not report.problems:
            continue
        tell(f"{report.file}:")
        tell_list(report.problems[:LISTED_PROBLEMS])
        more = len(report.problems) - LISTED_PROBLEMS
        if more > 0:
            tell(f"  and {more} further kinds of problem; `arcdrift quarantine` lists them.")


def _import_all(
    here: OpenCrew, files: Sequence[Path], kind: Kind | None, layout: Path | None
) -> "tuple[list[ImportReport], int]":
    """Import what can be imported; the sentence of each bad file goes to standard error."""
    reports, code = [], 0
    for path in files:
        try:
            reports.append(import_one(here, path, kind, layout))
        except ArcdriftError as problem:
            say(problem)
            code = max(code, problem.exit_code)
            if isinstance(problem, StoreTrouble):
                break
    return reports, code


def _print_next(reports: "Sequence[ImportReport]", folder: Path) -> None:
    analyze = command("analyze", folder)
    if any(report.balance.quarantined for report in reports):
        tell(
            f"Next: {command('quarantine', folder)} shows the rows kept apart and how to mend "
            f"them; {analyze} works with the others."
        )
    elif any(report.balance.accepted for report in reports):
        tell(f"Next: {analyze}.")
    else:
        tell("Nothing new was added; the results stand as they are.")
