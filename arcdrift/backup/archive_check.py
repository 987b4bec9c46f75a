"""Checks a backup: reads all of it, and compares it with what its manifest says.

Nothing of a backup is believed: it may be damaged, cut short, or made by somebody else.
"""

import os
import shutil
import sqlite3
import stat
import zipfile
from contextlib import closing
from functools import partial
from hashlib import sha256
from pathlib import Path, PurePosixPath

from arcdrift.backup.manifest import FileDigest, Manifest, read_manifest
from arcdrift.backup.table_digests import (
    CountRows,
    damage_in,
    read_only_connection,
    table_digests,
)
from arcdrift.backup_files import MANIFEST, MAX_MANIFEST_BYTES
from arcdrift.errors import BadInput
from arcdrift.intake.containers.archives import is_zip, member_blocks, open_zip, points_outside
from arcdrift.settings import CREW_FILE, STORE_FILE

SETTINGS_FOLDERS = ("layouts", "words")
"""Folders of a crew folder whose TOML files are part of a backup."""
_MAX_BYTES = 1 << 50
_MAX_SETTINGS_BYTES = 16 << 20
"""Most that one file of settings may unpack to."""
_SPARE_BYTES = 16 << 20
"""Room on the disk that unpacking leaves."""


def unpack_checked(path: Path, folder: Path, progress: CountRows | None = None) -> Manifest:
    """Unpack a backup into an empty folder and check everything in it.

    Returns
    -------
    Manifest
        What it says of itself, which is then true.

    Raises
    ------
    BadInput
        When it is no backup, is damaged, or does not hold what it says.
    OSError
        When the folder cannot be written.
    """
    name = path.name
    try:
        with path.open("rb") as file:
            start = file.read(4)
    except OSError as problem:
        reason = (problem.strerror or str(problem)).lower()
        raise BadInput(f"{path} cannot be read: {reason}.") from None
    if not is_zip(start):
        raise BadInput(f"{name} is no backup of arcdrift; give a file that `arcdrift backup` made.")
    with closing(open_zip(path, name, max_bytes=_MAX_BYTES)) as archive:
        members = _members(archive, name)
        manifest = read_manifest(_small(archive, members, MANIFEST, name), name)
        _compare_names(members, manifest, name)
        _require_room(members, folder, name)
        for member in manifest.files:
            _unpack(archive, members[member], folder / member, manifest.files[member], name)
    _compare_store(folder / STORE_FILE, manifest, name, progress)
    return manifest


def _members(archive: zipfile.ZipFile, name: str) -> dict[str, zipfile.ZipInfo]:
    members: dict[str, zipfile.ZipInfo] = {}
    for member in archive.infolist():
        kind = stat.S_IFMT(member.external_attr >> 16)
        is_plain = kind in (0, stat.S_IFREG) and not member.is_dir()
        if not is_plain or member.filename in members or not _is_known(member.filename):
            raise BadInput(
                f"{name} holds {member.filename!r}, which no backup does; nothing was unpacked."
            )
        members[member.filename] = member
    return members


def _is_known(member: str) -> bool:
    if member in (MANIFEST, CREW_FILE, STORE_FILE):
        return True
    parts = PurePosixPath(member).parts
    return (
        not points_outside(member)
        and "\\" not in member
        and "\0" not in member
        and len(parts) == 2
        and "/".join(parts) == member
        and parts[0] in SETTINGS_FOLDERS
        and parts[1].endswith(".toml")
    )


def _small(
    archive: zipfile.ZipFile, members: dict[str, zipfile.ZipInfo], member: str, name: str
) -> bytes:
    if member not in members:
        raise BadInput(f"{name} is no backup of arcdrift; give a file that `arcdrift backup` made.")
    if members[member].file_size > MAX_MANIFEST_BYTES:
        raise BadInput(f"{name} says far too much of itself; it is no backup of arcdrift.")
    return b"".join(member_blocks(archive, members[member], name))


def _compare_names(members: dict[str, zipfile.ZipInfo], manifest: Manifest, name: str) -> None:
    held = set(members) - {MANIFEST}
    if held != set(manifest.files) or not {CREW_FILE, STORE_FILE} <= held:
        raise BadInput(f"{name} does not hold the files that it says; take another copy of it.")
    for member in held:
        size = members[member].file_size
        if size != manifest.files[member].size:
            raise BadInput(f"{name} is damaged: {member} has another size than it says.")
        if member != STORE_FILE and size > _MAX_SETTINGS_BYTES:
            raise BadInput(f"{name} holds settings of {size:,} bytes; it is no backup of arcdrift.")


def _require_room(members: dict[str, zipfile.ZipInfo], folder: Path, name: str) -> None:
    needed = sum(member.file_size for member in members.values())
    free = shutil.disk_usage(folder).free - _SPARE_BYTES
    if needed > free:
        raise BadInput(
            f"{name} unpacks to {needed / 1e6:,.0f} MB, more than there is room for in "
            f"{folder.parent}; make room there or choose another folder."
        )


def _unpack(
    archive: zipfile.ZipFile, member: zipfile.ZipInfo, path: Path, told: FileDigest, name: str
) -> None:
    path.parent.mkdir(exist_ok=True)
    digest = sha256()
    # a store may hold who may sign in; its file is for nobody else on this computer
    rights = 0o600 if member.filename == STORE_FILE else 0o666
    with open(path, "xb", opener=partial(os.open, mode=rights)) as file:
        for block in member_blocks(archive, member, f"{name}/{member.filename}"):
            digest.update(block)
            file.write(block)
        file.flush()
        os.fsync(file.fileno())
    if digest.hexdigest() != told.sha256:
        raise BadInput(f"{name} is damaged: {member.filename} is not what it says.")


def _compare_store(path: Path, manifest: Manifest, name: str, progress: CountRows | None) -> None:
    """Check the pages and references of a store, and count and digest its tables."""
    try:
        with closing(read_only_connection(path)) as connection:
            if damage := damage_in(connection):
                raise BadInput(f"The store in {name} is damaged ({damage[0]}).")
            tables = table_digests(connection, progress)
    except sqlite3.DatabaseError as problem:
        raise BadInput(f"The store in {name} is damaged ({problem}).") from None
    for table in sorted(set(tables) | set(manifest.tables)):
        if tables.get(table) != manifest.tables.get(table):
            raise BadInput(f"The table {table} in {name} is not what its manifest says.")
