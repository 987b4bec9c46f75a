"""The quarantine as a file, so that its rows can be corrected and imported again."""

import csv
from pathlib import Path

from sqlalchemy import Engine

from arcdrift.errors import BadInput
from arcdrift.store.read import quarantined

_COLUMNS = {
    "file_name": "file",
    "line": "line",
    "last_line": "last_line",
    "column": "column",
    "code": "code",
    "message": "message",
    "raw": "raw",
}


def export_quarantine(engine: Engine, path: Path, *, import_id: int | None = None) -> int:
    """Write quarantined rows to a CSV file, with where they came from and what is wrong.

    Parameters
    ----------
    path : Path
        File to write; it is replaced.
    import_id : int, optional
        Only the rows of this import.

    Returns
    -------
    int
        Rows written. The column ``raw`` holds each row as it stood in its file.

    Raises
    ------
    BadInput
        When the file cannot be written.
    """
    rows = quarantined(engine, import_id)[list(_COLUMNS)].rename(columns=_COLUMNS)
    try:
        rows.to_csv(path, index=False, quoting=csv.QUOTE_MINIMAL)
    except OSError as problem:
        said = (problem.strerror or str(problem)).lower()
        raise BadInput(f"{path} cannot be written: {said}.") from None
    return len(rows)
