"""Files of quarantined rows for a spreadsheet, one for each kind, header and layout."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from arcdrift.cli.output import records_of
from arcdrift.errors import BadInput, UsageError

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Exported:
    """A file that was written: its rows, their kind, and the layout they need."""

    path: Path
    rows: int
    kind: str
    layout: Path | None


def write_exports(rows: "pd.DataFrame", imports: "pd.DataFrame", path: Path) -> list[Exported]:
    """Write rows so that they can be mended and imported again.

    Rows of several kinds, headers or layouts go to several files, numbered in their names. A
    layout that the rows need is written beside them.

    Raises
    ------
    UsageError
        When a file is already there.
    BadInput
        When one cannot be written.
    """
    from arcdrift.intake.storing.quarantine_export import export

    of_import = {row["id"]: row for row in records_of(imports)}
    parts: dict[tuple[str, str, str | None], list[int]] = {}
    for place, number in enumerate(rows["import_id"].tolist()):
        source = of_import[number]
        alike = (source["kind"], source["header"] or "[]", source["layout"])
        parts.setdefault(alike, []).append(place)
    written = []
    for number, ((kind, header, layout), places) in enumerate(parts.items(), start=1):
        name = f"{path.stem}-{number}" if len(parts) > 1 else path.stem
        file = path.with_name(name + (path.suffix or ".csv"))
        beside = None
        if layout is not None:
            beside = file.with_suffix(".toml")
            _write(beside, layout.partition("\n")[2])
        _write(file, export(rows.iloc[places], json.loads(header)))
        written.append(Exported(file, len(places), kind, beside))
    return written


def _write(path: Path, text: str) -> None:
    try:
        with path.open("x", encoding="utf-8", newline="") as file:
            file.write(text)
    except FileExistsError:
        raise UsageError(f"{path} is already there; give --export a new name.") from None
    except OSError as problem:
        raise BadInput(f"{path} cannot be written: {problem.strerror or problem}.") from None
