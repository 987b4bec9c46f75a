"""The text of a large file, piece by piece: memory stays the same however long the file is."""

import codecs
import gzip
import hashlib
import os
import re
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import IO

import numpy as np

from arcdrift.errors import BadInput
from arcdrift.intake.text.encodings import (
    BIG_MARK,
    LITTLE_MARK,
    UTF8_MARK,
    Codec,
    Encoding,
    codec_of,
    cut_within_character,
)
from arcdrift.intake.text.physical_lines import MAX_LINE_BYTES, Lines
from arcdrift.intake.text.raw_rows import Broken, NeedMore, RawRows

PIECE_BYTES = 64 << 20
LARGE_BYTES = 192 << 20
"""Size from which a file is read in pieces; below it, all at once is faster."""
LARGE_PACKED_BYTES = 8 << 20
"""The same for a packed file, whose unpacked size nobody can be sure of."""
MAX_LARGE_BYTES = 16 << 30
"""Largest file taken, and the largest size a packed one may unpack to."""
_GROWN_BYTES = 16 << 20
"""A piece of this size without one whole row holds an overlong line."""
_JUDGED_BYTES = 8 << 20
_BLOCK_BYTES = 1 << 20
_PACKED = b"\x1f\x8b"
_LOOK_BYTES = 4096
_BINARY = re.compile(rb"[\x00-\x08\x0e-\x1a\x1c-\x1f]|^PAR1|^%PDF|^SQLite format")


def is_large(path: Path) -> bool:
    """Whether a file is to be read in pieces; False for one that cannot be looked at."""
    try:
        size = path.stat().st_size
        if size <= LARGE_PACKED_BYTES or not path.is_file():
            return False
        with path.open("rb") as file:
            begins = file.read(_LOOK_BYTES)
    except OSError:
        return False
    packed = begins.startswith(_PACKED)
    if packed:
        begins = _unpacked_start(path)
    plain = begins.startswith((LITTLE_MARK, BIG_MARK)) or not _BINARY.search(begins)
    return plain and (packed or size > LARGE_BYTES)


def _unpacked_start(path: Path) -> bytes:
    """First bytes of what a file packs; nothing where it is damaged, which is said elsewhere."""
    try:
        with gzip.open(path) as file:
            return file.read(_LOOK_BYTES)
    except (OSError, EOFError, zlib.error):
        return b""


