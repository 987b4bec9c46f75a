"""Draft a layout from the headers and values of a sample; what they cannot decide stays open."""

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cached_property
from typing import Literal

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from arcdrift.errors import BadInput
from arcdrift.intake.draft.date_formats import (
    TimeFormat,
    clock_format_of,
    serial_format_of,
    time_format_of,
)
from arcdrift.intake.draft.draft_toml import Column, Draft
from arcdrift.intake.draft.header_match import (
    Match,
    both_angles_header,
    guess_kind,
    match_headers,
    names_clock,
    names_date,
    time_headers,
)
from arcdrift.intake.draft.sample_table import Table, find_table
from arcdrift.intake.draft.value_formats import (
    Marks,
    distinct,
    is_numeric,
    marks_of,
    meanings_of,
    missing_words,
    pair_mark,
    sample_of,
    tail_of,
)
from arcdrift.intake.draft.word_lists import measures, named_and_unit, unit_named
from arcdrift.intake.layout.layouts import Encoding
from arcdrift.intake.schema.kinds import KINDS, Kind
from arcdrift.intake.typing.cells import numbers, part_of, trimmed
from arcdrift.intake.typing.whole_file_state import PercentageCounts
from arcdrift.quantities import QUANTITIES

Order = Literal["day first", "month first"]
_PLAIN_UNITS = ("", "count", "dB", "percent")
"""Units that logs need not name, as no other is in use."""
_SHOWN = 5
_ANGLES = ("cleave_left_deg", "cleave_right_deg")


@dataclass(frozen=True)
class _Sample:
    """The table of a sample, its kind, and the present time."""

    table: Table
    kind: Kind
    now: datetime

    @cached_property
    def _columns(self) -> dict[str, pa.ChunkedArray]:
        rows = self.table.rows
        return dict(zip(rows.header, rows.cells.columns, strict=True))

    def cells(self, header: str) -> pa.ChunkedArray:
        return sample_of(self._columns[header])

    def values(self, header: str) -> pd.Series:
        return distinct(self.cells(header))

    def numbers(self, column: str, header: str) -> tuple[pd.Series, str | None]:
        """Distinct numbers of a column, and the unit written after each of them."""
        values = self.values(header)
        tail = tail_of(values)
        if tail is None or not measures(column, unit_named(tail) or ""):
            return values, None
        return values.str.removesuffix(tail).str.strip(), tail


def draft_layout(
    content: bytes,
    name: str,
    *,
    now: datetime,
    kind: str | None = None,
    order: Order | None = None,
    time_zone: str | None = None,
    encoding: Encoding | None = None,
) -> Draft:
    """Draft a layout from a sample.

    Parameters
    ----------
    content : bytes
        Text of the sample as UTF-8.
    name : str
        File name for messages.
    now : aware datetime
        A format that puts many times into the future does not fit.
    kind : str, optional
        Kind of the file; default found from the headers.
    order : {'day first', 'month first'}, optional
        Which comes first in dates that fit both.
    time_zone : str, optional
        Time zone that the times are written in.
    encoding : str, optional
        Encoding that the layout is to state (`arcdrift.intake.text.log_text.LogText.encoding`).

    Raises
    ------
    BadInput
        When there is no table, no header is known, the kind is not clear, or no date can be read
        in the order asked for.
    """
    table = find_table(content, name)
    headers = table.headers
    of_kind = KINDS[kind] if kind is not None else guess_kind(headers, name)
    sample = _Sample(table, of_kind, now)
    found = _with_fitting_values(sample, match_headers(headers, of_kind))
    pair = _pair(sample, found)
    time, time_format = _time(sample, found)
    if order is not None:
        time_format = _with_order(time_format, order, name)
    marks = {
        column: marks_of(sample.numbers(column, match.header)[0])
        for column, match in found.items()
        if column in of_kind.numbers
    }
    angles = {} if pair is None else _angles(sample, *pair)
    decimal = _decimal_of_file([*marks.values(), *(mark for _, mark in angles.values())])
    columns = [
        _column(sample, column, match, marks.get(column), decimal)
        for column, match in found.items()
    ]
    columns += [_with_marks(column, mark, decimal) for column, mark in angles.values()]
    used = {column.header for column in columns} | set(time)
    return Draft(
        name=name,
        kind=of_kind,
        table=table,
        columns=tuple(columns),
        time=time,
        time_format=time_format,
        decimal=decimal,
        missing=_missing(sample, columns),
        unmatched=tuple(header for header in headers if header not in used),
        time_zone=time_zone,
        encoding=encoding,
    )


def _with_fitting_values(sample: _Sample, found: dict[str, Match]) -> dict[str, Match]:
    """Matches without those whose values do not fit the header."""
    return {
        column: match
        for column, match in found.items()
        if column not in sample.kind.numbers or is_numeric(sample.numbers(column, match.header)[0])
    }


def _pair(sample: _Sample, found: dict[str, Match]) -> tuple[str, str] | None:
    """Header of a column that holds both angles, and the mark between them."""
    if _ANGLES[0] not in sample.kind.columns or any(column in found for column in _ANGLES):
        return None
    matched = {match.header for match in found.values()}
    header = both_angles_header(h for h in sample.table.headers if h not in matched)
    mark = None if header is None else pair_mark(sample.values(header))
    return None if header is None or mark is None else (header, mark)


