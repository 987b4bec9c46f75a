"""Divide the text of a log into rows, whole or chunk by chunk, the way its layout says."""

from dataclasses import dataclass

from arcdrift.errors import BadInput
from arcdrift.intake.bulletins.report_rows import REPORT_HEADER, report_rows
from arcdrift.intake.layout.layout_rows import (
    SEARCHED_LINES,
    first_lines,
    lines_before_header,
    without_skipped_rows,
)
from arcdrift.intake.layout.layouts import Layout
from arcdrift.intake.schema.kinds import READINGS, Kind, recognize
from arcdrift.intake.text.raw_rows import NeedMore, RawRows, read_on, read_rows


@dataclass(frozen=True)
class LogReader:
    """How one log is to be read.

    Attributes
    ----------
    name : str
        File name for messages.
    kind : str, optional
        The kind of file that was asked for.
    layout : Layout, optional
        How a file with other headers than ours is to be read.
    """

    name: str
    kind: str | None = None
    layout: Layout | None = None
    bulletin: bool = False
    """Whether it is a text of METAR and SPECI reports and no table."""

    def divide(self, content: bytes, head: RawRows | None = None, more: bool = False) -> RawRows:
        """Divide a chunk of the text into rows.

        Parameters
        ----------
        content : bytes
            UTF-8 text.
        head : RawRows, optional
            The rows of the chunk before, with or without its cells; None for the first chunk.
        more : bool
            Whether more text follows. Lines that it might change are left to the next chunk.

        Raises
        ------
        BadInput
            When the header is not found or cannot be used, or is not that of the layout, or the
            layout is undecided.
        NeedMore
            When the first chunk ends before its rows begin.
        """
        if self.bulletin:
            return report_rows(content, self.name)
        layout = self.layout
        kept_back = None if not more else 0 if layout is None else layout.skip_footer
        if head is not None:
            rows = read_on(content, head, more=kept_back)
        elif layout is None:
            rows = read_rows(content, self.name, more=kept_back)
        else:
            if more and layout.header_starts_with is not None:
                if sum(1 for _ in first_lines(content)) < SEARCHED_LINES:
                    raise NeedMore
            rows = read_rows(
                content,
                self.name,
                delimiter=layout.separator,
                skip_lines=lines_before_header(content, layout, self.name),
                header_lines=layout.header_lines,
                skip_after_header=layout.skip_after_header,
                more=kept_back,
            )
            layout.check_headers(rows.header, self.name)
        if layout is None:
            return rows
        return without_skipped_rows(rows, layout, footer=0 if more else layout.skip_footer)

    def kind_of(self, header: tuple[str, ...]) -> Kind:
        """Find the kind of the file from its header.

        Raises
        ------
        BadInput
            When the header fits no kind, or another than the one asked for.
        """
        if self.layout is None and header == REPORT_HEADER:
            if self.kind not in (None, READINGS.name):
                raise BadInput(f"{self.name} holds weather reports, which are {READINGS.name}.")
            return READINGS
        if self.layout is None:
            return recognize([name.lower() for name in header if name], self.name, self.kind)
        kind: Kind = self.layout.kind_
        if self.kind is not None and self.kind != kind.name:
            raise BadInput(
                f"The layout {self.layout.name} is for {kind.name}, not for {self.kind} as asked."
            )
        return kind
