"""``arcdrift quarantine``: lists and exports quarantined rows, and decides conflicts."""

import getpass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from arcdrift.cli.crew_folder import CrewSession, command_text, open_crew, subcommand_folder
from arcdrift.cli.known_names import require_known
from arcdrift.cli.options import CURRENT_FOLDER, AsJson, CrewFolder
from arcdrift.cli.output import count_noun, frame_records, print_json, print_lines, print_table
from arcdrift.cli.quarantine_files import write_exports
from arcdrift.errors import UsageError

if TYPE_CHECKING:
    import pandas as pd

app = typer.Typer()
ImportId = Annotated[
    int | None, typer.Option("--import", metavar="ID", help="Only rows of this import.")
]
By = Annotated[
    str | None, typer.Option("--by", metavar="NAME", help="Who decides; by default the login name.")
]
JSON_NAMES = {
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
CONFLICT_COLUMNS = ("id", "import_id", "file", "kind", "line", "stored_id", "differs", "kept")


@app.callback(invoke_without_command=True)
def quarantine(
    context: typer.Context,
    folder: CrewFolder = CURRENT_FOLDER,
    import_id: ImportId = None,
    code: Annotated[
        str | None,
        typer.Option("--code", metavar="CODE", help="Only rows with this problem code."),
    ] = None,
    export: Annotated[
        Path | None,
        typer.Option(
            "--export",
            readable=False,
            metavar="FILE",
            help="Write these rows to a new CSV file, to correct them and import it.",
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Show the rows that were refused, in groups, with the reason and how to correct them.

    Export the rows, correct them in a spreadsheet and import that file: rows that are right are
    then added and leave this list. Or correct the log itself and import it again under the same
    name, with its lines in the same places.
    """
    if context.invoked_subcommand is not None:
        context.obj = folder
        return
    from arcdrift.intake.schema.problems import SENTENCES
    from arcdrift.store.imports.import_list import read_imports
    from arcdrift.store.imports.set_aside_rows import read_quarantined

    with open_crew(folder) as session:
        _require_import(session, import_id)
        rows = read_quarantined(session.engine, import_id)
        if code is not None:
            require_known(code, {*SENTENCES, *rows["code"]}, "problem code", listed=len(SENTENCES))
            rows = rows[rows["code"] == code].reset_index(drop=True)
        written = []
        if export is not None and not rows.empty:
            written = write_exports(rows, read_imports(session.engine), export)
    if as_json:
        print_json(frame_records(rows[list(JSON_NAMES)].rename(columns=JSON_NAMES)))
        return
    if rows.empty:
        choice = "" if code is None and import_id is None else " for this choice"
        print_lines(f"No row is in quarantine{choice}.")
        return
    _print_groups(rows)
    if export is None:
        print_lines(
            f"Next: {command_text('quarantine --export rows.csv', folder)}, mend the rows in a "
            "spreadsheet, and import that file; rows that are right then leave this list."
        )
    for file in written:
        import_again = command_text(f"import {file.path}", folder)
        print_lines(
            f"Wrote {count_noun(file.rows, 'row')} of {file.kind} to {file.path}; mend them, then "
            f"{import_again}."
        )


@app.command()
def conflicts(
    context: typer.Context,
    folder: CrewFolder = CURRENT_FOLDER,
    import_id: ImportId = None,
    decided: Annotated[
        bool, typer.Option("--decided", help="Also list decided conflicts, and who decided them.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Show rows whose values differ from a stored row of the same event, side by side."""
    from arcdrift.store.imports.set_aside_rows import read_conflicting

    folder = subcommand_folder(context, folder)
    with open_crew(folder) as session:
        _require_import(session, import_id)
        rows = conflict_rows(read_conflicting(session.engine, import_id, decided=decided))
    if as_json:
        print_json(rows)
        return
    if not rows:
        print_lines("No row conflicts with a stored one.")
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
                f"{_value_text(both['stored'])} -> {_value_text(both['in_file'])}",
                _decision_text(row) if first else "",
            )
            for row in rows
            for first, (column, both) in _with_first_flag(row["differs"])
        ],
        numeric_columns=(0, 1),
        title=f"{count_noun(len(rows), 'row')} with other values than the stored row, which counts",
    )
    print_lines(
        f"Next: {command_text('quarantine keep old ID', folder)} leaves what is stored, "
        f"{command_text('quarantine keep new ID', folder)} puts the new values in its place; --all "
        "decides all of them."
    )


@app.command()
def keep(
    context: typer.Context,
    choice: Annotated[
        Literal["old", "new"], typer.Argument(help="Keep the stored values, or those of the file.")
    ],
    ids: Annotated[
        list[int] | None, typer.Argument(metavar="ID...", help="IDs of the conflicts.")
    ] = None,
    all_conflicts: Annotated[bool, typer.Option("--all", help="All open conflicts.")] = False,
    by: By = None,
    folder: CrewFolder = CURRENT_FOLDER,
    as_json: AsJson = False,
) -> None:
    """Decide conflicts: keep the old or the new values. Who decided, and when, is recorded."""
    from arcdrift.intake.storing.conflict_decisions import decide_conflicts

    if all_conflicts == bool(ids):
        raise UsageError("Name the conflicts by their ids, or give --all to decide all of them.")
    folder = subcommand_folder(context, folder)
    name = _decider(by)
    with open_crew(folder) as session:
        count = decide_conflicts(session.engine, choice, None if all_conflicts else ids, by=name)
    if as_json:
        print_json({"kept": choice, "conflicts": count, "by": name})
        return
    print_lines(f"{count_noun(count, 'conflict')} decided by {name}: the {choice} values are kept.")
    if choice == "new" and count:
        print_lines(f"Next: {command_text('analyze', folder)}, so that the results rest on them.")


@app.command()
def drop(
    context: typer.Context,
    ids: Annotated[list[int], typer.Argument(metavar="ID...", help="IDs of the rows.")],
    why: Annotated[str, typer.Option("--why", metavar="REASON", help="The reason.")],
    by: By = None,
    folder: CrewFolder = CURRENT_FOLDER,
    as_json: AsJson = False,
) -> None:
    """Remove rows that cannot be corrected from the list. Who, when and why is recorded."""
    from arcdrift.intake.storing.conflict_decisions import close_rows

    folder = subcommand_folder(context, folder)
    name = _decider(by)
    with open_crew(folder) as session:
        count = close_rows(session.engine, ids, why=why, by=name)
    if as_json:
        print_json({"dropped": count, "by": name, "why": why})
        return
    print_lines(f"{count_noun(count, 'row')} given up by {name}: {why}.")


def conflict_rows(rows: "pd.DataFrame") -> list[dict[str, Any]]:
    """Return what ``quarantine conflicts --json`` prints: both versions of differing values."""
    import json

    conflicts = []
    for row in frame_records(rows.rename(columns={"file_name": "file"})):
        record = json.loads(row["record"])
        time = next(record[name] for name in record if name.endswith("_at"))
        conflicts.append(
            {
                **{name: row[name] for name in CONFLICT_COLUMNS},
                "who": record.get("splicer") or record.get("asset") or record.get("site"),
                "at": f"{time[:10]} {time[11:19]}",
                "differs": {
                    column: {"stored": stored, "in_file": in_file}
                    for column, (stored, in_file) in json.loads(row["differs"]).items()
                },
                "decided_by": row["decided_by"],
                "decided_at": row["decided_at"],
                "raw": row["raw"],
            }
        )
    return conflicts


def _require_import(session: CrewSession, import_id: int | None) -> None:
    from arcdrift.store.imports.import_list import read_imports

    if import_id is not None and import_id not in set(read_imports(session.engine)["id"]):
        raise UsageError(f"There is no import {import_id}; `arcdrift imports` lists them.")


def _print_groups(rows: "pd.DataFrame") -> None:
    grouped = rows.groupby(["import_id", "file_name", "code", "column"], dropna=False)
    groups = grouped.agg(
        rows=("line", "size"),
        line=("line", "first"),
        message=("message", "first"),
        ids=("id", lambda ids: _ranges_text(ids.tolist())),
    )
    groups = groups.reset_index().sort_values(["import_id", "rows"], ascending=False)
    print_table(
        ["Import", "Ids", "Code", "What is wrong and how to mend it"],
        [
            (group["import_id"], group["ids"], group["code"], _group_sentence(group))
            for group in frame_records(groups)
        ],
        numeric_columns=(0,),
        title=f"{count_noun(len(rows), 'row')} in quarantine",
    )


def _group_sentence(group: dict[str, Any]) -> str:
    where = f"first at line {group['line']:,} of {group['file_name']}"
    if group["rows"] == 1:
        where = f"line {group['line']:,} of {group['file_name']}"
    return f"{count_noun(group['rows'], 'row')}, {where}: {group['message']}"


def _ranges_text(ids: list[int]) -> str:
    """Return numbers as text, with runs as ranges: 1..3, 7."""
    runs: list[list[int]] = []
    for number in sorted(ids):
        if runs and number == runs[-1][-1] + 1:
            runs[-1][-1:] = [number] if len(runs[-1]) > 1 else [runs[-1][0], number]
        else:
            runs.append([number])
    return ", ".join("..".join(map(str, run)) for run in runs)


def _with_first_flag(differs: dict[str, Any]) -> list[tuple[bool, tuple[str, Any]]]:
    """Pair each differing column and its values with whether it is the first."""
    return [(index == 0, item) for index, item in enumerate(differs.items())]


def _value_text(value: Any) -> str:
    return "(nothing)" if value is None else str(value)


def _decision_text(row: dict[str, Any]) -> str:
    return "" if row["kept"] is None else f"{row['kept']}, by {row['decided_by']}"


def _decider(by: str | None) -> str:
    """Return the name given with ``--by``, or else the login name."""
    if by is not None and by.strip():
        return by.strip()
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        raise UsageError("The login name is not known; say who decides with --by.") from None
