"""Open a log, however it is kept: plain text, gzip, a sheet of a workbook, Parquet.

The first bytes of a file say what it is; its name is not looked at. The SHA-256 and the size stored
with an import are those of the file on disk or in an archive: of the packed file if it is packed,
and of the whole workbook for one of its sheets.

A text of at most `MEMORY_BYTES` is held in memory. A larger one is read from its file, or from a
temporary copy if it had to be unpacked or recoded.
"""

import hashlib
import io
import os
import tempfile
import zlib
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import IO

from arcdrift.errors import BadInput, StoreTrouble
from arcdrift.intake.containers.archives import is_zip, open_zip
from arcdrift.intake.text.encodings import ENCODING_OF, SAMPLE_BYTES, Encoding, codec_of, recoded
from arcdrift.intake.text.log_text import LogText, State, state_of
from arcdrift.intake.text.physical_lines import MAX_LINE_BYTES

MEMORY_BYTES = 192 << 20
MAX_TEXT_BYTES = 16 << 30
"""Largest file of text, and the largest size a packed one may unpack to."""
MAX_FILE_BYTES = 1 << 30
"""Largest workbook or Parquet file, and the largest size a small packed file may unpack to."""
_SMALL_PACKED_BYTES = 8 << 20
_BLOCK_BYTES = 1 << 20
JUDGED_BYTES = 8 << 20
"""Bytes from which the encoding is judged at a time."""
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


@dataclass(frozen=True)
class LogFile:
    """An open file that holds a log.

    Attributes
    ----------
    path : Path
        Where it is.
    name : str
        Its name for messages.
    content : file
        Its content, in memory if it is small.
    source : file
        The file on disk.
    size : int
        Bytes of the file.
    sha256 : str
        Digest of the file.
    state : tuple
        Its size and time of change before the digest was computed.
    """

    path: Path
    name: str
    content: IO[bytes]
    source: IO[bytes]
    size: int
    sha256: str
    state: State


@contextmanager
def open_file(path: Path, name: str, *, max_bytes: int = MAX_TEXT_BYTES) -> Iterator[LogFile]:
    """Open a file and compute its digest; messages call it `name`.

    Raises
    ------
    BadInput
        When it cannot be read, or is larger than `max_bytes`.
    """
    with _opened(path, name, max_bytes) as source:
        try:
            state = state_of(source)
            content, size = _in_memory_if_small(source)
            sha256 = hashlib.file_digest(content, "sha256").hexdigest()
        except OSError as problem:
            raise _cannot_be_read(path, problem) from None
        yield LogFile(path, name, content, source, size, sha256, state)


@contextmanager
def open_text(
    log: LogFile,
    *,
    max_bytes: int = MAX_TEXT_BYTES,
    encoding: Encoding | None = None,
    sheet: str | None = None,
    delimiter: str | None = None,
    decimal: str = ".",
) -> Iterator[LogText]:
    """Open the text of the log in a file.

    Parameters
    ----------
    max_bytes : int
        Largest size that the file may unpack to.
    encoding : str, optional
        Encoding of a text file; default found from its bytes (`arcdrift.intake.text.encodings`).
    sheet : str, optional
        Sheet of a workbook; default its only one with anything in it.
    delimiter, decimal : str, optional
        How to write a sheet or Parquet as text, so that a layout meant for CSV fits it.

    Raises
    ------
    BadInput
        When the file cannot be read, is too large, or holds no rows of text.
    StoreTrouble
        When the temporary folder cannot take an unpacked or recoded copy.
    """
    file, name, packed = log.content, log.name, log.content
    with ExitStack() as stack:
        try:
            stated: Encoding | None = None
            from_1904 = False
            if _start(file).startswith(GZIP_MARK):
                few = log.size <= _SMALL_PACKED_BYTES
                most = min(max_bytes, MAX_FILE_BYTES) if few else max_bytes
                file = stack.enter_context(_copied(_unpacked_blocks(file, name, most), name))
            start = _start(file)
            for mark, sentence in _NOT_TEXT.items():
                if start.startswith(mark):
                    raise BadInput(f"{name} {sentence}.")
            if is_zip(start[:4]) or start.startswith(PARQUET_MARK):
                most = min(max_bytes, MAX_FILE_BYTES)
                verb = "is larger" if file is packed else "unpacks to more"
                content = _all_of(file, most, f"{name} {verb} than {_size(most)}; split it.")
                text, from_1904 = _table_text(
                    content, name, sheet, delimiter or "\t", decimal, most
                )
                file = io.BytesIO(text)
            else:
                codec = codec_of(start, name, encoding, _blocks_of_lines(file))
                if codec is not None:
                    stated = ENCODING_OF[codec] if file is packed else None
                    blocks = recoded(_blocks(file), codec, _size_of(file), name)
                    file = stack.enter_context(_copied(blocks, name))
        except OSError as problem:
            raise _cannot_be_read(log.path, problem) from None
        on_disk = log.source if file is log.source else None
        yield LogText(
            file,
            name,
            file_size=log.size,
            sha256=log.sha256,
            encoding=stated,
            days_from_1904=from_1904,
            source=on_disk,
            state=log.state,
        )


@contextmanager
def open_log(
    path: Path,
    name: str,
    *,
    max_bytes: int = MAX_TEXT_BYTES,
    sheet: str | None = None,
    delimiter: str | None = None,
    decimal: str = ".",
) -> Iterator[LogText]:
    """Open the text of a log; as `open_file`, then `open_text`."""
    with (
        open_file(path, name, max_bytes=max_bytes) as log,
        open_text(
            log, max_bytes=max_bytes, sheet=sheet, delimiter=delimiter, decimal=decimal
        ) as text,
    ):
        yield text


