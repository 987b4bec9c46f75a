"""Importing one log under a layout of the crew or of an archive, or as its own headers tell."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

from sqlalchemy import Connection, Engine

from arcdrift.intake.containers.files import MAX_TEXT_BYTES
from arcdrift.intake.containers.sources import (
    Found,
    Rows,
    logs_in,
    names_columns,
)
from arcdrift.intake.draft.headers.word_lists import crew_words_text, load_words
from arcdrift.intake.draft.sample_table import names_known_words
from arcdrift.intake.layout.archive_layouts import archive_layout
from arcdrift.intake.layout.file_start import FileStart
from arcdrift.intake.layout.layout_match import LAYOUTS, crew_layouts, fitting_layout
from arcdrift.intake.layout.layouts import Layout
from arcdrift.intake.reading.file_reading import MOST_QUESTIONS, Ask, FileReading, Say
from arcdrift.intake.schema.import_report import ImportReport, Progress
from arcdrift.intake.storing.import_file import import_file
from arcdrift.intake.text.raw_rows import numbered
from arcdrift.settings import Crew
from arcdrift.store.database.connect import Waiting


def logs_of_file(
    folder: Path,
    path: Path,
    name: str,
    layout: Layout | None = None,
    *,
    max_bytes: int | None = None,
) -> Iterator[Found]:
    """Find the logs in a file: itself, the members of an archive, the sheets of a workbook.

    Parameters
    ----------
    folder : Path
        The crew folder, whose layouts tell which sheets of a workbook are logs.
    layout : Layout, optional
        How its logs are to be read.
    max_bytes : int, optional
        Largest size that all members of an archive may unpack to.
    """

    def has_header(rows: Rows) -> bool:
        if layout is not None:
            return any(layout.fits(numbered(row)) for row in rows)
        if names_columns(rows):
            return True
        layouts = crew_layouts(folder).layouts
        if any(own.fits(numbered(row)) for own in layouts for row in rows):
            return True
        words = load_words(folder)
        return any(names_known_words(row, words) for row in rows)

    return logs_in(path, name, has_header=has_header, max_bytes=max_bytes)


def import_log(
    engine: Engine,
    crew: Crew,
    folder: Path,
    path: Path,
    *,
    name: str,
    say: Say,
    refused: Say,
    kind: str | None = None,
    layout: Layout | None = None,
    sheet: str | None = None,
    ask: Ask | None = None,
    most_questions: float = MOST_QUESTIONS,
    progress: Progress | None = None,
    waiting: Waiting | None = None,
    max_bytes: int = MAX_TEXT_BYTES,
    imported_by: str | None = None,
    require: Callable[[Connection, int], None] | None = None,
) -> ImportReport:
    """Import one log.

    Without a layout one of the crew is looked for; if none fits, the file is read as its headers
    and values tell.

    Parameters
    ----------
    folder : Path
        The crew folder.
    name : str
        Its name for messages and for the list of imports.
    say, refused : callable
        Called with how the log is read, and with why a layout of the crew cannot be used.
    ask : callable, optional
        Asks a person what is not clear about it.
    most_questions : float
        With more open questions none is asked.

    Other parameters as for `arcdrift.intake.storing.import_file.import_file`.

    Raises
    ------
    OpenQuestions
        When something about the log is not clear.
    ArcdriftError
        When it cannot be read or stored.
    """
    find_layout = None
    if layout is None:
        own = crew_layouts(folder)
        for sentence in own.refusals:
            refused(sentence)
        file = FileStart(path, name, sheet)
        layout = fitting_layout(own.layouts, file, kind=kind)
        reading = FileReading(folder, crew, say, kind, ask, most_questions)
        if layout is not None and layout.undecided and ask is not None:
            reading = replace(reading, draft=folder / LAYOUTS / layout.name)
            layout = None
        if layout is None and reading.draft is None:
            layout = archive_layout(crew, file, kind=kind)
        if layout is not None:
            say(f"{name} is read with the layout {layout.name}.")
        find_layout = reading.layout_for
    return import_file(
        engine,
        crew,
        path,
        kind=kind,
        layout=layout,
        find_layout=find_layout,
        words=crew_words_text(folder),
        progress=progress,
        name=name,
        sheet=sheet,
        waiting=waiting,
        max_bytes=max_bytes,
        imported_by=imported_by,
        require=require,
    )