class Text:
    """The UTF-8 text of an open file, to be read anywhere.

    A packed or differently coded file is first unpacked or recoded into `folder`.

    Attributes
    ----------
    size : int
        Bytes of text.
    size_bytes : int
        Bytes of the file.
    """

    def __init__(
        self,
        path: Path,
        name: str,
        folder: Path,
        encoding: Encoding | None = None,
        *,
        max_bytes: int = MAX_LARGE_BYTES,
    ) -> None:
        self._name = name
        self._hash = hashlib.sha256()
        self._hashed = 0
        try:
            self._file: IO[bytes] = path.open("rb")
        except OSError as problem:
            said = (problem.strerror or str(problem)).lower()
            raise BadInput(f"{path} cannot be read: {said}.") from None
        self._source = self._file
        self._begin = 0
        try:
            self._prepare(folder, encoding, max_bytes)
        except BaseException:
            self.close()
            raise

    def read(self, at: int, size: int) -> bytes:
        """Bytes of the text from a place on."""
        self._file.seek(self._begin + at)
        data = self._file.read(min(size, self.size - at))
        if self._file is self._source and at <= self._hashed < at + len(data):
            self._hash.update(memoryview(data)[self._hashed - at :])
            self._hashed = at + len(data)
        return data

    def sha256(self) -> str:
        """Digest of the file, once all of it was read.

        Raises
        ------
        BadInput
            When the file was changed meanwhile.
        """
        if self._seen() != self._state:
            raise BadInput(
                f"{self._name} was changed while it was read, and nothing of it was stored; "
                f"import it when it is finished."
            )
        return self._hash.hexdigest()

    def close(self) -> None:
        """Close the file."""
        self._file.close()
        self._source.close()

    def _prepare(self, folder: Path, encoding: Encoding | None, max_bytes: int) -> None:
        self._state = self._seen()
        self.size_bytes = self._state[0]
        if self.size_bytes > max_bytes:
            raise BadInput(f"{self._name} is larger than {max_bytes >> 30} GiB; split it.")
        if self._file.read(2) == _PACKED:
            self._hash_all()
            self._file = self._unpacked(folder / "unpacked", max_bytes)
        self._file.seek(0)
        codec = codec_of(self._file.read(_LOOK_BYTES), self._name, encoding, self._blocks())
        if codec is not None:
            self._hash_all()
            self._file = self._recoded(folder / "recoded", codec)
        self._file.seek(0)
        self._begin = len(UTF8_MARK) if self._file.read(3) == UTF8_MARK else 0
        self._hash.update(UTF8_MARK[: self._begin] if self._file is self._source else b"")
        self.size = self._file.seek(0, os.SEEK_END) - self._begin

    def _seen(self) -> tuple[int, int]:
        found = os.fstat(self._source.fileno())
        return found.st_size, found.st_mtime_ns

    def _hash_all(self) -> None:
        if self._file is not self._source:
            return  # unpacked already, and hashed before that
        self._source.seek(0)
        while block := self._source.read(_BLOCK_BYTES):
            self._hash.update(block)

    def _unpacked(self, path: Path, max_bytes: int) -> IO[bytes]:
        self._source.seek(0)
        done = 0
        try:
            with gzip.GzipFile(fileobj=self._source) as packed, path.open("wb") as file:
                while block := packed.read(_BLOCK_BYTES):
                    done += file.write(block)
                    if done > max_bytes:
                        raise BadInput(
                            f"{self._name} unpacks to more than {max_bytes >> 30} GiB; split it."
                        )
        except EOFError:
            raise BadInput(f"{self._name} is cut short; copy the packed file again.") from None
        except (zlib.error, gzip.BadGzipFile):
            raise BadInput(f"{self._name} is damaged; copy the packed file again.") from None
        return path.open("rb")

    def _blocks(self) -> Iterator[bytes]:
        """All of the file in blocks of whole lines, without what is left of overlong lines."""
        self._file.seek(0)
        rest, overlong = b"", False
        while block := self._file.read(_JUDGED_BYTES):
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

    def _recoded(self, path: Path, codec: Codec) -> IO[bytes]:
        errors = "surrogateescape" if codec == "cp1252" else "surrogatepass"
        decoder = codecs.getincrementaldecoder(codec)(errors)
        if codec != "cp1252" and self._file.seek(0, os.SEEK_END) % 2:
            raise BadInput(cut_within_character(self._name))
        self._file.seek(0)
        with path.open("wb") as file:
            while block := self._file.read(_BLOCK_BYTES):
                file.write(decoder.decode(block).encode("utf-8", errors))
        return path.open("rb")


def _line_end(text: bytes, find: Callable[[bytes], int]) -> int:
    """One past the line end that is found; 0 for none. CR ends a line where there is no LF."""
    at = find(b"\n")
    return (at if at >= 0 else find(b"\r")) + 1


@contextmanager
def open_text(
    path: Path, name: str, folder: Path, encoding: Encoding | None = None
) -> Iterator[Text]:
    """Open the text of a large file.

    Parameters
    ----------
    name : str
        File name for messages.
    folder : Path
        An empty folder to unpack or recode it into.
    encoding : str, optional
        What a layout states; default told from the file.

    Raises
    ------
    BadInput
        When it cannot be read, or is too large.
    """
    text = Text(path, name, folder, encoding)
    try:
        yield text
    finally:
        text.close()


Divide = Callable[[bytes, RawRows | None, bool], RawRows]
"""Rows of a piece: its text, the rows of the piece before, and whether more follows."""


