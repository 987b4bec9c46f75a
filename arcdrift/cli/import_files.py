"""``arcdrift import``: log files into the crew's store, every row accounted for."""

from collections.abc import Generator, Sequence
from contextlib import closing
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from arcdrift.cli.crew_folder import OpenCrew, command, open_crew
from arcdrift.cli.interruption import say_cut_off, say_waiting
from arcdrift.cli.log_paths import given
from arcdrift.cli.options import HERE, AsJson, CrewFolder
from arcdrift.cli.output import counted, print_json, print_table, say, tell, tell_list, working
from arcdrift.cli.watch import EVERY_SECONDS, Watch
from arcdrift.errors import ArcdriftError, StoreTrouble, UsageError

if TYPE_CHECKING:
    from arcdrift.intake.containers.sources import Found
    from arcdrift.intake.layout.layouts import Layout
    from arcdrift.intake.storing.import_file import ImportReport

Kind = Literal["arc-checks", "splices", "readings", "service"]
LISTED_PROBLEMS = 8
COUNT_HEADS = ("Rows", "Accepted", "Already\nstored", "Conflic-\nting", "Quaran-\ntined")


def import_files(
    files: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="FILE...",
            help=(
                "Log files, folders of them, patterns such as '*.csv', or - for standard input. "
                "A file may be CSV, .xlsx, .ods or Parquet, packed as .gz or .zip or not."
            ),
        ),
    ] = None,
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
    watch: Annotated[
        Path | None,
        typer.Option(
            "--watch",
            metavar="DIR",
            help="Instead of FILE: import what is dropped into this folder, until Ctrl-C.",
        ),
    ] = None,
    every: Annotated[
        float, typer.Option("--every", metavar="SECONDS", help="With --watch: how often to look.")
    ] = EVERY_SECONDS,
    analyze: Annotated[
        bool, typer.Option("--analyze", help="With --watch: analyze anew after new rows.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Read log files into the crew's store. Importing a file twice adds nothing.

    Every row is accounted for: accepted, already stored, conflicting with a stored one, or
    put into quarantine with the reason.
    """
    if (watch is None) == (not files):
        raise UsageError("Give the log files to import, or --watch with a folder.")
    if as_json and watch is not None:
        raise UsageError("--json and --watch do not go together; leave one out.")
    with open_crew(crew) as here:
        say_cut_off(here, forget=True)
        if watch is not None:
            map_ = _layout(here, layout)
            Watch(here, watch, kind, map_, every=every, analyze=analyze).run()
            return
        reports, left, code = _import_all(here, files or (), kind, layout)
        if as_json:
            print_json([report.to_json() for report in reports])
        elif reports:
            print_reports(reports)
            if left:
                tell(f"Not imported: {', '.join(left)}.")
            _print_next(reports, here.folder)
    if code:
        raise typer.Exit(code)


def import_one(
    here: OpenCrew,
    path: Path,
    kind: Kind | None = None,
    layout: "Layout | None" = None,
    *,
    name: str | None = None,
    sheet: str | None = None,
) -> "ImportReport":
    """Import one file with its progress shown."""
    name = name or path.name
    what = f"Importing {name}"
    with working(what, "rows") as progress:
        from arcdrift.intake.layout.layout_match import fitting_layout
        from arcdrift.intake.storing.import_file import import_file

        if layout is None:
            layout = fitting_layout(here.folder, path, kind=kind, name=name, sheet=sheet)
            if layout is not None:
                say(f"{name} is read with the layout {layout.name}.")
        return import_file(
            here.engine,
            here.crew,
            path,
            kind=kind,
            layout=layout,
            progress=partial(progress, what),
            name=name,
            sheet=sheet,
            waiting=say_waiting,
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
        if report.balance.skipped:
            skipped = counted(report.balance.skipped, "line")
            tell(f"{report.file}: {skipped} skipped, as its layout says.")
        if report.mended:
            mended = counted(report.mended, "row")
            tell(f"{report.file}: {mended} kept apart by earlier imports left the quarantine.")
        if not report.problems:
            continue
        tell(f"{report.file}:")
        tell_list(report.problems[:LISTED_PROBLEMS])
        more = len(report.problems) - LISTED_PROBLEMS
        if more > 0:
            tell(f"  and {more} further kinds of problem; `arcdrift quarantine` lists them.")


def _import_all(
    here: OpenCrew, words: Sequence[Path], kind: Kind | None, layout: Path | None
) -> "tuple[list[ImportReport], list[str], int]":
    """Import what can be imported; the sentence of each bad file goes to standard error.

    Returns
    -------
    reports, left, code
        Of the files imported, the names of those that were not, and the exit code.
    """
    from arcdrift.intake.containers.sources import Log, PassedOver

    map_ = _layout(here, layout)
    reports: list[ImportReport] = []
    left: list[str] = []
    code = 0
    with closing(logs_of(words, map_)) as logs:
        for log in logs:
            if isinstance(log, PassedOver):
                say(log.why)
                continue
            try:
                if not isinstance(log, Log):
                    raise log.problem
                reports.append(
                    import_one(here, log.path, kind, map_, name=log.name, sheet=log.sheet)
                )
            except ArcdriftError as problem:
                say(problem)
                left.append(log.name)
                code = max(code, problem.exit_code)
                if isinstance(problem, StoreTrouble):
                    break
    return reports, left, code


def _layout(here: OpenCrew, named: Path | None) -> "Layout | None":
    from arcdrift.intake.layout.layout_match import layout_path
    from arcdrift.intake.layout.layouts import load_layout

    return None if named is None else load_layout(layout_path(here.folder, named))


def logs_of(words: Sequence[Path], layout: "Layout | None") -> "Generator[Found, None, None]":
    """Find all logs that the words on the command line mean."""
    from arcdrift.intake.containers.sources import PassedOver, Refused, logs_in, names_columns

    def in_layout(row: tuple[str, ...]) -> bool:
        wanted = () if layout is None else layout.columns.values()
        return any(header in row for column in wanted for header in column.headers)

    with given(words) as found:
        yield from map(PassedOver, found.passed)
        for word, problem in found.wrong:
            yield Refused(word, problem)
        for path, name in found.files:
            is_header = names_columns if layout is None else in_layout
            yield from logs_in(path, name, is_header=is_header)


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
