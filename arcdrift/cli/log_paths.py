"""What ``arcdrift import`` is given, as the files it means: folders, patterns, standard input."""

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
_BLOCK = 1 << 20


@dataclass
class Given:
    """The files that some words on the command line mean.

    Attributes
    ----------
    files : list of (Path, str)
        Each file once, with its name; those of a folder are named from the folder on.
    passed : list of str
        Sentences about what was passed over.
    wrong : list of (str, BadInput)
        Words that mean no file, and why.
    """

    files: list[tuple[Path, str]] = field(default_factory=list)
    passed: list[str] = field(default_factory=list)
    wrong: list[tuple[str, BadInput]] = field(default_factory=list)


@contextmanager
def given(words: Sequence[Path]) -> Iterator[Given]:
    """Find the files; a copy of standard input lasts as long as this does."""
    found = Given()
    known: set[Path] = set()

    def add(path: Path, name: str) -> None:
        place = path.absolute()
        if place not in known:
            known.add(place)
            found.files.append((path, name))

    with scratch_folder() as folder:
        for word in words:
            try:
                if word == Path("-"):
                    add(_standard_input(folder / "input"), STANDARD_INPUT)
                    continue
                for path in _matching(word):
                    if path.is_dir():
                        for file, name in _in_folder(path, found):
                            add(file, name)
                    else:
                        add(path, path.name)
            except BadInput as problem:
                found.wrong.append((str(word), problem))
        yield found


def _matching(word: Path) -> list[Path]:
    """Files and folders that a word means: itself, or as a pattern what it matches.

    Shells that do not fill in patterns leave that to the program.
    """
    if not glob.has_magic(str(word)) or word.exists():
        return [word]
    matches = [Path(match) for match in sorted(glob.glob(str(word), recursive=True))]
    if not matches:
        raise BadInput(f"No file matches {str(word)!r}; check the pattern.")
    return matches


def _in_folder(folder: Path, found: Given) -> Iterator[tuple[Path, str]]:
    """Files below a folder that are named like logs, sorted; the others are counted."""
    from arcdrift.cli.output import counted
    from arcdrift.intake.containers.sources import NAMES, named_as_log

    unseen = others = 0
    logs = []

    def trouble(problem: OSError) -> None:
        said = (problem.strerror or str(problem)).lower()
        why = BadInput(f"{problem.filename} cannot be read: {said}.")
        found.wrong.append((str(problem.filename), why))

    for place, folders, names in os.walk(folder, onerror=trouble):
        unseen += sum(_hidden(name) for name in (*folders, *names))
        folders[:] = [name for name in folders if not _hidden(name)]
        for name in names:
            if _hidden(name):
                continue
            if named_as_log(name):
                logs.append(Path(place, name))
            else:
                others += 1
    if unseen or others:
        found.passed.append(
            f"Passed over in {folder}: {unseen:,} hidden, and "
            f"{counted(others, 'file')} not named like a log."
        )
    if not logs:
        raise BadInput(f"{folder} holds no file that is named like a log ({', '.join(NAMES)}).")
    for path in sorted(logs):
        yield path, path.relative_to(folder).as_posix()


def _hidden(name: str) -> bool:
    return name.startswith((".", "~$"))


def _standard_input(copy: Path) -> Path:
    done = 0
    with copy.open("ab") as file:
        while block := sys.stdin.buffer.read(_BLOCK):
            done += file.write(block)
            if done > MAX_INPUT_BYTES:
                size = f"{MAX_INPUT_BYTES >> 30} GiB"
                raise BadInput(f"{STANDARD_INPUT} is larger than {size}; save it as a file.")
    return copy
