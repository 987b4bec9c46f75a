"""Writing quarantined rows to CSV files, one for each combination of kind, header and layout."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from arcdrift.cli.output import frame_records
from arcdrift.errors import BadInput, UsageError

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class ExportedFile:
    """A file that was written: its number of rows and their kind."""

    path: Path
    rows: int
    kind: str


def write_exports(rows: "pd.DataFrame", imports: "pd.DataFrame", path: Path) -> list[ExportedFile]:
    """Write quarantined rows so that a person can correct them and import them again.

    Rows of several kinds, headers, delimiters or layouts go to several files with numbered names.
    The store has the layouts, so that each file can be imported without naming one.

    Raises
    ------
    UsageError
        If a file already exists.
    BadInput
        If a file cannot be written.
    """
    from arcdrift.intake.storing.quarantine_export import export

    imports_by_id = {row["id"]: row for row in frame_records(imports)}
    groups: dict[tuple[str, str, str | None, str | None], list[int]] = {}
    for position, import_id in enumerate(rows["import_id"].tolist()):
        source = imports_by_id[import_id]
        key = (source["kind"], source["header"] or "[]", source["delimiter"], source["layout"])
        groups.setdefault(key, []).append(position)
    written = []
    for number, ((kind, header, delimiter, _), positions) in enumerate(groups.items(), start=1):
        name = f"{path.stem}-{number}" if len(groups) > 1 else path.stem
        file = path.with_name(name + (path.suffix or ".csv"))
        _write_new(file, export(rows.iloc[positions], json.loads(header), delimiter))
        written.append(ExportedFile(file, len(positions), kind))
    return written


def _write_new(path: Path, text: str) -> None:
    try:
        with path.open("x", encoding="utf-8", newline="") as file:
            file.write(text)
    except FileExistsError:
        raise UsageError(f"{path} is already there; give --export a new name.") from None
    except OSError as problem:
        raise BadInput(f"{path} cannot be written: {problem.strerror or problem}.") from None
