"""The beginning of a file as the layouts that may fit it would have it read."""

import zlib
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

from arcdrift.errors import BadInput
from arcdrift.intake.containers.archives import is_zip
from arcdrift.intake.containers.files import GZIP_MARK, PARQUET_MARK, open_log
from arcdrift.intake.layout.layout_rows import first_whole_lines
from arcdrift.intake.layout.layouts import Layout
from arcdrift.intake.text.encodings import utf8
from arcdrift.intake.text.export_columns import is_export

_START_BYTES = 1 << 20
"""Bytes of a file that hold its header and the lines before it."""


@dataclass(frozen=True)
class FileStart:
    """The beginning of a file, which is read once in each way that a layout asks for.

    Attributes
    ----------
    path : Path
        The file.
    name : str
        Its own name, where `path` is a temporary copy.
    sheet : str, optional
        Sheet of a workbook.
    """

    path: Path
    name: str
    sheet: str | None = None
    _texts: dict[tuple[str | None, ...], bytes | None] = field(
        default_factory=dict, init=False, repr=False
    )

    def text_under(self, layout: Layout) -> bytes | None:
        """Its text as UTF-8; None if it cannot be read, or not be decoded with a layout."""
        start = self._start
        if start is None:
            return None
        is_table = is_zip(start[:4]) or start.startswith(PARQUET_MARK)
        how = (layout.separator, layout.decimal) if is_table else (layout.encoding,)
        if how not in self._texts:
            try:
                text = self._table_text(layout) if is_table else self._decoded(start, layout)
            except (OSError, BadInput):
                text = None
            self._texts[how] = text
        return self._texts[how]

    @cached_property
    def _start(self) -> bytes | None:
        """The first bytes of the file, unpacked; None if it cannot be read."""
        try:
            with self.path.open("rb") as file:
                start = file.read(_START_BYTES)
            if start.startswith(GZIP_MARK):
                return zlib.decompressobj(wbits=31).decompress(start, _START_BYTES)
        except (OSError, zlib.error):
            return None
        return start

    def _table_text(self, layout: Layout) -> bytes:
        with open_log(
            self.path,
            self.name,
            sheet=self.sheet,
            delimiter=layout.separator,
            decimal=layout.decimal,
        ) as text:
            return first_whole_lines(text.read(0, text.size))

    def _decoded(self, start: bytes, layout: Layout) -> bytes:
        if len(start) == _START_BYTES:
            # a UTF-16 text must not be cut within a character, nor any text within a line
            last = max(start.rfind(b"\n"), start.rfind(b"\r"))
            start = start[: (last + 2) & ~1]
        return utf8(start, self.name, None if is_export(start) else layout.encoding)
