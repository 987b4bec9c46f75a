"""The logs in what a person gives: a file, each member of a zip archive, each sheet of a workbook.

Every log is a file by itself, imported whole or not at all and named by the way to it, such as
``week.zip/splices.csv`` or ``book.xlsx/May``. What is no log is passed over, and that is said.
"""

import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from arcdrift.errors import BadInput
from arcdrift.intake.containers.archives import blocks, hidden, is_zip, open_zip, unsafe
from arcdrift.intake.containers.sheets import Sheet, sheets
from arcdrift.intake.containers.workbooks import MAX_BOOK_BYTES, is_workbook
from arcdrift.intake.schema.kinds import KINDS
from arcdrift.scratch import scratch_folder

MAX_ARCHIVE_BYTES = 4 << 30
"""Largest size that the members of an archive may unpack to together."""
NAMES = (".csv", ".tsv", ".txt", ".xlsx", ".ods", ".parquet", ".zip")
"""Ends of names that logs go by where nobody named them one by one: in folders and archives."""
_ALIKE = 2


@dataclass(frozen=True)
class Log:
    """One log.

    Attributes
    ----------
    path : Path
        The file it is in; a copy that lasts until the next log is asked for, if unpacked.
    name : str
        What to call it.
    sheet : str, optional
        The sheet of the workbook.
    """

    path: Path
    name: str
    sheet: str | None = None


@dataclass(frozen=True)
class PassedOver:
    """Something that is no log, and why."""

    why: str


@dataclass(frozen=True)
class Refused:
    """A log that cannot be used, and the sentence that says why."""

    name: str
    problem: BadInput


Found = Log | PassedOver | Refused
IsHeader = Callable[[tuple[str, ...]], bool]


def named_as_log(name: str) -> bool:
    """Whether a file's name is one that logs go by."""
    return name.lower().removesuffix(".gz").endswith(NAMES)


def names_columns(row: tuple[str, ...]) -> bool:
    """Whether a row looks like the header of one of our kinds of file."""
    have = {cell.lower() for cell in row}
    return any(len(have.intersection(kind.columns)) >= _ALIKE for kind in KINDS.values())


def logs_in(
    path: Path, name: str | None = None, *, is_header: IsHeader = names_columns
) -> Iterator[Found]:
    """Find the logs in a file, in its order; what cannot be used of it comes as refused.

    Parameters
    ----------
    name : str, optional
        The file's own name where `path` is a temporary copy.
    is_header : callable
        Tells the header of a log. Sheets whose first row is none are passed over if another
        sheet has one.
    """
    name = name or path.name
    try:
        with path.open("rb") as file:
            start = file.read(4)
    except OSError:
        start = b""  # whoever reads it says why it cannot be read
    if not is_zip(start):
        yield Log(path, name)
        return
    try:
        # a workbook has a cap of its own, which opening it holds it to
        with open_zip(path, name, max_bytes=max(MAX_ARCHIVE_BYTES, MAX_BOOK_BYTES)) as archive:
            if not is_workbook(archive):
                yield from _members(archive, name, is_header)
                return
        yield from _sheets(path, name, is_header)
    except BadInput as problem:
        yield Refused(name, problem)


def _members(archive: zipfile.ZipFile, name: str, is_header: IsHeader) -> Iterator[Found]:
    passed: dict[str, list[str]] = {"hidden": [], "not named like logs": []}
    some = False
    with scratch_folder() as folder:
        for number, member in enumerate(archive.infolist()):
            called = f"{name}/{member.filename}"
            if unsafe(member.filename):
                some = True
                why = BadInput(f"{called} points out of the archive and was left in it.")
                yield Refused(called, why)
            elif hidden(member.filename):
                passed["hidden"].append(member.filename)
            elif member.is_dir():
                continue
            elif not named_as_log(member.filename):
                passed["not named like logs"].append(member.filename)
            else:
                some = True
                copy = folder / f"{number}"
                try:
                    _unpack(archive, member, called, copy)
                    yield from _unpacked(copy, called, is_header)
                except BadInput as problem:
                    yield Refused(called, problem)
                copy.unlink(missing_ok=True)
    for reason, names in passed.items():
        if names:
            listed = ", ".join(names[:3]) + (", ..." if len(names) > 3 else "")
            yield PassedOver(f"Passed over in {name}: {len(names)} {reason} ({listed}).")
    if not some:
        raise BadInput(f"{name} holds no file that is named like a log ({', '.join(NAMES)}).")


def _unpack(archive: zipfile.ZipFile, member: zipfile.ZipInfo, called: str, copy: Path) -> None:
    try:
        with copy.open("wb") as file:
            for block in blocks(archive, member, called):
                file.write(block)
    except OSError as problem:
        said = (problem.strerror or str(problem)).lower()
        raise BadInput(f"{called} cannot be unpacked: {said}.") from None


def _unpacked(copy: Path, called: str, is_header: IsHeader) -> Iterator[Found]:
    with copy.open("rb") as file:
        start = file.read(4)
    if not is_zip(start):
        yield Log(copy, called)
        return
    with open_zip(copy, called, max_bytes=MAX_BOOK_BYTES) as inner:
        if not is_workbook(inner):
            raise BadInput(f"{called} is an archive within an archive; unpack it first.")
    yield from _sheets(copy, called, is_header)


def _sheets(path: Path, name: str, is_header: IsHeader) -> Iterator[Found]:
    found = sheets(path.read_bytes(), name)
    filled = [sheet for sheet in found if sheet.first_row]
    shown = [sheet for sheet in filled if not sheet.hidden]
    logs = [sheet for sheet in shown if is_header(sheet.first_row)] or shown
    for sheet in logs:
        yield Log(path, f"{name}/{sheet.name}", sheet.name)
    for sheet in found:
        if sheet not in logs:
            yield PassedOver(f"Passed over the sheet {sheet.name!r} of {name}: {_why(sheet)}.")
    if not logs:
        raise BadInput(f"{name} has no sheet with anything in it.")


def _why(sheet: Sheet) -> str:
    if not sheet.first_row:
        return "it is empty"
    return "it is hidden" if sheet.hidden else "its first row is no header of a log"
