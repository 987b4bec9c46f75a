"""Zip archives opened with care: what is in them, and no more of it than is safe.

Sizes come from the archive's own directory, which `zipfile` then holds every member to; a
member that unpacks to more than it said is damaged.
"""

import io
import re
import struct
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from arcdrift.errors import BadInput

ZIP_MARK = b"PK\x03\x04"
EMPTY_ZIP_MARK = b"PK\x05\x06"
MAX_MEMBERS = 5000
_DIRECTORY_BYTES = 1000
"""Room for one member in the archive's directory: its name and notes, generously."""
_TAIL_BYTES = 22 + 65_535 + 76
_ENCRYPTED = 0x1
_BLOCK = 1 << 20


def is_zip(start: bytes) -> bool:
    """Whether a file that starts so is a zip archive, a workbook among them."""
    return start.startswith((ZIP_MARK, EMPTY_ZIP_MARK))


def open_zip(file: Path | bytes, name: str, *, max_bytes: int) -> zipfile.ZipFile:
    """Open an archive whose members together unpack to `max_bytes` at most.

    Raises
    ------
    BadInput
        When it is damaged, or has too many members or too much in them.
    """
    try:
        with _opened(file) as stream:
            if _directory_bytes(stream) > MAX_MEMBERS * _DIRECTORY_BYTES:
                raise BadInput(f"{name} holds more than {MAX_MEMBERS} files; split it.")
        archive = zipfile.ZipFile(_opened(file) if isinstance(file, bytes) else file)
    except (zipfile.BadZipFile, ValueError, struct.error, EOFError):
        raise BadInput(f"{name} is damaged; copy the file again.") from None
    try:
        members = archive.infolist()
        if len(members) > MAX_MEMBERS:
            raise BadInput(f"{name} holds more than {MAX_MEMBERS} files; split it.")
        if sum(member.file_size for member in members) > max_bytes:
            size = f"{max_bytes / (1 << 20):.0f} MiB"
            raise BadInput(f"{name} unpacks to more than {size}; split it.")
    except BadInput:
        archive.close()
        raise
    return archive


def blocks(archive: zipfile.ZipFile, member: zipfile.ZipInfo, name: str) -> Iterator[bytes]:
    """Unpack one member, a block at a time.

    Raises
    ------
    BadInput
        When it is encrypted, damaged or packed in a way that is not known.
    """
    if member.flag_bits & _ENCRYPTED:
        raise BadInput(f"{name} is protected by a password; unpack it and give the file itself.")
    try:
        with archive.open(member) as stream:
            while block := stream.read(_BLOCK):
                yield block
    except NotImplementedError:
        raise BadInput(f"{name} is packed in a way that is not known; unpack it first.") from None
    except (zipfile.BadZipFile, zlib.error, EOFError, OSError, ValueError, RuntimeError):
        raise BadInput(f"{name} is damaged; copy the archive again.") from None


def unsafe(member: str) -> bool:
    """Whether a member's name points out of the archive."""
    path = member.replace("\\", "/")
    return path.startswith("/") or bool(re.match("[A-Za-z]:", path)) or ".." in path.split("/")


def hidden(member: str) -> bool:
    """Whether a member is hidden or made by the system that packed the archive."""
    parts = member.replace("\\", "/").split("/")
    system = {"__macosx", "thumbs.db", "desktop.ini"}
    return any(part.startswith((".", "~$")) or part.lower() in system for part in parts)


def _opened(file: Path | bytes) -> IO[bytes]:
    return io.BytesIO(file) if isinstance(file, bytes) else file.open("rb")


def _directory_bytes(stream: IO[bytes]) -> int:
    """Size of the directory, read before `zipfile` would hold all of it in memory."""
    size = stream.seek(0, io.SEEK_END)
    stream.seek(max(0, size - _TAIL_BYTES))
    tail = stream.read()
    at = tail.rfind(EMPTY_ZIP_MARK)
    if at < 0:
        raise EOFError
    told = int(struct.unpack_from("<I", tail, at + 12)[0])
    large = tail.rfind(b"PK\x06\x06", 0, at)
    if told == 0xFFFFFFFF and large >= 0:
        told = int(struct.unpack_from("<Q", tail, large + 40)[0])
    return told
