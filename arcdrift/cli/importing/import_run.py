"""Finding the logs that arguments mean, importing them and printing the counts of rows."""

from collections.abc import Generator, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from arcdrift.cli.crew_folder import CrewSession
from arcdrift.cli.importing.file_reading import Ask, FileReading
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

if TYPE_CHECKING:
    from arcdrift.intake.containers.sources import Log, Refused, Rows
    from arcdrift.intake.layout.layouts import Layout
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
    from arcdrift.intake.containers.sources import PassedOver, Refused, logs_in, names_columns
    from arcdrift.intake.draft.headers.word_lists import load_words
    from arcdrift.intake.draft.sample_table import names_known_words
    from arcdrift.intake.layout.layout_match import crew_layouts
    from arcdrift.intake.text.raw_rows import numbered

    def has_header(rows: "Rows") -> bool:
        if layout is not None:
            return any(layout.fits(numbered(row)) for row in rows)
        if names_columns(rows):
            return True
        layouts = crew_layouts(folder).layouts
        if any(own.fits(numbered(row)) for own in layouts for row in rows):
            return True
        words = load_words(folder)
        return any(names_known_words(row, words) for row in rows)

    with find_log_files(arguments) as found:
        for sentence in found.skipped:
            print_notice(sentence)
        for argument, problem in found.errors:
            yield Refused(argument, problem)
        queue = FileQueue([]) if queue is None else queue
        queue.waiting = [name for _, name in found.files]
        for path, name in found.files:
            for log in logs_in(path, name, has_header=has_header):
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
    and values tell.
    """
    name = name or path.name
    description = f"Importing {name}"
    with progress_bar(description, "rows") as progress:
        from arcdrift.intake.draft.headers.word_lists import crew_words_text
        from arcdrift.intake.layout.archive_layouts import archive_layout
        from arcdrift.intake.layout.file_start import FileStart
        from arcdrift.intake.layout.layout_match import LAYOUTS, crew_layouts, fitting_layout
        from arcdrift.intake.storing.import_file import import_file

        find_layout = None
        if layout is None:
            own = crew_layouts(session.folder)
            for sentence in own.refusals:
                session.print_once(sentence)
            file = FileStart(path, name, sheet)
            layout = fitting_layout(own.layouts, file, kind=kind)
            reading = FileReading(session, kind, progress.around(ask))
            if layout is not None and layout.undecided and ask is not None:
                reading = replace(reading, draft=session.folder / LAYOUTS / layout.name)
                layout = None
            if layout is None and reading.draft is None:
                layout = archive_layout(session.crew, file, kind=kind)
            if layout is not None:
                print_notice(f"{name} is read with the layout {layout.name}.")
            find_layout = reading.layout_for
        return import_file(
            session.engine,
            session.crew,
            path,
            kind=kind,
            layout=layout,
            find_layout=find_layout,
            words=crew_words_text(session.folder),
            progress=partial(progress, description),
            name=name,
            sheet=sheet,
            waiting=print_waiting,
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
