"""Tell whether a log is in our own format, so that nothing about it has to be found out."""

import pyarrow as pa

from arcdrift.errors import BadInput
from arcdrift.intake.schema.kinds import recognize
from arcdrift.intake.text.log_text import LogText
from arcdrift.intake.text.raw_rows import RawRows, read_rows
from arcdrift.intake.typing.cells import numbers, text, trimmed
from arcdrift.intake.typing.local_times import is_iso

_HEAD_BYTES = 1 << 16
_ROWS = 200
_SHARE = 0.5
"""A column is written otherwise if more of its first values than this are."""
_DATE_LIKE = r"\d+\D+\d+"


def is_own_format(log: LogText) -> bool:
    """Whether the headers of a log are our names, and its first values are written our way.

    A value that is no time or number in any way of writing does not count.
    """
    try:
        rows = read_rows(log.whole_lines(_HEAD_BYTES), log.name)
        names = [name.lower() for name in rows.header]
        found = recognize([name for name in names if name], log.name)
    except BadInput:
        return False
    times = text(_cells(rows, names.index(found.time_column))).dropna()
    if not times.empty and (~is_iso(times) & times.str.contains(_DATE_LIKE)).mean() > _SHARE:
        return False
    for place, name in enumerate(names):
        if name in found.numbers:
            values = text(_cells(rows, place))
            read = numbers(_cells(rows, place))
            otherwise = (read.unreadable | read.separated) & values.str.contains(r"\d", na=False)
            if otherwise.sum() > _SHARE * values.notna().sum():
                return False
    return True


def _cells(rows: RawRows, place: int) -> pa.ChunkedArray:
    return trimmed(rows.cells.column(place).slice(0, _ROWS))
