"""Convert raw rows to a typed frame with our columns, and collect every problem."""

from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from arcdrift.arrays import Bools, Floats
from arcdrift.intake.bulletins.report_columns import report_columns
from arcdrift.intake.bulletins.report_rows import REPORT_HEADER
from arcdrift.intake.layout.layouts import Layout
from arcdrift.intake.schema.kinds import Kind
from arcdrift.intake.schema.problems import Problems
from arcdrift.intake.schema.units import to_stored
from arcdrift.intake.text.raw_rows import RawRows
from arcdrift.intake.typing.cells import (
    joined_times,
    mapped,
    matched,
    numbers,
    part_of,
    text,
    trimmed,
    without_less_than,
    without_percent_signs,
)
from arcdrift.intake.typing.doubtful_files import refuse_doubtful_file
from arcdrift.intake.typing.local_times import TimeRules, coded, read_times
from arcdrift.intake.typing.whole_file_state import WholeFileState
from arcdrift.quantities import QUANTITIES
from arcdrift.settings import Crew

_WITH_PERCENT_SIGN = ("percent", "")
"""Units of quantities whose cells may end with a percent sign; "" is the splicer's own unit."""
_SCALED_DIGITS = 9
"""Decimals that scaling keeps; the others are rounding noise."""


CENSORED = {"loss_db": "loss_below_db"}
"""Columns whose value may only be known to be below a limit, and the column of that limit.

The value stored is then half of the limit."""


@dataclass(frozen=True)
class Typed:
    """The rows of a file, typed.

    Attributes
    ----------
    frame : DataFrame
        All columns of the kind, one row per raw row; cells with a problem are missing.
    stated_columns : tuple of str
        The columns that the file or its layout has.
    problems : Problems
        Problems by row.
    to_the_second : bool
        Whether the file's times have seconds.
    dates_alone : bool
        Whether no time of the rows so far has a time of day.
    """

    frame: pd.DataFrame
    stated_columns: tuple[str, ...]
    problems: Problems
    to_the_second: bool
    dates_alone: bool = False


def convert(
    rows: RawRows,
    kind: Kind,
    layout: Layout | None,
    crew: Crew,
    *,
    now: datetime,
    file: str,
    state: WholeFileState | None = None,
    days_from_1904: bool = False,
) -> Typed:
    """Type the rows of a file and check them against the schema of its kind.

    Parameters
    ----------
    state : WholeFileState, optional
        Given when the rows are one of several chunks of the file: what only all of it can tell
        is added there, and `refuse_doubtful_file` is left to the caller.
    days_from_1904 : bool
        Whether day numbers in place of dates count from 1904.

    Raises
    ------
    BadInput
        When a time zone is missing, or by `refuse_doubtful_file`.
    """
    problems = Problems(rows.cells.num_rows)
    cells = _our_columns(rows, kind, layout, problems)
    censored = _without_less_than(cells)
    values: dict[str, pd.Series] = {}
    counts = WholeFileState() if state is None else state
    without_unit: dict[str, Floats] = {}
    for name in kind.numbers:
        values[name] = _numbers(cells.get(name), name, layout, problems, without_unit)
    for name, signed in censored.items():
        limits = values[name].where(signed)
        values[CENSORED[name]] = limits.fillna(values[CENSORED[name]])
        values[name] = values[name].mask(signed, limits / 2)
    for name in kind.texts:
        values[name] = _text(cells.get(name), name, kind, problems)
    site = values.get("site", pd.Series(pd.NA, index=values[kind.owner_column].index, dtype="str"))
    order_columns = [
        values[name] for name in ("site", "splicer", "station", "source") if name in values
    ]
    rules = TimeRules(
        file=file,
        crew=crew,
        now=now,
        zone=None if layout is None else "UTC" if layout.utc else layout.time_zone,
        time_format=None if layout is None else layout.time_format,
        months=() if layout is None else layout.months,
        days_from_1904=days_from_1904,
        dates_alone=kind.name == "service",
        evidence=None if state is None else state.evidence,
    )
    times = read_times(
        cells[kind.time_column],
        kind.time_column,
        problems,
        rules,
        site=site,
        owner=values[kind.owner_column],
        group=values[kind.owner_column] if kind.name != "readings" else _together(order_columns),
        order=next((values[n] for n in ("splice_number", "arc_count") if n in cells), None),
    )
    values[kind.time_column] = times.utc
    frame = pd.DataFrame({name: values[name] for name in kind.columns})
    failures = list(kind.failures(frame))
    if not counts.chunk_must_wait:
        counts.bounds.add(frame, kind.numbers, failures)
        for name, numbers_read in without_unit.items():
            counts.percentages.add(name, numbers_read)
        if not counts.clocks.has_clock:
            counts.clocks.add(times.written)
    if state is None:
        refuse_doubtful_file(counts, kind, file)
    _add_failures(failures, frame, kind, problems)
    return Typed(
        frame, tuple(cells), problems, times.to_the_second, dates_alone=not counts.clocks.has_clock
    )


