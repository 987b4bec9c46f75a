"""``arcdrift backup``: writes a crew into one file, or checks a store or backups."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from arcdrift.cli.crew_folder import CrewSession, command_text, open_crew
from arcdrift.cli.options import CURRENT_FOLDER, AsJson, CrewFolder
from arcdrift.cli.output import count_noun, print_json, print_lines, print_notice, progress_bar
from arcdrift.errors import BadInput, StoreDamaged, StoreTrouble, UsageError

if TYPE_CHECKING:
    from arcdrift.backup.backup_writing import Backup


def backup(
    target: Annotated[
        Path | None,
        typer.Argument(
            metavar="FILE|DIR",
            show_default="the folder backups in the crew folder",
            help="A new file whose name ends in .zip, or a folder, where it gets a name with the "
            "crew and the time.",
        ),
    ] = None,
    keep: Annotated[
        int | None,
        typer.Option(
            "--keep",
            metavar="N",
            min=1,
            help="Remove all but the newest N backups of this crew from the folder afterward.",
        ),
    ] = None,
    check: Annotated[
        bool,
        typer.Option(
            "--check",
            help="Write nothing: read all of the store, or of the given backup or folder of "
            "backups, and say whether it is sound.",
        ),
    ] = False,
    folder: CrewFolder = CURRENT_FOLDER,
    as_json: AsJson = False,
) -> None:
    """Write all records and settings of a crew into one file, also while imports run."""
    if check:
        if keep is not None:
            raise UsageError("--keep removes backups and --check writes nothing; give one of them.")
        _check(target, folder, as_json=as_json)
        return
    from arcdrift.backup.backup_writing import write_backup
    from arcdrift.backup_files import BACKUPS

    with open_crew(folder) as session, progress_bar("Copying", "steps") as progress:
        made = write_backup(
            session.engine,
            folder,
            session.crew,
            target or folder / BACKUPS,
            keep=keep,
            progress=progress,
        )
        if as_json:
            print_json(json_object(made))
        else:
            _print(made, session)


def json_object(made: "Backup") -> dict[str, Any]:
    """Return what ``backup --json`` prints."""
    manifest = made.manifest
    return {
        "file": str(made.path),
        "bytes": made.size,
        "made_at": manifest.made_at,
        "rows": manifest.rows,
        "tables": {
            name: {"rows": table.rows, "sha256": table.sha256}
            for name, table in manifest.tables.items()
        },
        "files": sorted(manifest.files),
        "left_out": list(manifest.left_out),
        "removed": [str(path) for path in made.removed],
    }


def _print(made: "Backup", session: CrewSession) -> None:
    manifest = made.manifest
    tables = count_noun(manifest.filled_tables, "table")
    print_lines(
        f"Backed up {count_noun(manifest.rows, 'row')} of {tables} and the settings to {made.path} "
        f"({made.size / 1e6:,.1f} MB), and read all of it again: it can be restored.",
        *(f"Not in it: {sentence[0].lower()}{sentence[1:]}" for sentence in manifest.left_out),
    )
    users = manifest.tables.get("users")
    if users is not None and users.rows:
        print_lines(
            "In it are the hashes of the users' passwords; keep it as safe as the crew folder."
        )
    if made.removed:
        print_lines(f"Removed {count_noun(len(made.removed), 'older backup')}.")
    try:
        is_same_disk = made.path.stat().st_dev == session.folder.stat().st_dev
    except OSError:
        is_same_disk = False
    if is_same_disk:
        print_notice("It is on the same disk as the crew folder; copy it to another one as well.")


def _check(target: Path | None, folder: Path, *, as_json: bool) -> None:
    if target is None:
        _check_store(folder, as_json=as_json)
        return
    from arcdrift.backup_files import backups_in

    paths = backups_in(target) if target.is_dir() else [target]
    if not paths:
        raise BadInput(f"There is no backup in {target}.")
    checked = [_checked_backup(path) for path in paths]
    if as_json:
        print_json(checked)
    else:
        for result in checked:
            if result["sound"]:
                print_lines(f"{result['file']} can be restored: {result['rows']:,} rows.")
            else:
                print_lines(f"{result['file']} cannot be restored: {result['problem']}")
    unsound = sum(not result["sound"] for result in checked)
    if unsound:
        whole = count_noun(len(checked), "backup")
        raise BadInput(f"{unsound} of {whole} cannot be restored; make a new one.")


def _checked_backup(path: Path) -> dict[str, Any]:
    from arcdrift.backup.archive_check import unpack_checked
    from arcdrift.scratch import scratch_folder

    try:
        with scratch_folder() as scratch:
            manifest = unpack_checked(path, scratch)
    except OSError as problem:
        raise StoreTrouble(
            f"{path} cannot be unpacked in the temporary folder ({problem}); make room there, or "
            "set TMPDIR to another folder."
        ) from problem
    except BadInput as problem:
        return {"file": str(path), "sound": False, "problem": str(problem)}
    return {
        "file": str(path),
        "sound": True,
        "made_at": manifest.made_at,
        "crew": manifest.crew,
        "rows": manifest.rows,
    }


def _check_store(folder: Path, *, as_json: bool) -> None:
    from arcdrift.store.database.connect import place, store_errors
    from arcdrift.store.database.dialects import dialect_of
    from arcdrift.store.database.sqlite.damage import damaged_sentence

    with open_crew(folder) as session:
        where = place(session.engine)
        with store_errors(session.engine):
            found = dialect_of(session.engine).full_damage(session.engine)
    if found is None:
        raise UsageError(
            f"The store {where} is on a server, whose files only the server can check; let who "
            "runs it use pg_amcheck. A backup of it can be made and checked here."
        )
    if found:
        raise StoreDamaged(damaged_sentence(where, f"is damaged ({found[0].rstrip('.')})"))
    if as_json:
        print_json({"store": where, "sound": True})
        return
    backup_command = command_text("backup", folder)
    print_lines(
        f"The store {where} is sound: its pages, indexes, references and write-ahead log were "
        f"read. {backup_command} copies it."
    )
