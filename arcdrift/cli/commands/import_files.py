"""``arcdrift import``: reads log files into the crew's store and accounts for every row."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from arcdrift.cli.crew_folder import CrewSession, command_text, open_crew
from arcdrift.cli.importing.import_batch import ImportBatch
from arcdrift.cli.importing.import_notices import print_interrupted
from arcdrift.cli.importing.import_run import FileQueue, print_reports
from arcdrift.cli.importing.reading_notices import reading_notices
from arcdrift.cli.importing.reason_notices import reason_notices
from arcdrift.cli.importing.terminal_questions import is_terminal, terminal_question
from arcdrift.cli.importing.watch_folder import DEFAULT_INTERVAL_S, FolderWatch
from arcdrift.cli.interrupts import INTERRUPTED, errors_as_interrupts, ignore_interrupts
from arcdrift.cli.options import CURRENT_FOLDER, AsJson, CrewFolder, RecordKind
from arcdrift.cli.output import print_json, print_lines, print_notice
from arcdrift.errors import UsageError

if TYPE_CHECKING:
    from arcdrift.intake.layout.layouts import Layout
    from arcdrift.intake.storing.import_file import ImportReport


def import_files(
    files: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="FILE...",
            readable=False,
            help=(
                "Log files, folders of them, patterns such as '*.csv', or - for standard input. "
                "A file may be CSV, .xlsx, .ods or Parquet, also inside .gz or .zip, or a text "
                "of METAR and SPECI reports."
            ),
        ),
    ] = None,
    folder: CrewFolder = CURRENT_FOLDER,
    kind: Annotated[
        RecordKind | None,
        typer.Option("--kind", help="Kind of the files, if it does not follow from their headers."),
    ] = None,
    layout: Annotated[
        Path | None,
        typer.Option(
            "--layout",
            metavar="LAYOUT",
            readable=False,
            help="TOML file that maps the files' headers and units to arcdrift's.",
        ),
    ] = None,
    watch: Annotated[
        Path | None,
        typer.Option(
            "--watch",
            metavar="DIR",
            readable=False,
            help="Instead of FILE: import files that are put into this folder, until Ctrl-C.",
        ),
    ] = None,
    every: Annotated[
        float,
        typer.Option("--every", metavar="SECONDS", help="With --watch: time between two looks."),
    ] = DEFAULT_INTERVAL_S,
    analyze: Annotated[
        bool, typer.Option("--analyze", help="With --watch: analyze again after new rows.")
    ] = False,
    yes: Annotated[
        bool,
        typer.Option("--yes", help="Ask nothing: a file that is not clear is left to a draft."),
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Read log files into the crew's store. Importing a file twice adds nothing.

    A file needs no layout if its headers and values can be understood; how it was read is printed.
    What is not clear is asked in a terminal; else nothing of the file is imported, and a draft of a
    layout is saved that says what is open. Every row is accounted for: accepted, already stored,
    conflicting with a stored one, or quarantined with the reason.
    """
    if (watch is None) == (not files):
        raise UsageError("Give the log files to import, or --watch with a folder.")
    if as_json and watch is not None:
        raise UsageError("--json and --watch do not go together; leave one out.")
    batch = ImportBatch(FileQueue([str(argument) for argument in files or ()]))
    try:
        with errors_as_interrupts():
            with open_crew(folder) as session:
                print_interrupted(session, forget=True)
                loaded = _load_layout(session, layout)
                if watch is not None:
                    FolderWatch(
                        session, watch, kind, loaded, interval_s=every, analyze=analyze
                    ).run()
                    return
                ask = terminal_question if is_terminal() and not (yes or as_json) else None
                batch.import_all(session, files or (), kind, loaded, ask=ask)
                notices = [
                    *reading_notices(session, batch.reports),
                    *reason_notices(session, batch.reports),
                ]
            _print_batch(batch, notices, folder, as_json=as_json)
            ignore_interrupts()  # all is stored and said
    except KeyboardInterrupt:
        print_notice(batch.interruption_text(folder))
        raise typer.Exit(INTERRUPTED) from None
    if batch.code:
        raise typer.Exit(batch.code)


def _print_batch(
    batch: ImportBatch, notices: "Sequence[str]", folder: Path, *, as_json: bool
) -> None:
    if as_json:
        print_json([report.to_json() for report in batch.reports])
    elif batch.reports:
        print_reports(batch.reports)
        for sentence in notices:
            print_lines(sentence)
        if batch.failed:
            print_lines(f"Not imported: {', '.join(batch.failed)}.")
        _print_next_step(batch.reports, folder)


def _load_layout(session: CrewSession, name_or_path: Path | None) -> "Layout | None":
    from arcdrift.intake.layout.layout_match import layout_path
    from arcdrift.intake.layout.layouts import load_layout

    return None if name_or_path is None else load_layout(layout_path(session.folder, name_or_path))


def _print_next_step(reports: "Sequence[ImportReport]", folder: Path) -> None:
    analyze = command_text("analyze", folder)
    if any(report.balance.quarantined for report in reports):
        print_lines(
            f"Next: {command_text('quarantine', folder)} shows the rows kept apart and how to mend "
            f"them; {analyze} works with the others."
        )
    elif any(report.balance.accepted for report in reports):
        print_lines(f"Next: {analyze}.")
    elif any(report.still_wrong for report in reports):
        print_lines("Nothing new was added. Correct these rows and import the file again.")
    else:
        print_lines("Nothing new was added; the results stand as they are.")
