"""Temporary folders, and removal of those that killed programs left behind."""

import os
import re
import shutil
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

_FOLDER_NAME = re.compile(r"arcdrift-(\d+)-\w+")
ABANDONED_S = 3600.0
"""Age from which the folder of a process that no longer runs is removed; a younger one may belong
to a process on another machine that shares the temporary folder."""


@contextmanager
def scratch_folder() -> Iterator[Path]:
    """Yield an empty folder that is removed afterward.

    A killed program leaves its folder behind; the next call here removes it.
    """
    sweep()
    with tempfile.TemporaryDirectory(
        prefix=f"arcdrift-{os.getpid()}-", ignore_cleanup_errors=True
    ) as name:
        yield Path(name)


def sweep() -> list[Path]:
    """Remove folders that killed programs left behind; return those removed."""
    removed = []
    for path in Path(tempfile.gettempdir()).glob("arcdrift-*"):
        match = _FOLDER_NAME.fullmatch(path.name)
        if match and not is_running(int(match[1])) and _age(path) > ABANDONED_S:
            shutil.rmtree(path, ignore_errors=True)
            removed.append(path)
    return removed


def _age(path: Path) -> float:
    """Seconds since anything in a folder changed; 0 where it cannot be read."""
    try:
        return time.time() - max(part.stat().st_mtime for part in (path, *path.iterdir()))
    except OSError:
        return 0.0


def is_running(process_id: int) -> bool:
    """Whether a process is running; True where that cannot be found out."""
    if os.name != "posix":
        return True  # os.kill would end the process there
    try:
        os.kill(process_id, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True