@dataclass(frozen=True)
class Piece:
    """Some rows of a file, their lines numbered within it; a row belongs to one piece only.

    Attributes
    ----------
    rows : RawRows
        The rows.
    at, told_from, more : int, int, bool
        Where its text begins, how many bytes were looked at, and whether more was to follow.
    lines_before : int
        Lines of the file before it.
    head : RawRows, optional
        The piece before, without what it held; None for the first piece.
    """

    rows: RawRows
    at: int
    told_from: int
    more: bool
    lines_before: int
    head: RawRows | None


def row_pieces(text: Text, name: str, divide: Divide, size: int = PIECE_BYTES) -> Iterator[Piece]:
    """Divide a file into pieces that end between rows.

    The rows are exactly those that the file has when it is read at once.

    Parameters
    ----------
    divide : callable
        Divides one piece.
    size : int
        Bytes to read at a time.
    """
    at, before, length = 0, 0, size
    head: RawRows | None = None
    while at < text.size or head is None:
        content = text.read(at, length)
        more = at + len(content) < text.size
        try:
            rows = divide(content, head, more)
        except NeedMore:
            if length > max(size, _GROWN_BYTES):
                raise BadInput(
                    f"{name} has no header in its first {length >> 20} MiB; "
                    f"is it a log in CSV form?"
                ) from None
            length *= 2
            continue
        taken = len(rows.lines.data)
        if taken == 0 and more and head is not None:
            if length < _GROWN_BYTES:
                length *= 2
                continue
            begin = max(content.rfind(b"\n"), content.rfind(b"\r")) + 1
            if len(content) - begin <= MAX_LINE_BYTES:
                length *= 2  # the end of the file is all blank lines
                continue
            if begin:
                content, more = content[:begin], False
                rows, taken = divide(content, head, more), begin
            else:
                rows, taken = _long_line(text, at, head)
        yield Piece(_numbered(rows, before), at, len(content), more, before, head)
        head = emptied(rows)
        before += len(rows.lines)
        at, length = at + taken, size


def again(text: Text, piece: Piece, divide: Divide) -> RawRows:
    """Divide a piece anew, without having kept what it held."""
    rows = divide(text.read(piece.at, piece.told_from), piece.head, piece.more)
    return _numbered(rows, piece.lines_before)


def emptied(rows: RawRows) -> RawRows:
    """The header without the rows."""
    lines = Lines(b"", np.zeros(1, np.int64), np.zeros(0, np.int64))
    nothing = np.zeros(0, np.int64)
    return replace(
        rows,
        cells=rows.cells.slice(0, 0),
        first=nothing,
        last=nothing,
        broken=(),
        lines=lines,
        header_lines=0,
        blank_lines=0,
        skipped_lines=0,
    )


def _numbered(rows: RawRows, before: int) -> RawRows:
    """Rows of a piece with the line numbers they have in the file."""
    return replace(
        rows,
        first=rows.first + before,
        last=rows.last + before,
        broken=tuple(Broken(r.first + before, r.last + before, r.code) for r in rows.broken),
        lines=replace(rows.lines, before=before),
    )


def _long_line(text: Text, at: int, head: RawRows) -> tuple[RawRows, int]:
    """One overlong line as a broken row, and its size with its line end."""
    kept = text.read(at, MAX_LINE_BYTES + 1)
    decoder = codecs.getincrementaldecoder("utf-8")()
    nul = wrong = False
    end = at
    while block := text.read(end, _BLOCK_BYTES):
        found = re.search(rb"\r\n?|\n", block)
        inside = block if found is None else block[: found.start()]
        nul |= b"\0" in inside
        try:
            decoder.decode(inside, final=found is not None)
        except UnicodeDecodeError:
            wrong = True
        end += len(inside)
        if found is not None:
            end += 2 if text.read(end, 2) == b"\r\n" else 1
            break
    code = "nul-byte" if nul else "not-utf8" if wrong else "line-long"
    lines = Lines(kept, np.array([0, len(kept)]), np.array([len(kept)]))
    rows = replace(head, broken=(Broken(0, 0, code),), lines=lines)
    return rows, end - at
