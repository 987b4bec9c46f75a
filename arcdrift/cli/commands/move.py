"""``arcdrift move``: takes a crew's records from one store to another."""

from typing import TYPE_CHECKING, Annotated, Any

import typer

from arcdrift.cli.crew_folder import CrewSession, command_text, open_crew
from arcdrift.cli.options import CURRENT_FOLDER, AsJson, CrewFolder
from arcdrift.cli.output import count_noun, print_json, print_lines, print_waiting, progress_bar
from arcdrift.cli.private_files import make_private
from arcdrift.errors import UsageError

if TYPE_CHECKING:
    from arcdrift.store.moving.store_move import Move

TO_FILE = "file"
"""What stands for the file in the crew folder."""


def move(
    to: Annotated[
        str,
        typer.Argument(
            metavar="TO",
            help="An address such as postgresql://user@host/database?schema=north, $ and the name "
            f"of an environment variable that holds one, or {TO_FILE} for the crew folder's file.",
        ),
    ],
    folder: CrewFolder = CURRENT_FOLDER,
    as_json: AsJson = False,
) -> None:
    """Move all records to another store, compare the copy, and write its address to crew.toml."""
    with open_crew(folder) as session:
        before, after, moved = _move(session, None if to == TO_FILE else to)
    if as_json:
        print_json(json_object(before, after, moved))
        return
    filled = sum(table.rows > 0 for table in moved.contents.values())
    print_lines(
        f"Moved {count_noun(moved.rows, 'row')} of {count_noun(filled, 'table')} from {before} to "
        f"{after}: the counts and checksums of all tables agree, and crew.toml names the new "
        "store.",
        f"The old one still holds what it held, but is no longer used; delete it once "
        f"{command_text('imports', folder)} shows what you expect and a backup is made.",
        "A dashboard or a watched folder that was running must be started again.",
    )


def json_object(before: str, after: str, moved: "Move") -> dict[str, Any]:
    """Return what ``move --json`` prints."""
    return {
        "from": before,
        "to": after,
        "rows": moved.rows,
        "tables": {
            name: {"rows": table.rows, "sha256": table.sha256, "last_id": table.last_id}
            for name, table in moved.contents.items()
        },
    }


def _move(session: CrewSession, setting: str | None) -> "tuple[str, str, Move]":
    """Move the store; return where it was, where it is, and what was moved."""
    from pydantic import ValidationError

    from arcdrift.settings import Crew, first_sentence
    from arcdrift.settings_file import save_store
    from arcdrift.store.accounts.user_accounts import has_users
    from arcdrift.store.database.connect import connect_to, place, store_target
    from arcdrift.store.moving.store_move import moved_store

    try:
        Crew.model_validate({"name": session.crew.name, "store": setting})
    except ValidationError as problem:
        message = first_sentence(problem).removeprefix("store: ")
        where = _unspoken(setting)
        raise UsageError(f"The records cannot be moved to {where}: {message}") from None
    target = connect_to(store_target(session.folder, setting))
    try:
        with (
            progress_bar("Copying", "rows") as progress,
            moved_store(session.engine, target, progress=progress, waiting=print_waiting) as moved,
        ):
            save_store(session.folder, setting)
        if has_users(target):
            make_private(session.folder)
        return place(session.engine), place(target), moved
    finally:
        target.dispose()


def _unspoken(setting: str | None) -> str:
    """What was given, without what may be a password."""
    return "that address" if setting is not None and "://" in setting else repr(setting)
