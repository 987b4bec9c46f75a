"""Tell whether a log is in our own format, so that nothing about it has to be found out."""

from collections.abc import Callable

import pyarrow as pa

from arcdrift.errors import BadInput
from arcdrift.intake.draft.headers.header_words import key_of
from arcdrift.intake.draft.headers.word_lists import WordLists
from arcdrift.intake.schema.kinds import Kind, recognize
from arcdrift.intake.text.log_text import LogText
from arcdrift.intake.text.raw_rows import RawRows, read_rows
from arcdrift.intake.typing.cells import numbers, text, trimmed
from arcdrift.intake.typing.local_times import is_iso

_HEAD_BYTES = 1 << 16
_ROWS = 200
_SHARE = 0.5
"""A column is written otherwise if more of its first values than this are."""
_DATE_LIKE = r"\d+\D+\d+"


def is_own_format(log: LogText, word_lists: Callable[[], WordLists]) -> bool:
    """Whether the headers of a log are our names, and its first values are written our way.

    A value that is no time or number in any way of writing does not count, nor does a word that
    no word list knows.

    Parameters
    ----------
    word_lists : callable
        Gives the words that are known; called only if a word is not ours.
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
    return not any(
        _has_foreign_words(rows, place, found, name, word_lists)
        for place, name in enumerate(names)
        if name in found.columns and found.allowed_words(name)
    )


def _has_foreign_words(
    rows: RawRows, place: int, kind: Kind, column: str, word_lists: Callable[[], WordLists]
) -> bool:
    """Whether a column holds words that word lists know and that are not ours."""
    written = text(trimmed(rows.cells.column(place))).dropna().str.casefold().unique()
    others = set(written) - set(kind.allowed_words(column))
    if not others:
        return False
    known = word_lists().meanings.get((kind.name, column), {})
    return any(key_of(word) in known for word in others)


def _cells(rows: RawRows, place: int) -> pa.ChunkedArray:
    return trimmed(rows.cells.column(place).slice(0, _ROWS))