def _time(sample: _Sample, found: dict[str, Match]) -> tuple[tuple[str, ...], TimeFormat]:
    """Headers of the time, and its format."""
    matched = {match.header for match in found.values()}
    headers = [header for header in sample.table.headers if header not in matched]
    known = time_headers(headers, sample.kind)
    # a column may hold times although its header is no word for time
    likely = list(dict.fromkeys([*known, *headers]))
    seen = {header: time_format_of(sample.values(header), sample.now) for header in likely}
    for header in known:
        if not (seen[header].has_date or seen[header].has_clock):
            seen[header] = serial_format_of(sample.values(header))
    if any(names_date(header) and seen[header].has_date for header in known):
        for header in filter(names_clock, known):
            clock = clock_format_of(sample.values(header))
            seen[header] = clock if clock.has_clock else seen[header]
    whole = [header for header in likely if seen[header].has_date and seen[header].has_clock]
    if whole:
        return (whole[0],), seen[whole[0]]
    dates = [header for header in likely if seen[header].has_date]
    clocks = [header for header in known if seen[header].has_clock and header not in dates]
    if dates and clocks:
        both = (dates[0], clocks[0])
        joined = pc.binary_join_element_wise(*(sample.cells(header) for header in both), " ")
        return both, time_format_of(distinct(joined), sample.now)
    return (tuple(dates[:1]), seen[dates[0]]) if dates else ((), TimeFormat())


def _with_order(time_format: TimeFormat, order: Order, name: str) -> TimeFormat:
    """The time format with the order that was asked for."""
    if not time_format.choices:
        return time_format
    chosen = tuple(choice for choice in time_format.choices if choice.order == order)
    if not chosen:
        raise BadInput(
            f"The dates in {name}, such as {time_format.sample!r}, cannot be read {order}; they "
            f"are {time_format.choices[0].order}."
        )
    return replace(time_format, choices=chosen)


def _decimal_of_file(marks: Sequence[Marks]) -> str:
    """The decimal mark of most columns that decide it."""
    decided = Counter(mark.decimal for mark in marks if mark.decided)
    return "," if decided[","] > decided["."] else "."


def _column(
    sample: _Sample, column: str, match: Match, marks: Marks | None, decimal: str
) -> Column:
    quantity = QUANTITIES.get(column)
    unit = match.unit or sample.table.units.get(match.header)
    tail = None if quantity is None else sample.numbers(column, match.header)[1]
    if tail is not None:
        unit = unit_named(tail)
    if quantity is None or (unit is not None and not measures(column, unit)):
        unit = None
    has_sign = tail == "%" and quantity is not None and quantity.unit == "percent"
    is_open = not has_sign and quantity is not None and _may_be_fractions(sample, column, match)
    if is_open:
        unit = "fraction"
    comments = [match.guessed] if match.guessed else []
    if is_open:
        comments.append('all values are 0 to 1: "fraction", or "percent" if the air was that dry')
    if quantity is not None and unit is None and quantity.unit not in _PLAIN_UNITS:
        comments.append(f"taken for {quantity.symbol}: no unit is named")
    values: dict[str, str] = {}
    if sample.kind.allowed_words(column):
        values, unknown = meanings_of(sample.values(match.header), sample.kind, column)
        if unknown:
            shown = ", ".join(repr(word) for word in unknown[:_SHOWN])
            comments.append(f"not known: {shown}; say in values what they mean")
        if "redo" in values.values():
            comments.append("redo is a splice made again, error one that the splicer gave up")
    drafted = Column(
        column,
        match.header,
        unit=None if quantity is not None and unit == quantity.unit else unit,
        pattern=None if tail is None or has_sign else rf"(.*?)\s*{re.escape(tail)}",
        values=values,
        comment="; ".join(comments),
        is_unit_open=is_open,
    )
    return drafted if marks is None else _with_marks(drafted, marks, decimal)


def _may_be_fractions(sample: _Sample, column: str, match: Match) -> bool:
    """Whether percentages may be fractions of 1, as all values are between 0 and 1."""
    if QUANTITIES[column].unit != "percent":
        return False
    values = sample.numbers(column, match.header)[0]
    found = marks_of(values)
    cells = pa.chunked_array([pa.array(values, pa.string())])
    read = numbers(cells, found.decimal, found.thousands)
    counts = PercentageCounts()
    counts.add(column, read.values)
    return counts.fraction_column() is not None


def _with_marks(column: Column, marks: Marks, decimal: str) -> Column:
    """The column with the marks that differ from those of the file."""
    if marks.decided or marks.decimal == decimal:
        column_decimal = marks.decimal if marks.decimal != decimal else None
        return replace(column, decimal=column_decimal, thousands=marks.thousands)
    if marks.mark is not None:
        # the mark is not the decimal sign of this file, so it stands for thousands
        return replace(column, thousands=marks.mark)
    return column


def _angles(sample: _Sample, header: str, mark: str) -> dict[str, tuple[Column, Marks]]:
    """Columns of both angles in one cell, each with its decimal and thousands marks."""
    unit = named_and_unit(header)[1] or sample.table.units.get(header)
    unit = unit if unit is not None and measures(_ANGLES[0], unit) else None
    cells = sample.cells(header)
    found = {}
    for part, column in enumerate(_ANGLES, 1):
        values = distinct(trimmed(part_of(cells, mark, part, 2)[0]))
        drafted = Column(
            column,
            header,
            unit=None if unit == "degree" else unit,
            split=mark,
            part=part,
            comment="taken for °: no unit is named" if unit is None else "",
        )
        found[column] = (drafted, marks_of(values))
    return found


def _missing(sample: _Sample, columns: Iterable[Column]) -> tuple[str, ...]:
    """Words for no value in the columns of numbers."""
    numbers = (column.header for column in columns if column.ours in sample.kind.numbers)
    words = (word for header in numbers for word in missing_words(sample.cells(header)))
    return tuple(sorted(set(words)))