def _in_memory_if_small(source: io.BufferedReader) -> tuple[io.BufferedReader | io.BytesIO, int]:
    """A copy in memory of a small file, or the file itself; and its size."""
    size, _ = state_of(source)
    if size > MEMORY_BYTES:
        return source, size
    content = source.read()
    return io.BytesIO(content), len(content)


def _opened(path: Path, name: str, max_bytes: int) -> io.BufferedReader:
    try:
        if path.is_dir():
            raise BadInput(f"{path} is a folder; give the log files in it.")
        if path.stat().st_size > max_bytes:
            raise BadInput(f"{name} is larger than {_size(max_bytes)}; split it.")
        return path.open("rb")
    except FileNotFoundError:
        raise BadInput(f"{path} does not exist; check the name.") from None
    except OSError as problem:
        raise _cannot_be_read(path, problem) from None


def _cannot_be_read(path: Path, problem: OSError) -> BadInput:
    return BadInput(f"{path} cannot be read: {(problem.strerror or str(problem)).lower()}.")


def _start(file: IO[bytes]) -> bytes:
    file.seek(0)
    return file.read(SAMPLE_BYTES)


def _blocks(file: IO[bytes], size: int = _BLOCK_BYTES) -> Iterator[bytes]:
    file.seek(0)
    while block := file.read(size):
        yield block


@contextmanager
def _copied(blocks: Iterable[bytes], name: str) -> Iterator[IO[bytes]]:
    """Put blocks into a file that is in memory while it is small, and on disk from then on."""
    with tempfile.SpooledTemporaryFile(MEMORY_BYTES) as copy:
        for block in blocks:
            try:
                copy.write(block)
            except OSError as problem:
                raise StoreTrouble(
                    f"{name} could not be unpacked or recoded in {tempfile.gettempdir()}: "
                    f"{(problem.strerror or str(problem)).lower()}."
                ) from problem
        yield copy


def _unpacked_blocks(packed: IO[bytes], name: str, max_bytes: int) -> Iterator[bytes]:
    """Unpack a gzip file of one or more members block by block."""
    count = 0
    unpack = zlib.decompressobj(wbits=31)
    try:
        for data in chain(_blocks(packed), [b""]):
            while data or not unpack.eof:
                if unpack.eof:
                    unpack = zlib.decompressobj(wbits=31)
                block = unpack.decompress(data, _BLOCK_BYTES)
                count += len(block)
                if count > max_bytes:
                    raise BadInput(f"{name} unpacks to more than {_size(max_bytes)}; split it.")
                yield block
                data = unpack.unused_data if unpack.eof else unpack.unconsumed_tail
                if not data and not block:
                    break
    except zlib.error:
        raise BadInput(f"{name} is damaged; copy the packed file again.") from None
    if not unpack.eof:
        raise BadInput(f"{name} is cut short; copy the packed file again.")


def _blocks_of_lines(file: IO[bytes]) -> Iterator[bytes]:
    """All of a file in blocks of whole lines; overlong lines are left out where a block ends."""
    rest, overlong = b"", False
    for block in _blocks(file, JUDGED_BYTES):
        if overlong:
            begin = _line_end(block, block.find)
            if not begin:
                continue
            block = block[begin:]
        block = rest + block
        end = _line_end(block, block.rfind)
        yield block[:end]
        rest = block[end:]
        overlong = len(rest) > MAX_LINE_BYTES
        if overlong:
            rest = b""
    yield rest


def _line_end(text: bytes, find: Callable[[bytes], int]) -> int:
    """One past the line end that is found; 0 for none. CR ends a line where there is no LF."""
    at = find(b"\n")
    return (at if at >= 0 else find(b"\r")) + 1


def _all_of(file: IO[bytes], max_bytes: int, refusal: str) -> bytes:
    if _size_of(file) > max_bytes:
        raise BadInput(refusal)
    file.seek(0)
    return file.read()


def _size_of(file: IO[bytes]) -> int:
    return file.seek(0, os.SEEK_END)


def _table_text(
    content: bytes, name: str, sheet: str | None, delimiter: str, decimal: str, max_bytes: int
) -> tuple[bytes, bool]:
    """Text of a sheet or a Parquet file; and whether its day numbers count from 1904."""
    if content.startswith(PARQUET_MARK):
        from arcdrift.intake.containers.parquet import parquet_text

        text = parquet_text(
            content, name, max_bytes=max_bytes, delimiter=delimiter, decimal=decimal
        )
        return text, False
    from arcdrift.intake.containers.sheets import sheet_text
    from arcdrift.intake.containers.workbooks import (
        MAX_BOOK_BYTES,
        counts_days_from_1904,
        is_workbook,
    )

    with open_zip(content, name, max_bytes=MAX_BOOK_BYTES) as archive:
        if not is_workbook(archive):
            raise BadInput(f"{name} is an archive; unpack it and give the files in it.")
        from_1904 = counts_days_from_1904(archive, name)
    return sheet_text(content, name, sheet, delimiter=delimiter, decimal=decimal), from_1904


def _size(count: int) -> str:
    return f"{count >> 30} GiB" if count > MAX_FILE_BYTES else f"{count / (1 << 20):.0f} MiB"
