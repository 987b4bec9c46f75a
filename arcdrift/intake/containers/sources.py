"""Find the logs in a file: itself, the members of a zip archive, the sheets of a workbook.

Each log is imported by itself, whole or not at all, and its name shows where it is, such as
``week.zip/splices.csv`` or ``book.xlsx/May``. Members and sheets that are no logs are skipped with
a sentence.
"""

import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from arcdrift.errors import BadInput
from arcdrift.intake.containers.archives import (
    is_hidden,
    is_zip,
    member_blocks,
    open_zip,
    points_outside,
)
from arcdrift.intake.containers.sheets import Sheet, sheets
from arcdrift.intake.containers.workbooks import MAX_BOOK_BYTES, is_workbook
from arcdrift.intake.schema.kinds import KINDS
from arcdrift.scratch import scratch_folder

MAX_ARCHIVE_BYTES = 4 << 30
"""Largest size that all members of an archive may unpack to."""
LOG_ENDINGS = (".csv", ".tsv", ".txt", ".xlsx", ".ods", ".parquet", ".zip")
"""Endings of file names that are taken for logs in folders and archives."""
_MIN_KNOWN_COLUMNS = 2
"""Known columns from which a row counts as the header of a log."""


@dataclass(frozen=True)
class Log:
    """One log.

    Attributes
    ----------
    path : Path
        The file it is in. An unpacked copy lasts until the next log is asked for.
    name : str
        Its name for messages and for the list of imports.
    sheet : str, optional
        The sheet of the workbook.
    """

    path: Path
    name: str
    sheet: str | None = None


@dataclass(frozen=True)
class PassedOver:
    """A sentence about something that is no log."""

    why: str


@dataclass(frozen=True)
class Refused:
    """A log that cannot be used, and why."""

    name: str
    problem: BadInput


Rows = tuple[tuple[str, ...], ...]
"""Cells of the first rows of a sheet."""
Found = Log | PassedOver | Refused
HasHeader = Callable[[Rows], bool]


def named_as_log(name: str) -> bool:
    """Whether the name of a file ends like that of a log."""
    return name.lower().removesuffix(".gz").endswith(LOG_ENDINGS)


def names_columns(rows: Rows) -> bool:
    """Whether the first row of a sheet looks like the header of a kind of file."""
    names = {cell.lower() for cell in rows[0]}
    return any(
        len(names.intersection(kind.columns)) >= _MIN_KNOWN_COLUMNS for kind in KINDS.values()
    )


def logs_in(
    path: Path,
    name: str | None = None,
    *,
    has_header: HasHeader = names_columns,
    max_bytes: int | None = None,
) -> Iterator[Found]:
    """Find the logs in a file, in its order. A log that cannot be used is yielded as `Refused`.

    Parameters
    ----------
    name : str, optional
        The file's own name where `path` is a temporary copy.
    has_header : callable
        Whether there is the header of a log among the first rows of a sheet. Sheets without one
        are passed over if another sheet has one; else all are tried.
    max_bytes : int, optional
        Largest size that all members of an archive may unpack to; default `MAX_ARCHIVE_BYTES`.
    """
    most = MAX_ARCHIVE_BYTES if max_bytes is None else max_bytes
    name = name or path.name
    try:
        with path.open("rb") as file:
            start = file.read(4)
    except OSError:
        start = b""  # the import will say why it cannot be read
    if not is_zip(start):
        yield Log(path, name)
        return
    try:
        # a workbook has a limit of its own, which is checked when it is opened
        with open_zip(path, name, max_bytes=max(most, MAX_BOOK_BYTES)) as archive:
            if not is_workbook(archive):
                yield from _members(archive, name, has_header)
                return
        yield from _sheets(path, name, has_header)
    except BadInput as problem:
        yield Refused(name, problem)


def sheet_names(path: Path) -> tuple[str | None, ...]:
    """Names of the sheets of a workbook that are shown and not empty; None for any other file.

    Raises
    ------
    BadInput
        When the workbook cannot be read, or has no such sheet.
    """
    found = [
        log for log in logs_in(path, has_header=lambda _: True) if not isinstance(log, PassedOver)
    ]
    for log in found:
        if isinstance(log, Refused):
            raise log.problem
    return tuple(dict.fromkeys(log.sheet for log in found if isinstance(log, Log)))


def _members(archive: zipfile.ZipFile, name: str, has_header: HasHeader) -> Iterator[Found]:
    passed_over: dict[str, list[str]] = {"hidden": [], "not named like logs": []}
    has_logs = False
    with scratch_folder() as folder:
        for number, member in enumerate(archive.infolist()):
            log_name = f"{name}/{member.filename}"
            if points_outside(member.filename):
                has_logs = True
                why = BadInput(f"{log_name} points out of the archive and was left in it.")
                yield Refused(log_name, why)
            elif is_hidden(member.filename):
                passed_over["hidden"].append(member.filename)
            elif member.is_dir():
                continue
            elif not named_as_log(member.filename):
                passed_over["not named like logs"].append(member.filename)
            else:
                has_logs = True
                copy = folder / f"{number}"
                try:
                    _unpack(archive, member, log_name, copy)
                    yield from _unpacked(copy, log_name, has_header)
                except BadInput as problem:
                    yield Refused(log_name, problem)
                copy.unlink(missing_ok=True)
    for reason, names in passed_over.items():
        if names:
            listed = ", ".join(names[:3]) + (", ..." if len(names) > 3 else "")
            yield PassedOver(f"Passed over in {name}: {len(names)} {reason} ({listed}).")
    if not has_logs:
        raise BadInput(f"{name} holds no file that is named like a log ({', '.join(LOG_ENDINGS)}).")


def _unpack(archive: zipfile.ZipFile, member: zipfile.ZipInfo, log_name: str, copy: Path) -> None:
    try:
        with copy.open("wb") as file:
            for block in member_blocks(archive, member, log_name):
                file.write(block)
    except OSError as problem:
        reason = (problem.strerror or str(problem)).lower()
        raise BadInput(f"{log_name} cannot be unpacked: {reason}.") from None


def _unpacked(copy: Path, log_name: str, has_header: HasHeader) -> Iterator[Found]:
    with copy.open("rb") as file:
        start = file.read(4)
    if not is_zip(start):
        yield Log(copy, log_name)
        return
    with open_zip(copy, log_name, max_bytes=MAX_BOOK_BYTES) as inner:
        if not is_workbook(inner):
            raise BadInput(f"{log_name} is an archive within an archive; unpack it first.")
    yield from _sheets(copy, log_name, has_header)


def _sheets(path: Path, name: str, has_header: HasHeader) -> Iterator[Found]:
    found = sheets(path.read_bytes(), name)
    filled = [sheet for sheet in found if sheet.first_rows]
    shown = [sheet for sheet in filled if not sheet.hidden]
    logs = [sheet for sheet in shown if has_header(sheet.first_rows)] or shown
    for sheet in logs:
        yield Log(path, f"{name}/{sheet.name}", sheet.name)
    for sheet in found:
        if sheet not in logs:
            yield PassedOver(f"Passed over the sheet {sheet.name!r} of {name}: {_reason(sheet)}.")
    if not logs:
        raise BadInput(f"{name} has no sheet with anything in it.")


def _reason(sheet: Sheet) -> str:
    if not sheet.first_rows:
        return "it is empty"
    return "it is hidden" if sheet.hidden else "none of its first rows is the header of a log"
