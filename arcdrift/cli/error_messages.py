"""The unforeseen: a reference number for the person, the detail in a log file."""

import os
import secrets
import tempfile
import traceback
from datetime import UTC, datetime
from pathlib import Path

LOG_FILE = "arcdrift.log"
EXIT_CODE = 70
"""What BSD's sysexits.h calls an internal software error; 1 is taken by ``--fail-on``."""


class Unforeseen(Exception):
    """Wraps an exception nobody planned for, with the crew folder it happened in."""

    def __init__(self, folder: Path) -> None:
        super().__init__(str(folder))
        self.folder = folder


def report(problem: Exception) -> str:
    """Log the detail of an unforeseen exception; return what to tell the person."""
    reference = secrets.token_hex(4).upper()
    folder = problem.folder if isinstance(problem, Unforeseen) else None
    detail = "".join(traceback.format_exception(problem))
    entry = f"{datetime.now(UTC).isoformat()} reference {reference}\n{detail}\n"
    place = _keep(entry, folder)
    where = f"The detail is in {place}" if place else "The detail could not be written anywhere"
    return (
        f"Something went wrong inside arcdrift, reference {reference}; unfinished work was not "
        f"kept. {where}: pass it on together with what you typed."
    )


def _keep(entry: str, folder: Path | None) -> Path | None:
    if folder is not None:
        path = folder / LOG_FILE
        try:
            with path.open("a", encoding="utf-8") as log:
                log.write(entry)
            return path.resolve()
        except OSError:
            pass  # a folder that cannot be written still leaves the temporary one
    try:
        handle, name = tempfile.mkstemp(prefix="arcdrift-", suffix=".log")
        with os.fdopen(handle, "w", encoding="utf-8") as log:
            log.write(entry)
    except OSError:
        return None
    return Path(name)
