"""Finding the logs that arguments mean, importing them and printing the counts of rows."""

import shlex
from collections.abc import Generator, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from arcdrift.cli.crew_folder import CrewSession, command_text
from arcdrift.cli.importing.log_paths import find_log_files
from arcdrift.cli.options import RecordKind
from arcdrift.cli.output import (
    count_noun,
    print_lines,
    print_notice,
    print_problems,
    print_table,
    print_waiting,
    progress_bar,
)
from arcdrift.errors import BadInput

if TYPE_CHECKING:
    from arcdrift.intake.containers.sources import Log, Refused
    from arcdrift.intake.layout.layouts import Layout
    from arcdrift.intake.reading.file_reading import Ask, OpenQuestions
    from arcdrift.intake.storing.import_file import ImportReport

COUNT_HEADS = ("Rows", "Accepted", "Already\nstored", "Conflic-\nting", "Quaran-\ntined")
"""Heads of the columns that count the rows of an import."""


@dataclass
class FileQueue:
    """Names of the files that a command means.

    Attributes
    ----------
    waiting : list of str
        Those that are not done yet, in order; the arguments, until their files are found.
    done : list of str
        Those whose logs were all imported or refused.
    """

    waiting: list[str]
    done: list[str] = field(default_factory=list)


def find_logs(
    folder: Path,
    arguments: Sequence[Path],
    layout: "Layout | None",
    queue: FileQueue | None = None,
) -> "Generator[Log | Refused, None, None]":
    """Find all logs in the files, folders, patterns or standard input that the arguments mean.

    A notice is printed about each file or sheet that is passed over.

    Parameters
    ----------
    folder : Path
        The crew folder, whose layouts tell which sheets of a workbook are logs.
    queue : FileQueue, optional
        Kept up to date.
    """
    from arcdrift.intake.containers.sources import PassedOver, Refused
    from arcdrift.intake.reading.import_log import logs_of_file

    with find_log_files(arguments) as found:
        for sentence in found.skipped:
            print_notice(sentence)
        for argument, problem in found.errors:
            yield Refused(argument, problem)
        queue = FileQueue([]) if queue is None else queue
        queue.waiting = [name for _, name in found.files]
        for path, name in found.files:
            for log in logs_of_file(folder, path, name, layout):
                if isinstance(log, PassedOver):
                    print_notice(log.why)
                else:
                    yield log
            queue.done.append(queue.waiting.pop(0))


def import_found(
    session: CrewSession,
    log: "Log | Refused",
    kind: RecordKind | None,
    layout: "Layout | None",
    *,
    ask: "Ask | None" = None,
) -> "ImportReport":
    """Import a log that `find_logs` found; `ask` asks a person what is not clear about it.

    Raises
    ------
    ArcdriftError
        If the log cannot be read or stored.
    """
    from arcdrift.intake.containers.sources import Log

    if not isinstance(log, Log):
        raise log.problem
    return import_log(session, log.path, kind, layout, name=log.name, sheet=log.sheet, ask=ask)


def import_log(
    session: CrewSession,
    path: Path,
    kind: RecordKind | None = None,
    layout: "Layout | None" = None,
    *,
    name: str | None = None,
    sheet: str | None = None,
    ask: "Ask | None" = None,
) -> "ImportReport":
    """Import one log with a progress bar.

    Without a layout one of the crew is looked for; if none fits, the file is read as its headers
    and values tell. What is not clear is left to a draft of a layout.
    """
    name = name or path.name
    description = f"Importing {name}"
    with progress_bar(description, "rows") as progress:
        from arcdrift.intake.reading import import_log as reading
        from arcdrift.intake.reading.file_reading import OpenQuestions

        try:
            return reading.import_log(
                session.engine,
                session.crew,
                session.folder,
                path,
                name=name,
                say=print_notice,
                refused=session.print_once,
                kind=kind,
                layout=layout,
                sheet=sheet,
                ask=progress.around(ask),
                progress=partial(progress, description),
                waiting=print_waiting,
            )
        except OpenQuestions as problem:
            raise BadInput(_save_draft(problem, session.folder)) from None


def _save_draft(problem: "OpenQuestions", folder: Path) -> str:
    """Save a draft, unless there is one already; return a sentence about what is open."""
    from arcdrift.intake.reading.file_reading import free_layout_path, write_layout

    draft, path = problem.draft, problem.saved_as
    if path is None:
        path = free_layout_path(folder, draft.name)
        write_layout(path, draft.text())
    # a sheet, or a file in an archive, is imported with the file that holds it
    file_name = shlex.quote(draft.name.partition("/")[0])
    command = command_text(f"import {file_name}", folder)
    return (
        f"{problem} The rest is in the draft {path}: decide there what stands under undecided, "
        f"then run {command} again."
    )


def print_reports(reports: "Sequence[ImportReport]") -> None:
    """Print a table with the row counts of each import, and the problems of each file."""
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
        numeric_columns=range(2, 8),
        title="Rows = accepted + already stored + conflicting + quarantined",
    )
    for report in reports:
        if report.balance.skipped:
            skipped = count_noun(report.balance.skipped, "line")
            print_lines(f"{report.file}: {skipped} left out, which are no rows of its table.")
        if report.left_out:
            numbers = ", ".join(map(str, report.left_out))
            print_lines(f"{report.file}: left out, because they have no name: column {numbers}.")
        if report.mended:
            mended = count_noun(report.mended, "row")
            print_lines(
                f"{report.file}: {mended} kept apart by earlier imports left the quarantine."
            )
        if report.joined:
            events = count_noun(report.joined, "event")
            print_lines(
                f"{report.file}: {events} had been written down by hand; each is one record now, "
                "with the log's values."
            )
        if report.still_wrong:
            print_lines(f"{report.file}: still wrong, and kept apart as before:")
            print_problems(report.still_wrong)
        if report.problems:
            print_lines(f"{report.file}:")
            print_problems(report.problems, "; `arcdrift quarantine` lists them")