def _without_less_than(cells: dict[str, pa.ChunkedArray]) -> dict[str, Bools]:
    """Take "less than" from the cells of columns that may be censored; return where it stood.

    A file that has such a column states the limits too, as all its numbers are none.
    """
    censored = {}
    for name, limit in CENSORED.items():
        if name in cells:
            cells[name], signed = without_less_than(cells[name])
            cells.setdefault(limit, pa.chunked_array([pa.nulls(len(signed), pa.string())]))
            if signed.any():
                censored[name] = signed
    return censored


def _our_columns(
    rows: RawRows, kind: Kind, layout: Layout | None, problems: Problems
) -> dict[str, pa.ChunkedArray]:
    """Trimmed cells by our column names."""
    if layout is None and rows.header == REPORT_HEADER:
        return report_columns(rows.cells.column(0).to_pylist(), problems)
    by_header = dict(zip(rows.header, rows.cells.columns, strict=True))
    if layout is None:
        return {name.lower(): trimmed(column) for name, column in by_header.items() if name}
    cells = {}
    for name, column in layout.columns.items():
        parts = [trimmed(by_header[header], layout.missing) for header in column.headers]
        value = _single_value(_joined(parts, name, kind), name, layout, problems)
        cells[name] = mapped(value, column.values)
    for name, value in layout.fixed.items():
        cells[name] = pa.chunked_array([pa.repeat(str(value), rows.cells.num_rows)])
    return {name: cells[name] for name in kind.columns if name in cells}


def _single_value(
    cells: pa.ChunkedArray, name: str, layout: Layout, problems: Problems
) -> pa.ChunkedArray:
    """The value out of cells that hold several values, or other text around it."""
    column = layout.columns[name]
    if column.split is not None and column.part is not None:
        values, failed = part_of(cells, column.split, column.part, layout.parts_of(name))
    elif column.pattern is not None:
        values, failed = matched(cells, column.pattern)
    else:
        return cells
    if failed.any():
        problems.add("cell-not-parted", name, failed, text(cells))
    return trimmed(values, layout.missing)


def _joined(parts: list[pa.ChunkedArray], name: str, kind: Kind) -> pa.ChunkedArray:
    if len(parts) == 1:
        return parts[0]
    if name == kind.time_column and len(parts) == 2:
        return joined_times(*parts)
    return pc.binary_join_element_wise(*parts, " ")  # null if any part is null


def _numbers(
    cells: pa.ChunkedArray | None,
    name: str,
    layout: Layout | None,
    problems: Problems,
    without_unit: dict[str, Floats],
) -> pd.Series:
    """Numbers of one column in our unit; percentages whose unit nothing states are added."""
    if cells is None:
        return pd.Series(np.nan, index=range(len(problems.bad)), dtype="float64")
    unit = QUANTITIES[name].unit
    bare, signed = cells, np.zeros(len(cells), bool)
    if unit in _WITH_PERCENT_SIGN:
        bare, signed = without_percent_signs(cells)
    read = (
        numbers(bare)
        if layout is None
        else numbers(bare, layout.decimal_of(name), layout.thousands_of(name))
    )
    if read.unreadable.any() or read.separated.any():
        shown = text(cells)
        problems.add("number-unreadable", name, read.unreadable, shown)
        problems.add("number-separator", name, read.separated, shown)
    column = layout.columns.get(name) if layout is not None else None
    if column is not None and column.scale != 1.0:
        scaled = np.multiply(read.values, column.scale)
        read = replace(read, values=np.asarray(scaled.round(_SCALED_DIGITS), dtype=np.float64))
    if column is not None and column.unit is not None:
        # a sign in the cell goes before the unit of the column
        converted = to_stored(read.values, column.unit, name)
        return pd.Series(np.where(signed, read.values, converted))
    if unit == "percent" and not (layout is not None and name in layout.fixed):
        without_unit[name] = np.where(signed, np.nan, read.values)
    return pd.Series(read.values)


def _text(cells: pa.ChunkedArray | None, name: str, kind: Kind, problems: Problems) -> pd.Series:
    if cells is None:
        values = pd.Series(pd.NA, index=range(len(problems.bad)), dtype="str")
    elif kind.allowed_words(name):
        values = text(pc.utf8_lower(cells))
    else:
        values = text(cells)
    default = kind.schema.columns[name].default
    return values if default is None else values.fillna(default)


def _together(columns: list[pd.Series]) -> pd.Series:
    """One text for each combination of values, the same in every chunk of a file."""
    code, first = coded(*columns)
    parts = [column.iloc[first].fillna("\0").tolist() for column in columns]
    names = pd.array(["\n".join(values) for values in zip(*parts, strict=True)], dtype="str")
    return pd.Series(names[code], index=columns[0].index)


def _add_failures(
    failures: list[tuple[str, str, Bools]], frame: pd.DataFrame, kind: Kind, problems: Problems
) -> None:
    for code, name, where in failures:
        fresh = where & ~problems.in_column(name)
        shown = None if code.endswith("-missing") else frame[name]
        problems.add(code, name, fresh, shown, kind.allowed_words(name))
