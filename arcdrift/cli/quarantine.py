"""``arcdrift quarantine``: rows that were kept apart, why, how to mend them, and what to keep."""

import getpass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from arcdrift.cli.crew_folder import OpenCrew, command, open_crew
from arcdrift.cli.options import HERE, AsJson, CrewFolder
from arcdrift.cli.output import counted, print_json, print_table, records_of, tell
from arcdrift.cli.quarantine_files import write_exports
from arcdrift.errors import UsageError

if TYPE_CHECKING:
    import pandas as pd

app = typer.Typer()
OfImport = Annotated[
    int | None, typer.Option("--import", metavar="ID", help="Only rows of this import.")
]
By = Annotated[
    str | None, typer.Option("--by", metavar="NAME", help="Who decides; default the login name.")
]
SHAPE = {
    "id": "id",
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
CONFLICT = ("id", "import_id", "file", "kind", "line", "stored_id", "differs", "kept")


@app.callback(invoke_without_command=True)
def quarantine(
    context: typer.Context,
    crew: CrewFolder = HERE,
    import_id: OfImport = None,
    code: Annotated[
        str | None,
        typer.Option("--code", metavar="CODE", help="Only rows with this problem code."),
    ] = None,
    export: Annotated[
        Path | None,
        typer.Option(
            "--export",
            metavar="FILE",
            help="Write these rows to a new CSV file, to be mended in a spreadsheet and imported.",
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Show the rows that were kept apart, in groups, with the reason and the mend.

    Export them, mend them in a spreadsheet and import that file: what is right then is added,
    and its rows leave this list. A log mended where it came from, imported again under its old
    name and with its lines where they were, does the same.
    """
    if context.invoked_subcommand is not None:
        context.obj = crew
        return
    from arcdrift.store import read

    with open_crew(crew) as here:
        _require_import(here, import_id)
        rows = read.quarantined(here.engine, import_id)
        if code is not None:
            rows = rows[rows["code"] == code].reset_index(drop=True)
        written = []
        if export is not None and not rows.empty:
            written = write_exports(rows, read.imports(here.engine), export)
    if as_json:
        print_json(records_of(rows[list(SHAPE)].rename(columns=SHAPE)))
        return
    if rows.empty:
        tell("No row is in quarantine.")
        return
    _print_groups(rows)
    if export is None:
        tell(
            f"Next: {command('quarantine --export rows.csv', crew)}, mend the rows in a "
            "spreadsheet, and import that file; rows that are right then leave this list."
        )
    for file in written:
        words = "import" if file.layout is None else f"import --layout {file.layout}"
        again = command(f"{words} {file.path}", crew)
        tell(
            f"Wrote {counted(file.rows, 'row')} of {file.kind} to {file.path}; mend them, then "
            f"{again}."
        )


@app.command()
def conflicts(
    context: typer.Context,
    crew: CrewFolder = HERE,
    import_id: OfImport = None,
    decided: Annotated[
        bool, typer.Option("--decided", help="Also those that were decided, with by whom.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Show rows of the same event with other values, old and new side by side."""
    from arcdrift.store import read

    folder = context.obj if crew == HERE else crew
    with open_crew(folder) as here:
        _require_import(here, import_id)
        rows = conflict_data(read.conflicting(here.engine, import_id, decided=decided))
    if as_json:
        print_json(rows)
        return
    if not rows:
        tell("No row conflicts with a stored one.")
        return
    print_table(
        ["Id", "Import", "File, line", "Whose, when (UTC)", "Column", "Old -> new", "Kept"],
        [
            (
                row["id"] if first else "",
                row["import_id"] if first else "",
                f"{row['file']}, {row['line']}" if first else "",
                f"{row['who']}, {row['at']}" if first else "",
                column,
                f"{_cell(both['stored'])} -> {_cell(both['in_file'])}",
                _decision(row) if first else "",
            )
            for row in rows
            for first, (column, both) in _marked(row["differs"])
        ],
        numbers=(0, 1),
        title=f"{counted(len(rows), 'row')} with other values than the stored row, which counts",
    )
    tell(
        f"Next: {command('quarantine keep old ID', folder)} leaves what is stored, "
        f"{command('quarantine keep new ID', folder)} puts the new values in its place; --all "
        "decides all of them."
    )


@app.command()
def keep(
    context: typer.Context,
    choice: Annotated[
        Literal["old", "new"], typer.Argument(help="The stored values, or those of the file.")
    ],
    ids: Annotated[
        list[int] | None, typer.Argument(metavar="ID...", help="Conflicts, as listed.")
    ] = None,
    every: Annotated[bool, typer.Option("--all", help="Every open conflict.")] = False,
    by: By = None,
    crew: CrewFolder = HERE,
    as_json: AsJson = False,
) -> None:
    """Decide conflicts: keep the old values or the new ones. Who and when is kept as well."""
    from arcdrift.intake.storing.conflict_decisions import keep as decide

    if every == bool(ids):
        raise UsageError("Name the conflicts by their ids, or give --all to decide all of them.")
    folder = context.obj if crew == HERE else crew
    name = _who(by)
    with open_crew(folder) as here:
        number = decide(here.engine, choice, None if every else ids, by=name)
    if as_json:
        print_json({"kept": choice, "conflicts": number, "by": name})
        return
    tell(f"{counted(number, 'conflict')} decided by {name}: the {choice} values are kept.")
    if choice == "new" and number:
        tell(f"Next: {command('analyze', folder)}, so that the results rest on them.")


@app.command()
def drop(
    context: typer.Context,
    ids: Annotated[list[int], typer.Argument(metavar="ID...", help="Rows, as listed.")],
    why: Annotated[str, typer.Option("--why", metavar="REASON", help="Why they are given up.")],
    by: By = None,
    crew: CrewFolder = HERE,
    as_json: AsJson = False,
) -> None:
    """Give up rows that nobody can mend. They stay on record with who, when and why."""
    from arcdrift.intake.storing.conflict_decisions import drop as give_up

    folder = context.obj if crew == HERE else crew
    name = _who(by)
    with open_crew(folder) as here:
        number = give_up(here.engine, ids, why=why, by=name)
    if as_json:
        print_json({"dropped": number, "by": name, "why": why})
        return
    tell(f"{counted(number, 'row')} given up by {name}: {why}.")


def conflict_data(rows: "pd.DataFrame") -> list[dict[str, Any]]:
    """Shape of ``quarantine conflicts --json``: both versions of each differing value."""
    import json

    found = []
    for row in records_of(rows.rename(columns={"file_name": "file"})):
        record = json.loads(row["record"])
        at = next(record[name] for name in record if name.endswith("_at"))
        found.append(
            {
                **{name: row[name] for name in CONFLICT},
                "who": record.get("splicer") or record.get("asset") or record.get("site"),
                "at": f"{at[:10]} {at[11:19]}",
                "differs": {
                    column: {"stored": stored, "in_file": in_file}
                    for column, (stored, in_file) in json.loads(row["differs"]).items()
                },
                "decided_by": row["decided_by"],
                "decided_at": row["decided_at"],
                "raw": row["raw"],
            }
        )
    return found


def _require_import(here: OpenCrew, import_id: int | None) -> None:
    from arcdrift.store import read

    if import_id is not None and import_id not in set(read.imports(here.engine)["id"]):
        raise UsageError(f"There is no import {import_id}; `arcdrift imports` lists them.")


def _print_groups(rows: "pd.DataFrame") -> None:
    by = rows.groupby(["import_id", "file_name", "code", "column"], dropna=False)
    groups = by.agg(
        rows=("line", "size"),
        line=("line", "first"),
        message=("message", "first"),
        ids=("id", lambda ids: _ranges(ids.tolist())),
    )
    groups = groups.reset_index().sort_values(["import_id", "rows"], ascending=False)
    print_table(
        ["Import", "Ids", "Code", "What is wrong and how to mend it"],
        [(g["import_id"], g["ids"], g["code"], _sentence(g)) for g in records_of(groups)],
        numbers=(0,),
        title=f"{counted(len(rows), 'row')} in quarantine",
    )


def _sentence(group: dict[str, Any]) -> str:
    where = f"first at line {group['line']:,} of {group['file_name']}"
    if group["rows"] == 1:
        where = f"line {group['line']:,} of {group['file_name']}"
    return f"{counted(group['rows'], 'row')}, {where}: {group['message']}"


def _ranges(ids: list[int]) -> str:
    """Words for numbers: 1..3, 7."""
    runs: list[list[int]] = []
    for number in sorted(ids):
        if runs and number == runs[-1][-1] + 1:
            runs[-1][-1:] = [number] if len(runs[-1]) > 1 else [runs[-1][0], number]
        else:
            runs.append([number])
    return ", ".join("..".join(map(str, run)) for run in runs)


def _marked(differs: dict[str, Any]) -> list[tuple[bool, tuple[str, Any]]]:
    return [(number == 0, one) for number, one in enumerate(differs.items())]


def _cell(value: Any) -> str:
    return "(nothing)" if value is None else str(value)


def _decision(row: dict[str, Any]) -> str:
    return "" if row["kept"] is None else f"{row['kept']}, by {row['decided_by']}"


def _who(by: str | None) -> str:
    if by is not None and by.strip():
        return by.strip()
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        raise UsageError("The login name is not known; say who decides with --by.") from None
