"""The log of a server: one JSON object a line, in files that are replaced when they are full."""

import json
import logging
import os
import tempfile
from datetime import UTC, datetime
from io import TextIOWrapper
from logging.handlers import RotatingFileHandler
from pathlib import Path

from arcdrift.cli.error_messages import LOG_FILE

MAX_BYTES = 5_000_000
OLD_FILES = 3


class JsonLines(logging.Formatter):
    """Writes a record as JSON: ``at``, ``level``, ``logger``, ``message`` and what it carries."""

    def format(self, record: logging.LogRecord) -> str:
        """Return the line of a record."""
        line = {
            "at": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": record.getMessage(),
            "request_id": getattr(record, "request_id", None),
            **getattr(record, "fields", {}),
        }
        if record.exc_info:
            line["exception"] = self.formatException(record.exc_info)
        known = {key: value for key, value in line.items() if value is not None}
        return json.dumps(known, ensure_ascii=False, default=str)


class PrivateLog(RotatingFileHandler):
    """A log that only its owner reads: it names people and the addresses they came from."""

    def _open(self) -> TextIOWrapper:
        stream = super()._open()
        os.chmod(self.baseFilename, 0o600)
        return stream


def log_to_file(folder: Path) -> None:
    """Write the server's warnings, and what arcdrift itself notes, to the crew folder's log.

    Where the folder cannot be written, the log is in the temporary folder.
    """
    path = folder / LOG_FILE
    if not os.access(path if path.exists() else folder, os.W_OK):
        path = Path(tempfile.gettempdir()) / LOG_FILE
    handler = PrivateLog(
        path, encoding="utf-8", delay=True, maxBytes=MAX_BYTES, backupCount=OLD_FILES
    )
    handler.setFormatter(JsonLines())
    logging.basicConfig(handlers=[handler], level=logging.WARNING)
    logging.getLogger("arcdrift").setLevel(logging.INFO)
