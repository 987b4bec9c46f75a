"""``arcdrift imports``: which files were read, and taking one back."""

from typing import TYPE_CHECKING, Annotated, Any

import typer

from arcdrift.cli.crew_folder import command, open_crew
from arcdrift.cli.import_files import COUNT_HEADS
from arcdrift.cli.interruption import say_cut_off
from arcdrift.cli.options import HERE, AsJson, CrewFolder
from arcdrift.cli.output import print_json, print_table, records_of, tell
from arcdrift.cli.time_arguments import local, zone_of_splicer

if TYPE_CHECKING:
    import pandas as pd

app = typer.Typer()
COUNTS = ("lines", "rows", "accepted", "already_stored", "conflicting", "quarantined")


@app.callback(invoke_without_command=True)
def imports(context: typer.Context, crew: CrewFolder = HERE, as_json: AsJson = False) -> None:
    """List the imported files, or take one back with `imports undo ID`."""
    if context.invoked_subcommand is not None:
        context.obj = crew
        return
    from arcdrift.store import read

    with open_crew(crew) as here:
        say_cut_off(here, forget=False)
        done = read.imports(here.engine)
        if as_json:
            print_json(as_data(done))
            return
        if done.empty:
            tell("Nothing was imported yet; `arcdrift import FILE` reads a log.")
            return
        zone = zone_of_splicer(here.crew)
        print_table(
            ["Import", "When", "File, kind", *COUNT_HEADS],
            [
                (
                    row["import_id"],
                    _when(row, zone),
                    f"{row['file']}\n{row['kind']}",
                    *(f"{row[name]:,}" for name in COUNTS[1:]),
                )
                for row in as_data(done)
            ],
            numbers=(0, 3, 4, 5, 6, 7),
        )


@app.command()
def undo(
    context: typer.Context,
    import_id: Annotated[int, typer.Argument(metavar="ID", help="Number of the import.")],
    crew: CrewFolder = HERE,
    as_json: AsJson = False,
) -> None:
    """Take an import back whole: exactly the rows it added."""
    from arcdrift.store.write import undo as take_back

    folder = context.obj if crew == HERE else crew
    with open_crew(folder) as here:
        take_back(here.engine, import_id)
    if as_json:
        print_json({"import_id": import_id, "undone": True})
        return
    tell(
        f"Import {import_id} was taken back; its rows are gone from the store.",
        f"Next: {command('analyze', folder)}, so that the results no longer rest on them.",
    )


def as_data(done: "pd.DataFrame") -> list[dict[str, Any]]:
    """Shape of ``imports --json``, newest first."""
    return [
        {
            "import_id": row["id"],
            "file": row["file_name"],
            "kind": row["kind"],
            "imported_at": row["started_at"],
            "undone_at": row["undone_at"],
            "sha256": row["sha256"],
            "size_bytes": row["size_bytes"],
            **{name: row[name] for name in COUNTS},
            "seconds": row["seconds"],
        }
        for row in records_of(done)
    ]


def _when(row: dict[str, Any], zone: str | None) -> str:
    day, _, clock = local(row["imported_at"], zone).partition(" ")
    return f"{day}\n{clock}" + ("\nundone" if row["undone_at"] is not None else "")
