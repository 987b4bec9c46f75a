"""The UTF-8 text of a log, readable from any position without holding all of it in memory."""

import os
from typing import IO

from arcdrift.errors import BadInput
from arcdrift.intake.text.encodings import UTF8_MARK, Encoding

State = tuple[int, int]
"""Size in bytes, and time of the last change in nanoseconds."""


class LogText:
    """The text of one log.

    Attributes
    ----------
    name : str
        File name for messages.
    size : int
        Bytes of text, without a byte order mark.
    file_size : int
        Bytes of the file as it is on disk.
    sha256 : str
        Digest of the file as it is on disk.
    encoding : str, optional
        What a layout should state; None for UTF-8, packed files and tables.
    days_from_1904 : bool
        Whether day numbers in place of dates count from 1904, as they may in a workbook.
    """

    def __init__(
        self,
        text: IO[bytes],
        name: str,
        *,
        file_size: int,
        sha256: str,
        encoding: Encoding | None = None,
        days_from_1904: bool = False,
        source: IO[bytes] | None = None,
        state: State | None = None,
    ) -> None:
        """Wrap a file of UTF-8 text.

        Parameters
        ----------
        source : file, optional
            The file on disk where `text` is not a copy of it: it must not change while it is read.
        state : tuple, optional
            Its state before its digest was computed; default as it is now.
        """
        self.name = name
        self.file_size = file_size
        self.sha256 = sha256
        self.encoding = encoding
        self.days_from_1904 = days_from_1904
        self._text = text
        self._source = source
        self._state = state_of(source) if state is None and source is not None else state
        text.seek(0)
        self._begin = len(UTF8_MARK) if text.read(len(UTF8_MARK)) == UTF8_MARK else 0
        self.size = text.seek(0, os.SEEK_END) - self._begin

    def read(self, start: int, size: int) -> bytes:
        """Read at most `size` bytes of the text from position `start` on."""
        self._text.seek(self._begin + start)
        return self._text.read(min(size, self.size - start))

    def whole_lines(self, size: int) -> bytes:
        """Read the lines that end within the first `size` bytes; all of a shorter text."""
        content = self.read(0, size)
        if self.size > len(content):
            content = content[: max(content.rfind(b"\n"), content.rfind(b"\r")) + 1]
        return content

    def check_unchanged(self) -> None:
        """Refuse a file that was changed since it was opened.

        Raises
        ------
        BadInput
            With a sentence that says so.
        """
        if self._source is not None and state_of(self._source) != self._state:
            raise BadInput(
                f"{self.name} was changed while it was read, and nothing of it was stored; "
                f"import it when it is finished."
            )


def state_of(file: IO[bytes]) -> State:
    """Size of an open file and time of its last change."""
    found = os.fstat(file.fileno())
    return found.st_size, found.st_mtime_ns
