"""Zip archives, opened within limits on their number of members and unpacked size.

Sizes come from the archive's own directory. `zipfile` then takes a member that unpacks to more
than the directory says for damaged.
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
"""Bytes that one member may take in the archive's directory, with its name and comment."""
_TAIL_BYTES = 22 + 65_535 + 76
_ENCRYPTED = 0x1
_BLOCK = 1 << 20


def is_zip(start: bytes) -> bool:
    """Whether a file that starts with these bytes is a zip archive; workbooks are."""
    return start.startswith((ZIP_MARK, EMPTY_ZIP_MARK))


def open_zip(file: Path | bytes, name: str, *, max_bytes: int) -> zipfile.ZipFile:
    """Open an archive whose members unpack to at most `max_bytes` in total.

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


def member_blocks(archive: zipfile.ZipFile, member: zipfile.ZipInfo, name: str) -> Iterator[bytes]:
    """Unpack one member block by block.

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


def points_outside(member: str) -> bool:
    """Whether a member's name points out of the archive."""
    path = member.replace("\\", "/")
    return path.startswith("/") or bool(re.match("[A-Za-z]:", path)) or ".." in path.split("/")


def is_hidden(member: str) -> bool:
    """Whether a member is hidden or was made by the system that packed the archive."""
    parts = member.replace("\\", "/").split("/")
    system = {"__macosx", "thumbs.db", "desktop.ini"}
    return any(part.startswith((".", "~$")) or part.lower() in system for part in parts)


def _opened(file: Path | bytes) -> IO[bytes]:
    return io.BytesIO(file) if isinstance(file, bytes) else file.open("rb")


def _directory_bytes(stream: IO[bytes]) -> int:
    """Size of the archive's directory, read before `zipfile` loads all of it into memory."""
    file_size = stream.seek(0, io.SEEK_END)
    stream.seek(max(0, file_size - _TAIL_BYTES))
    tail = stream.read()
    end = tail.rfind(EMPTY_ZIP_MARK)
    if end < 0:
        raise EOFError
    size = int(struct.unpack_from("<I", tail, end + 12)[0])
    zip64 = tail.rfind(b"PK\x06\x06", 0, end)
    if size == 0xFFFFFFFF and zip64 >= 0:
        size = int(struct.unpack_from("<Q", tail, zip64 + 40)[0])
    return size
