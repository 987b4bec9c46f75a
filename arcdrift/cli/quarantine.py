"""``arcdrift quarantine``: rows that were kept apart, why, and how to mend them."""

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from arcdrift.cli.crew_folder import open_crew
from arcdrift.cli.options import HERE, AsJson, CrewFolder
from arcdrift.cli.output import print_json, print_table, records_of, tell
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
            rows = conflict_data(read.conflicting(here.engine, import_id))
        else:
            rows = quarantine_data(read.quarantined(here.engine, import_id))
    if export is not None:
        _export(rows, export)
    if as_json:
        print_json(rows)
    elif not rows:
        what = "No row conflicts with a stored one." if conflicts else "No row is in quarantine."
        tell(what)
    elif conflicts:
        _print_conflicts(rows)
    else:
        _print_groups(rows)
    if export is not None and not as_json:
        tell(f"Wrote {len(rows):,} rows to {export}.")


def quarantine_data(rows: "pd.DataFrame") -> list[dict[str, Any]]:
    """Shape of ``quarantine --json``: one object a row kept apart."""
    return records_of(rows[list(SHAPE)].rename(columns=SHAPE))


def conflict_data(rows: "pd.DataFrame") -> list[dict[str, Any]]:
    """Shape of ``quarantine --conflicts --json``: both versions of each differing value."""
    return [
        {
            "import_id": row["import_id"],
            "file": row["file_name"],
            "kind": row["kind"],
            "line": row["line"],
            "stored_id": row["stored_id"],
            "differs": {
                column: {"stored": stored, "in_file": in_file}
                for column, (stored, in_file) in json.loads(row["differs"]).items()
            },
            "raw": row["raw"],
        }
        for row in records_of(rows)
    ]


def _print_groups(rows: list[dict[str, Any]]) -> None:
    groups: dict[tuple[Any, ...], list[dict[str, Any]]] = {}
    for row in rows:
        groups.setdefault((row["import_id"], row["code"], row["column"]), []).append(row)
    print_table(
        ["Import", "File", "Rows", "First\nline", "What is wrong and how to mend it"],
        [
            (
                members[0]["import_id"],
                members[0]["file"],
                f"{len(members):,}",
                members[0]["line"],
                members[0]["message"],
            )
            for members in sorted(groups.values(), key=lambda m: (-m[0]["import_id"], -len(m)))
        ],
        numbers=(0, 2, 3),
        title=f"{len(rows):,} rows in quarantine",
    )
    tell(
        "Next: mend the rows in the original file and import it again; only what is new is "
        "added. `arcdrift quarantine --export rows.csv` writes them all with their reasons."
    )


def _print_conflicts(rows: list[dict[str, Any]]) -> None:
    print_table(
        ["Import", "File", "Line", "Column", "Stored", "In the file"],
        [
            (row["import_id"], row["file"], row["line"], column, both["stored"], both["in_file"])
            for row in rows
            for column, both in row["differs"].items()
        ],
        numbers=(0, 2),
        title=f"{len(rows):,} rows differ from a stored one; the stored version counts",
    )
    tell(
        "Next: find out which version is right. To let the file win, take back the import of the "
        "stored version with `arcdrift imports undo ID` and import this file again."
    )


def _export(rows: list[dict[str, Any]], path: Path) -> None:
    import csv

    try:
        with path.open("x", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            heads = list(rows[0]) if rows else list(SHAPE.values())
            writer.writerow(heads)
            writer.writerows([_cell(row[head]) for head in heads] for row in rows)
    except FileExistsError:
        raise UsageError(f"{path} is already there; give --export a new name.") from None
    except OSError as problem:
        raise BadInput(f"{path} cannot be written: {problem.strerror}.") from None


def _cell(value: Any) -> Any:
    text = json.dumps(value) if isinstance(value, dict) else value
    # a spreadsheet would run text that starts like a formula
    risky = isinstance(text, str) and text[:1] in ("=", "+", "-", "@", "\t", "\r")
    return f"'{text}" if risky else text
