"""``arcdrift imports``: lists the imported files, and undoes an import."""

from typing import TYPE_CHECKING, Annotated, Any

import typer

from arcdrift.cli.crew_folder import command_text, open_crew, subcommand_folder
from arcdrift.cli.importing.import_notices import print_interrupted
from arcdrift.cli.importing.import_run import COUNT_HEADS
from arcdrift.cli.options import CURRENT_FOLDER, AsJson, CrewFolder
from arcdrift.cli.output import frame_records, print_json, print_lines, print_table
from arcdrift.cli.time_arguments import local_time, zone_of_splicer

if TYPE_CHECKING:
    import pandas as pd

app = typer.Typer()
COUNT_COLUMNS = ("lines", "rows", "accepted", "already_stored", "conflicting", "quarantined")


@app.callback(invoke_without_command=True)
def imports(
    context: typer.Context, folder: CrewFolder = CURRENT_FOLDER, as_json: AsJson = False
) -> None:
    """List the imported files, or undo an import with `imports undo ID`."""
    if context.invoked_subcommand is not None:
        context.obj = folder
        return
    from arcdrift.store.imports.import_list import read_imports

    with open_crew(folder) as session:
        print_interrupted(session, forget=False)
        table = read_imports(session.engine)
        if as_json:
            print_json(json_rows(table))
            return
        if table.empty:
            print_lines("Nothing was imported yet; `arcdrift import FILE` reads a log.")
            return
        zone = zone_of_splicer(session.crew)
        print_table(
            ["Import", "When", "File, kind", *COUNT_HEADS],
            [
                (
                    row["import_id"],
                    _time_text(row, zone),
                    f"{row['file']}\n{row['kind']}",
                    *(f"{row[name]:,}" for name in COUNT_COLUMNS[1:]),
                )
                for row in json_rows(table)
            ],
            numeric_columns=(0, 3, 4, 5, 6, 7),
        )


@app.command()
def undo(
    context: typer.Context,
    import_id: Annotated[int, typer.Argument(metavar="ID", help="Number of the import.")],
    folder: CrewFolder = CURRENT_FOLDER,
    as_json: AsJson = False,
) -> None:
    """Undo an import: remove exactly the rows that it added."""
    from arcdrift.store.imports.import_undo import undo_import

    folder = subcommand_folder(context, folder)
    with open_crew(folder) as session:
        undo_import(session.engine, import_id)
    if as_json:
        print_json({"import_id": import_id, "undone": True})
        return
    print_lines(
        f"Import {import_id} was taken back; its rows are gone from the store.",
        f"Next: {command_text('analyze', folder)}, so that the results no longer rest on them.",
    )


def json_rows(table: "pd.DataFrame") -> list[dict[str, Any]]:
    """Return what ``imports --json`` prints, newest import first."""
    return [
        {
            "import_id": row["id"],
            "file": row["file_name"],
            "kind": row["kind"],
            "imported_at": row["started_at"],
            "undone_at": row["undone_at"],
            "sha256": row["sha256"],
            "size_bytes": row["size_bytes"],
            **{name: row[name] for name in COUNT_COLUMNS},
            "seconds": row["seconds"],
        }
        for row in frame_records(table)
    ]


def _time_text(row: dict[str, Any], zone: str | None) -> str:
    day, _, clock = local_time(row["imported_at"], zone).partition(", ")
    return f"{day}\n{clock}" + ("\nundone" if row["undone_at"] is not None else "")
