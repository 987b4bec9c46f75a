"""Import one log file, whole or not at all."""

import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine

from arcdrift.errors import StoreTrouble
from arcdrift.instants import microseconds
from arcdrift.intake.bulletins.report_rows import is_bulletin
from arcdrift.intake.containers.files import MAX_TEXT_BYTES, LogFile, open_file, open_text
from arcdrift.intake.layout.layout_match import is_export_file
from arcdrift.intake.layout.layouts import Layout, load_layout
from arcdrift.intake.layout.log_reader import LogReader
from arcdrift.intake.schema.import_report import ImportReport as ImportReport
from arcdrift.intake.schema.import_report import Progress as Progress
from arcdrift.intake.storing.known_files import known_import, settings_digest, store_repeat
from arcdrift.intake.storing.log_import import LogImport
from arcdrift.intake.storing.quarantine_export import origin_of_export
from arcdrift.intake.text.export_columns import is_export
from arcdrift.intake.text.log_text import LogText
from arcdrift.scratch import scratch_folder
from arcdrift.settings import Crew
from arcdrift.store.database.connect import Waiting, reading, writing
from arcdrift.store.imports.import_lock import running_import

_START_BYTES = 1 << 16
"""Bytes that tell whether a text is a bulletin."""
FindLayout = Callable[[LogText], Layout | None]
"""Finds how the text of a log is to be read."""


def import_file(
    engine: Engine,
    crew: Crew,
    path: Path,
    *,
    kind: str | None = None,
    layout: Layout | Path | None = None,
    find_layout: FindLayout | None = None,
    words: str = "",
    progress: Progress | None = None,
    now: datetime | None = None,
    name: str | None = None,
    sheet: str | None = None,
    waiting: Waiting | None = None,
    max_bytes: int = MAX_TEXT_BYTES,
    imported_by: str | None = None,
    require: Callable[[Connection, int], None] | None = None,
) -> ImportReport:
    """Import one log file, whole or not at all.

    Parameters
    ----------
    kind : str, optional
        ``arc-checks``, ``splices``, ``readings`` or ``service``; default found from the headers.
    layout : Layout or Path, optional
        How a file with other headers is to be read. Default for an export of quarantined rows is
        the layout of the log they came from.
    find_layout : callable, optional
        Called with the text of a file without a layout; returns how it is to be read, None for our
        own format.
    words : str
        Texts of the crew's own word lists, with which it reads.
    progress : callable, optional
        Called with the rows done and the rows of the file.
    now : aware datetime, optional
        Times more than a day later are wrong; default the wall clock.
    name : str, optional
        The file's own name where `path` is a temporary copy.
    sheet : str, optional
        Sheet of a workbook; default its only one.
    waiting : callable, optional
        Called once when another import must be waited for.
    max_bytes : int
        Largest size that the file may have, and unpack to.
    imported_by : str, optional
        Name of who imports it; None for whoever has the crew folder.
    require : callable, optional
        Called with the open transaction and the import's id once its rows are stored; what it
        raises undoes all of it.

    Raises
    ------
    BadInput
        With one sentence when the file as a whole cannot be used; then nothing is stored.
    StoreTrouble
        When the store or the temporary folder cannot be written.
    """
    started, began = datetime.now(UTC), time.perf_counter()
    name = name or path.name
    if isinstance(layout, Path):
        layout = load_layout(layout)
    judged_at = now or started
    with open_file(path, name, max_bytes=max_bytes) as file:
        about = {
            "file_name": name,
            "started_at": microseconds(started),
            "imported_by": imported_by,
            "settings_sha256": settings_digest(crew, layout, kind, sheet, words),
            **_stored_layout(layout),
        }
        known_under = partial(
            known_import,
            sha256=file.sha256,
            settings_sha256=about["settings_sha256"],
            now=judged_at,
        )
        if _is_known(engine, known_under):
            with (
                running_import(engine, name, started, waiting) as mark,
                writing(engine, waiting) as connection,
            ):
                known = known_under(connection)
                if known is not None:
                    mark.finish(connection)
                    return store_repeat(connection, known, about, began)
        with (
            _text_and_layout(engine, file, sheet, layout, max_bytes) as (text, layout),
            ExitStack() as stack,
            _file_errors(name),
        ):
            start = text.read(0, _START_BYTES)
            is_table = layout is None and not is_export(start)
            bulletin = is_table and is_bulletin(start)
            if is_table and not bulletin and find_layout is not None:
                layout = find_layout(text)
            mark = stack.enter_context(running_import(engine, name, started, waiting))
            log = LogImport(
                text,
                LogReader(name, kind, layout, bulletin=bulletin),
                crew,
                judged_at,
                lambda: stack.enter_context(scratch_folder()),
                progress=progress,
            )
            log.compare(engine)
            with writing(engine, waiting) as connection:
                mark.finish(connection)
                # somebody may have imported the same file while this one was read, and later than
                # this one began
                known = known_under(connection, now=now or datetime.now(UTC))
                if known is not None:
                    return store_repeat(connection, known, about, began)
                report = log.store(connection, about | _stored_layout(layout), began)
                if require is not None:
                    require(connection, report.import_id)
                return report


def _is_known(engine: Engine, known_under: Callable[[Connection], Any]) -> bool:
    with reading(engine) as connection:
        return known_under(connection) is not None


def _stored_layout(layout: Layout | None) -> dict[str, Any]:
    return {"layout": None if layout is None else f"# {layout.name}\n{layout.text}"}


@contextmanager
def _text_and_layout(
    engine: Engine, file: LogFile, sheet: str | None, layout: Layout | None, max_bytes: int
) -> Iterator[tuple[LogText, Layout | None]]:
    """Open a log, an export of quarantined rows with the layout of the log they came from."""
    with ExitStack() as stack:

        def text_under(layout: Layout | None) -> LogText:
            options = _text_format(layout, file.path)
            return stack.enter_context(open_text(file, max_bytes=max_bytes, sheet=sheet, **options))

        text = text_under(layout)
        if layout is None and is_export(text.read(0, _START_BYTES)):
            origin = origin_of_export(engine, text.read(0, text.size), file.name)
            layout = origin.layout
            text = text if layout is None else text_under(layout)
            text.days_from_1904 = origin.days_from_1904
        yield text, layout


def _text_format(layout: Layout | None, path: Path) -> dict[str, Any]:
    """What a layout says about encoding, delimiter and decimal sign."""
    if layout is None:
        return {}
    return {
        # an export has the encoding of the program that saved it
        "encoding": None if is_export_file(path) else layout.encoding,
        "delimiter": layout.separator,
        "decimal": layout.decimal,
    }


@contextmanager
def _file_errors(name: str) -> Iterator[None]:
    """Turn what the system says of the file or the temporary folder into a sentence."""
    try:
        yield
    except OSError as problem:
        raise StoreTrouble(
            f"{name} could not be read, or its rows not put down in {tempfile.gettempdir()}: "
            f"{(problem.strerror or str(problem)).lower()}."
        ) from problem
