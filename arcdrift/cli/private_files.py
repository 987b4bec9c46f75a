"""Files of a crew folder that other users of the computer must not read once people sign in.

A sign-in would protect little if the records, or who may sign in, could be read beside it. SQLite
gives its write-ahead log the rights of the store's file.
"""

import os
from pathlib import Path

from arcdrift.backup_files import BACKUPS, backups_in
from arcdrift.cli.error_messages import LOG_FILE
from arcdrift.cli.output import print_notice
from arcdrift.settings import STORE_FILE

_OTHERS = 0o077
"""Rights of the group and of all others."""


def make_private(folder: Path) -> None:
    """Take the rights of other users of this computer from the store, its logs and backups.

    Prints a notice of what was changed, and one of what this user may not change. Windows has no
    such rights: there a folder has those of the one that it is in.
    """
    if os.name != "posix":
        return
    changed, left = [], []
    for path in _files(folder):
        try:
            mode = path.stat().st_mode & 0o777
            if mode & _OTHERS:
                path.chmod(mode & ~_OTHERS)
                changed.append(path)
        except FileNotFoundError:
            continue
        except OSError:
            left.append(path)
    if changed:
        print_notice(
            "Other users of this computer can no longer read or change "
            f"{_names(folder, changed)}, since people sign in to this crew."
        )
    if left:
        print_notice(
            f"Other users of this computer may read or change {_names(folder, left)}, and this "
            f"user cannot forbid it; let the owner run `chmod -R go= {folder}`."
        )


def _files(folder: Path) -> list[Path]:
    store = folder / STORE_FILE
    found = [store, *(store.with_name(store.name + end) for end in ("-wal", "-shm", "-journal"))]
    found += sorted(folder.glob(f"{LOG_FILE}*"))
    return found + backups_in(folder / BACKUPS)


def _names(folder: Path, paths: list[Path]) -> str:
    names = [path.relative_to(folder).as_posix() for path in paths]
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
