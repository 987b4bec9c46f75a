"""A file in whatever it is kept in to the text of its rows: plain, packed, a sheet, Parquet.

What a file is, its first bytes tell; its name is never asked. The bytes whose SHA-256 and size
are stored with an import are always those of the file as it lies on the disk or in an archive:
packed if it is packed, and the whole workbook for one sheet of it.
"""

import zlib
from pathlib import Path

from arcdrift.errors import BadInput
from arcdrift.intake.containers.archives import is_zip, open_zip
from arcdrift.intake.text.encodings import Encoding, utf8

MAX_FILE_BYTES = 1 << 30
"""Largest file taken, and the largest size a packed one may unpack to."""
GZIP_MARK = b"\x1f\x8b"
PARQUET_MARK = b"PAR1"

_NOT_TEXT = {
    b"\xd0\xcf\x11\xe0": (
        "is an old spreadsheet, or one protected by a password; save it as .xlsx without one"
    ),
    b"%PDF": "is a PDF; export the log as CSV",
    b"SQLite format 3": "is a database; export the log as CSV",
    b"7z\xbc\xaf\x27\x1c": "is a 7z archive; unpack it first",
    b"Rar!": "is a RAR archive; unpack it first",
    b"BZh": "is packed with bzip2; unpack it first",
    b"\xfd7zXZ": "is packed with xz; unpack it first",
    b"\x28\xb5\x2f\xfd": "is packed with zstd; unpack it first",
}


def file_bytes(
    path: Path,
    name: str,
    *,
    max_bytes: int = MAX_FILE_BYTES,
    encoding: Encoding | None = None,
    sheet: str | None = None,
    delimiter: str | None = None,
    decimal: str = ".",
) -> tuple[bytes, bytes]:
    """Read a file, and name it `name` in messages.

    Parameters
    ----------
    max_bytes : int
        Largest file, and largest size it may unpack to.
    encoding : str, optional
        Encoding of a text file; default told from its bytes (`arcdrift.intake.text.encodings`).
    sheet : str, optional
        Sheet of a workbook; default its only one with anything in it.
    delimiter, decimal : str, optional
        How to write what has typed cells, a sheet or Parquet, so that a layout meant for CSV
        fits it.

    Returns
    -------
    packed, content : bytes
        The file as it is, and its text as UTF-8 without byte order mark.

    Raises
    ------
    BadInput
        When it cannot be read, is too large, or holds no rows of text.
    """
    packed = _read(path, name, max_bytes)
    content = packed
    if packed.startswith(GZIP_MARK):
        content = _unpacked(packed, name, max_bytes)
    for mark, sentence in _NOT_TEXT.items():
        if content.startswith(mark):
            raise BadInput(f"{name} {sentence}.")
    if is_zip(content[:4]):
        _refuse_archive(content, name)
        from arcdrift.intake.containers.sheets import sheet_text

        return packed, sheet_text(content, name, sheet, delimiter=delimiter or ",", decimal=decimal)
    if content.startswith(PARQUET_MARK):
        from arcdrift.intake.containers.parquet import parquet_text

        return packed, parquet_text(
            content, name, max_bytes=max_bytes, delimiter=delimiter or ",", decimal=decimal
        )
    return packed, utf8(content, name, encoding)


def _read(path: Path, name: str, max_bytes: int) -> bytes:
    try:
        if path.is_dir():
            raise BadInput(f"{path} is a folder; give the log files in it.")
        if path.stat().st_size > max_bytes:
            raise BadInput(f"{name} is larger than {_size(max_bytes)}; split it.")
        return path.read_bytes()
    except FileNotFoundError:
        raise BadInput(f"{path} does not exist; check the name.") from None
    except OSError as problem:
        said = problem.strerror or str(problem)
        raise BadInput(f"{path} cannot be read: {said.lower()}.") from None


def _unpacked(packed: bytes, name: str, max_bytes: int) -> bytes:
    parts: list[bytes] = []
    room, rest = max_bytes + 1, packed
    try:
        while rest and room > 0:
            unpack = zlib.decompressobj(wbits=31)
            parts.append(unpack.decompress(rest, room))
            room -= len(parts[-1])
            if not unpack.eof and room > 0:
                raise BadInput(f"{name} is cut short; copy the packed file again.")
            rest = unpack.unused_data
    except zlib.error:
        raise BadInput(f"{name} is damaged; copy the packed file again.") from None
    if room <= 0:
        raise BadInput(f"{name} unpacks to more than {_size(max_bytes)}; split it.")
    return b"".join(parts)


def _refuse_archive(content: bytes, name: str) -> None:
    from arcdrift.intake.containers.workbooks import MAX_BOOK_BYTES, is_workbook

    with open_zip(content, name, max_bytes=MAX_BOOK_BYTES) as archive:
        if not is_workbook(archive):
            raise BadInput(f"{name} is an archive; unpack it and give the files in it.")


def _size(count: int) -> str:
    return f"{count / (1 << 20):.0f} MiB"
