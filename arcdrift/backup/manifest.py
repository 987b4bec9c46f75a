"""The manifest of a backup: what is in it, with counts and digests."""

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from arcdrift.backup.table_digests import TableDigest
from arcdrift.backup_files import FORMAT
from arcdrift.errors import BadInput

FORMAT_VERSION = 1
"""Raised when an older arcdrift could not restore what this one writes."""


@dataclass(frozen=True)
class FileDigest:
    """A file in a backup: its size in bytes and its SHA-256."""

    size: int
    sha256: str


@dataclass(frozen=True)
class Manifest:
    """What a backup holds.

    Attributes
    ----------
    arcdrift : str
        Version of arcdrift that wrote it.
    store_version : str
        Number of the last migration that its store has seen.
    crew : str
        Name of the crew.
    made_at : str
        Instant of the copy, ISO 8601 in UTC.
    tables : dict of TableDigest
        By name.
    files : dict of FileDigest
        By path in the backup and in the crew folder.
    left_out : tuple of str
        What of the crew folder is not in it, as sentences.
    """

    arcdrift: str
    store_version: str
    crew: str
    made_at: str
    tables: Mapping[str, TableDigest]
    files: Mapping[str, FileDigest]
    left_out: tuple[str, ...] = ()

    @property
    def rows(self) -> int:
        """Rows of all tables."""
        return sum(table.rows for table in self.tables.values())

    @property
    def filled_tables(self) -> int:
        """Number of tables with rows."""
        return sum(table.rows > 0 for table in self.tables.values())

    def to_json(self) -> str:
        """Return the text of the manifest."""
        return json.dumps({"kind": FORMAT, "format": FORMAT_VERSION, **asdict(self)}, indent=1)


class _Table(BaseModel):
    model_config = ConfigDict(strict=True)
    rows: int = Field(ge=0)
    sha256: str = Field(pattern="^[0-9a-f]{64}$")


class _File(BaseModel):
    model_config = ConfigDict(strict=True)
    size: int = Field(ge=0)
    sha256: str = Field(pattern="^[0-9a-f]{64}$")


class _Manifest(BaseModel):
    arcdrift: str
    store_version: str
    crew: str
    made_at: str
    tables: dict[str, _Table]
    files: dict[str, _File]
    left_out: tuple[str, ...] = ()


def read_manifest(text: bytes, name: str) -> Manifest:
    """Read the manifest of the backup with this name.

    Raises
    ------
    BadInput
        When it is none, or of a newer arcdrift.
    """
    try:
        data: Any = json.loads(text)
        if not isinstance(data, dict) or data.get("kind") != FORMAT:
            raise ValueError
        if not isinstance(data.get("format"), int):
            raise ValueError
        if data["format"] > FORMAT_VERSION:
            raise BadInput(
                f"{name} was made by a newer arcdrift ({data.get('arcdrift')}); update arcdrift, "
                "then restore it."
            )
        known = _Manifest.model_validate(data)
        datetime.fromisoformat(known.made_at)
    except (ValueError, ValidationError, RecursionError):
        raise BadInput(
            f"{name} is no backup of arcdrift, or what it says of itself is damaged; take another "
            "copy of it."
        ) from None
    return Manifest(
        known.arcdrift,
        known.store_version,
        known.crew,
        known.made_at,
        {table: TableDigest(item.rows, item.sha256) for table, item in known.tables.items()},
        {path: FileDigest(item.size, item.sha256) for path, item in known.files.items()},
        known.left_out,
    )
