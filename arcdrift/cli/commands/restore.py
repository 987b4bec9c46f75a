"""``arcdrift restore``: makes a crew folder from a backup."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from arcdrift.cli.crew_folder import command_text
from arcdrift.cli.options import AsJson
from arcdrift.cli.output import count_noun, print_json, print_lines, progress_bar

if TYPE_CHECKING:
    from arcdrift.backup.restoring import Restored


def restore(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A file that backup has written.")],
    folder: Annotated[
        Path,
        typer.Argument(metavar="DIR", help="The crew folder to make: a new or an empty one."),
    ],
    replace: Annotated[
        bool,
        typer.Option(
            "--replace",
            help="Replace the crew in the folder; its files are kept in a folder inside it.",
        ),
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Make a crew folder from a backup, after all of it was checked."""
    from arcdrift.backup.restoring import restore_backup

    with progress_bar("Checking", "rows") as progress:
        done = 0

        def count(rows: int) -> None:
            nonlocal done
            done += rows
            progress("Checking", done, done)

        restored = restore_backup(file, folder, replace=replace, progress=count)
    if as_json:
        print_json(json_object(restored))
        return
    manifest = restored.manifest
    print_lines(
        f"Restored {count_noun(manifest.rows, 'row')} of "
        f"{count_noun(manifest.filled_tables, 'table')} and the settings of {manifest.crew} to "
        f"{folder}, as they were at {manifest.made_at[:19].replace('T', ' ')} UTC; all counts and "
        "checksums agree."
    )
    if restored.is_upgraded:
        print_lines(
            f"The backup was made by arcdrift {manifest.arcdrift} and was brought up to date."
        )
    if restored.had_server:
        move = command_text("move TO", folder)
        print_lines(
            f"The records were on a server and are in the folder now; {move} takes them back."
        )
    if restored.aside is not None:
        print_lines(f"What was there before is in {restored.aside}.")
    print_lines(
        f"Next: {command_text('analyze', folder)}; import again what came in after that time, and "
        "start a dashboard that was running anew."
    )


def json_object(restored: "Restored") -> dict[str, Any]:
    """Return what ``restore --json`` prints."""
    manifest = restored.manifest
    return {
        "folder": str(restored.folder),
        "crew": manifest.crew,
        "made_at": manifest.made_at,
        "rows": manifest.rows,
        "tables": {name: table.rows for name, table in manifest.tables.items()},
        "upgraded": restored.is_upgraded,
        "kept_aside": None if restored.aside is None else str(restored.aside),
    }
