"""Find the new and finished files of a folder by polling it.

A file counts as finished when two scans in a row find the same size and time of change. The store
records each file that was handled, so that a restart reads nothing twice. A file is recognized by
its content, whatever its name.
"""

import hashlib
import os
from dataclasses import dataclass, field
from pathlib import Path

from sqlalchemy import Engine, delete, insert, select

from arcdrift.errors import BadInput
from arcdrift.intake.containers.sources import named_as_log
from arcdrift.store import schema
from arcdrift.store.database.connect import Waiting, reading, writing

State = tuple[int, int]
"""Size in bytes, and time of the last change in nanoseconds."""


@dataclass
class WatchedFolder:
    """A folder that is scanned again and again.

    Attributes
    ----------
    troubles : list of str
        Sentences about what the last scan could not read; each appears once until it changes.
    """

    engine: Engine
    path: Path
    troubles: list[str] = field(default_factory=list)
    _before: dict[Path, State] = field(default_factory=dict)
    _shown: set[str] = field(default_factory=set)
    _shown_before: set[str] = field(default_factory=set)

    def finished_files(self) -> list[Path]:
        """Scan the folder; return the finished files that were not handled yet, sorted.

        Raises
        ------
        BadInput
            When there is no such folder.
        """
        if not self.path.is_dir():
            raise BadInput(f"{self.path} is not a folder that can be looked into.")
        self._shown_before, self._shown = self._shown, set()
        sentences: set[str] = set()
        now = self._states(sentences)
        self.troubles = [sentence for sentence in sorted(sentences) if self.is_new(sentence)]
        known = self._known()
        ready = [
            path
            for path, state in now.items()
            if self._before.get(path) == state and known.get(str(path)) != state
        ]
        self._before = now
        return sorted(ready)

    def digest(self, path: Path) -> str:
        """SHA-256 of a file.

        Raises
        ------
        BadInput
            When it cannot be read.
        """
        try:
            with path.open("rb") as file:
                return hashlib.file_digest(file, "sha256").hexdigest()
        except OSError as problem:
            raise BadInput(_unread(path, problem)) from None

    def is_handled(self, digest: str) -> bool:
        """Whether a file with this content was imported or refused before."""
        seen, done = schema.watched.columns, schema.imports.columns
        queries = (
            select(seen.path).where(seen.sha256 == digest, seen.said.is_(None)),
            select(done.id).where(done.sha256 == digest, done.undone_at.is_(None)),
        )
        with reading(self.engine) as connection:
            return any(connection.execute(query).first() is not None for query in queries)

    def record_handled(
        self,
        path: Path,
        digest: str,
        refusal: str | None = None,
        waiting: Waiting | None = None,
    ) -> None:
        """Record that a file was handled in the state that the last scan found.

        Parameters
        ----------
        refusal : str, optional
            Why it was not imported.
        """
        size, changed = self._before[path]
        values = {
            "path": str(path),
            "size_bytes": size,
            "modified_ns": changed,
            "sha256": digest,
            "said": refusal,
        }
        with writing(self.engine, waiting) as connection:
            seen = schema.watched.columns
            connection.execute(delete(schema.watched).where(seen.path == str(path)))
            connection.execute(insert(schema.watched).values(values))

    def has_changed(self, path: Path) -> bool:
        """Whether a file changed since the last scan."""
        try:
            return _state(path) != self._before[path]
        except OSError:
            return True

    def is_new(self, sentence: str) -> bool:
        """Whether a sentence was neither true at the last scan nor shown since."""
        new = sentence not in self._shown | self._shown_before
        self._shown.add(sentence)
        return new

    def _states(self, sentences: set[str]) -> dict[Path, State]:
        found: dict[Path, State] = {}

        def trouble(problem: OSError) -> None:
            sentences.add(_unread(Path(str(problem.filename)), problem))

        for place, folders, names in os.walk(self.path, onerror=trouble):
            folders[:] = [name for name in folders if not _hidden(name)]
            for name in names:
                path = Path(place, name)
                if _hidden(name) or not named_as_log(name):
                    continue
                try:
                    found[path] = _state(path)
                except OSError as problem:
                    trouble(problem)
                    continue
                if not os.access(path, os.R_OK):
                    sentences.add(f"{path} cannot be read: permission denied.")
                    del found[path]
        return found

    def _known(self) -> dict[str, State]:
        seen = schema.watched.columns
        with reading(self.engine) as connection:
            rows = connection.execute(select(seen.path, seen.size_bytes, seen.modified_ns))
            return {row.path: (row.size_bytes, row.modified_ns) for row in rows}


def _state(path: Path) -> State:
    found = path.stat()
    return found.st_size, found.st_mtime_ns


def _hidden(name: str) -> bool:
    return name.startswith((".", "~$"))


def _unread(path: Path, problem: OSError) -> str:
    return f"{path} cannot be read: {(problem.strerror or str(problem)).lower()}."
