"""Finding the log files that arguments mean: files, folders, patterns or standard input."""

import glob
import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from arcdrift.errors import BadInput
from arcdrift.scratch import scratch_folder

STANDARD_INPUT = "(standard input)"
MAX_INPUT_BYTES = 4 << 30
_BLOCK_BYTES = 1 << 20


@dataclass
class LogFiles:
    """The files that the arguments of a command mean.

    Attributes
    ----------
    files : list of (Path, str)
        Each file once, with the name to show; files of a folder are named relative to it.
    skipped : list of str
        Sentences about files that were skipped.
    errors : list of (str, BadInput)
        Arguments that mean no file, each with the reason.
    """

    files: list[tuple[Path, str]] = field(default_factory=list)
    skipped: list[str] = field(default_factory=list)
    errors: list[tuple[str, BadInput]] = field(default_factory=list)


@contextmanager
def find_log_files(arguments: Sequence[Path]) -> Iterator[LogFiles]:
    """Find the files that the arguments mean; ``-`` is copied to a file for this context."""
    found = LogFiles()
    seen: set[Path] = set()

    def add(path: Path, name: str) -> None:
        absolute = path.absolute()
        if absolute not in seen:
            seen.add(absolute)
            found.files.append((path, name))

    with scratch_folder() as folder:
        for argument in arguments:
            try:
                if argument == Path("-"):
                    add(_copy_standard_input(folder / "input"), STANDARD_INPUT)
                    continue
                for path in _matching_paths(argument):
                    if path.is_dir():
                        for file, name in _folder_logs(path, found):
                            add(file, name)
                    else:
                        add(path, path.name)
            except BadInput as problem:
                found.errors.append((str(argument), problem))
        yield found


def _matching_paths(argument: Path) -> list[Path]:
    """Return the argument itself, or the paths that match it if it is a pattern.

    Quoted patterns, and patterns in shells that do not expand them, arrive here.
    """
    if not glob.has_magic(str(argument)) or argument.exists():
        return [argument]
    matches = [Path(match) for match in sorted(glob.glob(str(argument), recursive=True))]
    if not matches:
        raise BadInput(f"No file matches {str(argument)!r}; check the pattern.")
    return matches


def _folder_logs(folder: Path, found: LogFiles) -> Iterator[tuple[Path, str]]:
    """Yield the files below a folder that are named like logs, sorted; count the others."""
    from arcdrift.cli.output import count_noun
    from arcdrift.intake.containers.sources import LOG_ENDINGS, named_as_log

    hidden = others = 0
    logs = []

    def add_error(problem: OSError) -> None:
        reason = (problem.strerror or str(problem)).lower()
        error = BadInput(f"{problem.filename} cannot be read: {reason}.")
        found.errors.append((str(problem.filename), error))

    for parent, folders, names in os.walk(folder, onerror=add_error):
        hidden += sum(_is_hidden(name) for name in (*folders, *names))
        folders[:] = [name for name in folders if not _is_hidden(name)]
        for name in names:
            if _is_hidden(name):
                continue
            if named_as_log(name):
                logs.append(Path(parent, name))
            else:
                others += 1
    if hidden or others:
        found.skipped.append(
            f"Passed over in {folder}: {hidden:,} hidden, and "
            f"{count_noun(others, 'file')} not named like a log."
        )
    if not logs:
        raise BadInput(
            f"{folder} holds no file that is named like a log ({', '.join(LOG_ENDINGS)})."
        )
    for path in sorted(logs):
        yield path, path.relative_to(folder).as_posix()


def _is_hidden(name: str) -> bool:
    return name.startswith((".", "~$"))


def _copy_standard_input(copy: Path) -> Path:
    """Copy standard input to a file; refuse it above `MAX_INPUT_BYTES`."""
    size_bytes = 0
    with copy.open("ab") as file:
        while block := sys.stdin.buffer.read(_BLOCK_BYTES):
            size_bytes += file.write(block)
            if size_bytes > MAX_INPUT_BYTES:
                limit = f"{MAX_INPUT_BYTES >> 30} GiB"
                raise BadInput(f"{STANDARD_INPUT} is larger than {limit}; save it as a file.")
    return copy
