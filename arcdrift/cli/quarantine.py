"""``arcdrift quarantine``: rows that were kept apart, why, and how to mend them."""

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from arcdrift.cli.crew_folder import open_crew
from arcdrift.cli.options import HERE, AsJson, CrewFolder
from arcdrift.cli.output import counted, print_json, print_table, records_of, tell
from arcdrift.errors import BadInput, UsageError

if TYPE_CHECKING:
    import pandas as pd

SHAPE = {
    "import_id": "import_id",
    "file_name": "file",
    "kind": "kind",
    "line": "line",
    "last_line": "last_line",
    "column": "column",
    "code": "code",
    "message": "message",
    "raw": "raw",
}
CONFLICT = {
    "import_id": "import_id",
    "file_name": "file",
    "kind": "kind",
    "line": "line",
    "stored_id": "stored_id",
    "differs": "differs",
    "raw": "raw",
}
LISTED = 40


def quarantine(
    crew: CrewFolder = HERE,
    import_id: Annotated[
        int | None, typer.Option("--import", metavar="ID", help="Only rows of this import.")
    ] = None,
    conflicts: Annotated[
        bool,
        typer.Option("--conflicts", help="Show rows that differ from a stored one instead."),
    ] = False,
    export: Annotated[
        Path | None,
        typer.Option("--export", metavar="FILE", help="Write all these rows to a new CSV file."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Show the rows that were kept apart, with the reason and the mend.

    Mend them in the original file and import it again: what is stored already is recognized,
    only the mended rows are added.
    """
    from arcdrift.store import read

    with open_crew(crew) as here:
        known = read.imports(here.engine)["id"]
        if import_id is not None and import_id not in set(known):
            raise UsageError(f"There is no import {import_id}; `arcdrift imports` lists them.")
        if conflicts:
            rows = read.conflicting(here.engine, import_id)[list(CONFLICT)].rename(columns=CONFLICT)
        else:
            rows = read.quarantined(here.engine, import_id)[list(SHAPE)].rename(columns=SHAPE)
    if export is not None:
        _export(rows, export)
    if as_json:
        print_json(conflict_data(rows) if conflicts else records_of(rows))
    elif rows.empty:
        what = "No row conflicts with a stored one." if conflicts else "No row is in quarantine."
        tell(what)
    elif conflicts:
        _print_conflicts(rows)
    else:
        _print_groups(rows)
    if export is not None and not as_json:
        tell(f"Wrote {counted(len(rows), 'row')} to {export}.")


def conflict_data(rows: "pd.DataFrame") -> list[dict[str, Any]]:
    """Shape of ``quarantine --conflicts --json``: both versions of each differing value."""
    return [
        {
            **row,
            "differs": {
                column: {"stored": stored, "in_file": in_file}
                for column, (stored, in_file) in json.loads(row["differs"]).items()
            },
        }
        for row in records_of(rows)
    ]


def _print_groups(rows: "pd.DataFrame") -> None:
    by = rows.groupby(["import_id", "file", "code", "column"], dropna=False)
    groups = by.agg(rows=("line", "size"), line=("line", "first"), message=("message", "first"))
    groups = groups.reset_index().sort_values(["import_id", "rows"], ascending=False)
    print_table(
        ["Import", "File", "Rows", "First\nline", "What is wrong and how to mend it"],
        [
            (
                group["import_id"],
                group["file"],
                f"{group['rows']:,}",
                group["line"],
                group["message"],
            )
            for group in records_of(groups)
        ],
        numbers=(0, 2, 3),
        title=f"{counted(len(rows), 'row')} in quarantine",
    )
    tell(
        "Next: mend the rows in the original file and import it again; only what is new is "
        "added. `arcdrift quarantine --export rows.csv` writes them all with their reasons."
    )


def _print_conflicts(rows: "pd.DataFrame") -> None:
    print_table(
        ["Import", "File", "Line", "Column", "Stored", "In the file"],
        [
            (row["import_id"], row["file"], row["line"], column, both["stored"], both["in_file"])
            for row in conflict_data(rows.head(LISTED))
            for column, both in row["differs"].items()
        ],
        numbers=(0, 2),
        title=f"{counted(len(rows), 'row')} against a stored version, which still counts",
    )
    if len(rows) > LISTED:
        tell(f"The first {LISTED} are listed; --export writes them all.")
    tell(
        "Next: find out which version is right. To let the file win, take back the import of the "
        "stored version with `arcdrift imports undo ID` and import this file again."
    )


def _export(rows: "pd.DataFrame", path: Path) -> None:
    text = rows.select_dtypes(include=["object", "string"])
    try:
        rows.assign(**{str(name): text[name].map(_cell) for name in text}).to_csv(
            path, mode="x", index=False, encoding="utf-8"
        )
    except FileExistsError:
        raise UsageError(f"{path} is already there; give --export a new name.") from None
    except OSError as problem:
        raise BadInput(f"{path} cannot be written: {problem.strerror or problem}.") from None


def _cell(value: Any) -> Any:
    # a spreadsheet would run text that starts like a formula
    risky = isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r")
    return f"'{value}" if risky else value
