"""Folders for what is needed only while a file is read, and sweeping up after a killed program."""

import os
import re
import shutil
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

_OURS = re.compile(r"arcdrift-(\d+)-\w+")
ABANDONED_S = 3600.0
"""Age from which the folder of a program that is gone is swept up; the program may run on another
machine that shares the folder, and then its number says nothing."""


@contextmanager
def scratch_folder() -> Iterator[Path]:
    """Give an empty folder that is gone afterward.

    A program that was killed leaves its folder behind; the next one that needs a folder of its
    own sweeps it up.
    """
    sweep()
    with tempfile.TemporaryDirectory(
        prefix=f"arcdrift-{os.getpid()}-", ignore_cleanup_errors=True
    ) as name:
        yield Path(name)


def sweep() -> list[Path]:
    """Remove folders that killed programs left behind; returns those removed."""
    removed = []
    for path in Path(tempfile.gettempdir()).glob("arcdrift-*"):
        ours = _OURS.fullmatch(path.name)
        if ours and not _runs(int(ours[1])) and _age(path) > ABANDONED_S:
            shutil.rmtree(path, ignore_errors=True)
            removed.append(path)
    return removed


def _age(path: Path) -> float:
    """Seconds since anything in a folder changed; none where it cannot be looked into."""
    try:
        return time.time() - max(part.stat().st_mtime for part in (path, *path.iterdir()))
    except OSError:
        return 0.0


def _runs(number: int) -> bool:
    """Whether a program of that number runs; where that cannot be asked, it is taken to."""
    if os.name != "posix":
        return True  # nothing is swept there
    try:
        os.kill(number, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True
