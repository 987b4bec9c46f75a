"""Folders in which a backup is written or unpacked before it has its name.

A program that is killed leaves its folder behind; the next one removes it.
"""

import os
import re
import shutil
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from arcdrift.scratch import is_running

UNFINISHED = ".arcdrift-unfinished-"
"""How the names of such folders begin."""
_NAME = re.compile(rf"{re.escape(UNFINISHED)}(\d+)-\w+")


@contextmanager
def working_folder(parent: Path) -> Iterator[Path]:
    """Yield an empty folder in `parent`, which only this user can read, and remove it at the end.

    Raises
    ------
    OSError
        When it cannot be made.
    """
    for path in parent.glob(f"{UNFINISHED}*"):
        match = _NAME.fullmatch(path.name)
        if match and not is_running(int(match[1])):
            shutil.rmtree(path, ignore_errors=True)
    name = tempfile.mkdtemp(prefix=f"{UNFINISHED}{os.getpid()}-", dir=parent)
    try:
        yield Path(name)
    finally:
        shutil.rmtree(name, ignore_errors=True)


def flush_file(path: Path) -> None:
    """Wait until a file is on the disk."""
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def flush_folder(path: Path) -> None:
    """Wait until the names in a folder are on the disk, where a system can do that."""
    if sys.platform == "win32":
        return
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError:
        pass  # some network disks cannot
    finally:
        os.close(handle)
