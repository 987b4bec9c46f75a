"""Names and places of a crew's backups: which file is one, and which is the newest to be found.

Nothing here reads a store, so that the place of a backup can be named when the store is damaged.
"""

import json
import os
import re
import tomllib
import zipfile
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

BACKUPS = "backups"
"""Folder in a crew folder where backups go if no other place is given."""
PLACES_FILE = "backup-places.txt"
"""File in a crew folder that lists the other folders that its backups were written to."""
MANIFEST = "manifest.json"
"""Member of a backup that says what is in it."""
MAX_MANIFEST_BYTES = 1 << 20
FORMAT = "arcdrift backup"
_NAME = re.compile(r"arcdrift-(?P<crew>.+)-(?P<at>\d{8}T\d{6}Z)(-(?P<number>\d+))?\.zip")
_MOST_PLACES = 8
_UNSUITED = re.compile(r"[^\w]+")


def backup_name(crew: str, made_at: datetime, number: int = 1) -> str:
    """File name of a backup of a crew; `number` tells apart those made in one second."""
    words = _UNSUITED.sub("-", crew.casefold()).strip("-")[:40] or "crew"
    again = f"-{number}" if number > 1 else ""
    return f"arcdrift-{words}-{made_at.astimezone(UTC):%Y%m%dT%H%M%SZ}{again}.zip"


def manifest_of(path: Path) -> dict[str, Any] | None:
    """Read the manifest of a backup; None where the file is none or cannot be read."""
    try:
        with zipfile.ZipFile(path) as archive, archive.open(MANIFEST) as member:
            manifest = json.loads(member.read(MAX_MANIFEST_BYTES))
    except (OSError, ValueError, KeyError, EOFError, NotImplementedError, RuntimeError):
        return None
    except zipfile.BadZipFile:
        return None
    is_ours = isinstance(manifest, dict) and manifest.get("kind") == FORMAT
    return manifest if is_ours and isinstance(manifest.get("made_at"), str) else None


def backups_in(folder: Path) -> list[Path]:
    """Files in a folder that are named as backups, newest first by their names."""
    try:
        named = [path for path in folder.iterdir() if _NAME.fullmatch(path.name)]
    except OSError:
        return []
    return sorted(named, key=_made, reverse=True)


def _made(path: Path) -> tuple[str, int, str]:
    match = _NAME.fullmatch(path.name)
    return (match["at"], int(match["number"] or 1), path.name) if match else ("", 0, path.name)


def newest_backup(crew_folder: Path) -> Path | None:
    """Find the newest backup with a manifest, where backups of this crew were written to.

    Elsewhere than in its own folders there may be backups of other crews.
    """
    name = _crew_name(crew_folder)
    own = (crew_folder / BACKUPS, crew_folder)
    newest: tuple[str, Path] | None = None
    for folder in (*own, *_places(crew_folder)):
        for path in backups_in(folder):
            manifest = manifest_of(path)
            if manifest is not None and (folder in own or name in (None, manifest.get("crew"))):
                if newest is None or manifest["made_at"] > newest[0]:
                    newest = (manifest["made_at"], path)
                break
    return None if newest is None else newest[1]


def _crew_name(crew_folder: Path) -> str | None:
    try:
        name = tomllib.loads((crew_folder / "crew.toml").read_text("utf-8-sig")).get("name")
    except (OSError, ValueError):
        return None
    return name if isinstance(name, str) else None


def remember_place(crew_folder: Path, place: Path) -> None:
    """Note a folder outside the crew's own that a backup was written to, last ones first."""
    place = place.resolve()
    if place in ((crew_folder / BACKUPS).resolve(), crew_folder.resolve()):
        return
    places = [place, *(known for known in _places(crew_folder) if known != place)]
    if places == _places(crew_folder):
        return
    text = "".join(f"{path}\n" for path in places[:_MOST_PLACES])
    temporary = crew_folder / f".{PLACES_FILE}.{os.getpid()}"
    try:
        temporary.write_text(text, encoding="utf-8")
        temporary.replace(crew_folder / PLACES_FILE)
    except OSError:
        temporary.unlink(missing_ok=True)  # a help for later, no more


def _places(crew_folder: Path) -> list[Path]:
    try:
        lines = (crew_folder / PLACES_FILE).read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError):
        return []
    return [Path(line) for line in lines[:_MOST_PLACES] if line]
