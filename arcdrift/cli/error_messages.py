"""Unexpected errors: the user sees a reference number, a log file keeps the traceback."""

import os
import secrets
import tempfile
import traceback
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pydantic import ValidationError

LOG_FILE = "arcdrift.log"
EXIT_CODE = 70
"""Exit code of an internal error, as in BSD's sysexits.h; 1 is used by ``--fail-on``."""


class UnexpectedError(Exception):
    """An unexpected exception, with the crew folder that was open when it was raised."""

    def __init__(self, folder: Path) -> None:
        super().__init__(str(folder))
        self.folder = folder


def validation_message(problem: "ValidationError") -> str:
    """Return the first message of a pydantic error, without its prefix and full stop."""
    return str(problem.errors()[0]["msg"]).removeprefix("Value error, ").rstrip(".")


def log_unexpected(problem: Exception) -> str:
    """Write the traceback to a log file and return the sentence that the user sees."""
    reference = secrets.token_hex(4).upper()
    folder = problem.folder if isinstance(problem, UnexpectedError) else None
    detail = "".join(traceback.format_exception(problem))
    entry = f"{datetime.now(UTC).isoformat()} reference {reference}\n{detail}\n"
    log_path = _write_log(entry, folder)
    where = (
        f"The detail is in {log_path}" if log_path else "The detail could not be written anywhere"
    )
    return (
        f"Something went wrong inside arcdrift, reference {reference}; unfinished work was not "
        f"kept. {where}: pass it on together with what you typed."
    )


def _write_log(entry: str, folder: Path | None) -> Path | None:
    """Append to the crew folder's log, or write a temporary file; None if neither works."""
    if folder is not None:
        path = folder / LOG_FILE
        try:
            with path.open("a", encoding="utf-8") as log:
                log.write(entry)
            return path.resolve()
        except OSError:
            pass  # fall back to a temporary file
    try:
        handle, name = tempfile.mkstemp(prefix="arcdrift-", suffix=".log")
        with os.fdopen(handle, "w", encoding="utf-8") as log:
            log.write(entry)
    except OSError:
        return None
    return Path(name)
