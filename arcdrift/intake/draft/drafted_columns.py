"""Draft the columns of a layout: their units, marks, words, and which of two numbers in a cell."""

from collections.abc import Mapping
from dataclasses import replace

import pandas as pd

from arcdrift.arrays import Floats
from arcdrift.intake.draft.draft_toml import Column
from arcdrift.intake.draft.headers.header_match import Match, both_angles_header
from arcdrift.intake.draft.headers.word_lists import fitting_unit
from arcdrift.intake.draft.questions import Question
from arcdrift.intake.draft.sample import Sample
from arcdrift.intake.draft.values.cell_words import Meanings, meanings_of
from arcdrift.intake.draft.values.decimal_marks import decimal_of_file, settled_marks
from arcdrift.intake.draft.values.units import UnitHints, unnamed_unit
from arcdrift.intake.draft.values.value_formats import Marks, distinct, marks_of, pair_mark
from arcdrift.intake.layout.layouts import Decimal
from arcdrift.intake.typing.cells import as_cells, numbers, part_of, trimmed
from arcdrift.quantities import QUANTITIES

_ANGLES = ("cleave_left_deg", "cleave_right_deg")


def angle_pair(sample: Sample, found: Mapping[str, Match]) -> tuple[str, str] | None:
    """Header of a column that holds both angles, and the mark between them."""
    if _ANGLES[0] not in sample.kind.columns or any(column in found for column in _ANGLES):
        return None
    matched = {match.header for match in found.values()}
    free = (header for header in sample.headers if header not in matched)
    header = both_angles_header(free, sample.words)
    mark = None if header is None else pair_mark(sample.values(header))
    return None if header is None or mark is None else (header, mark)


def draft_columns(
    sample: Sample,
    found: Mapping[str, Match],
    pair: tuple[str, str] | None,
    *,
    english: bool,
    month_first: bool,
) -> tuple[list[Column], Decimal, list[Question]]:
    """The columns of the draft, the decimal mark of the file, and what is to be asked."""
    questions: list[Question] = []
    cells = {
        column: sample.numbers(column, match.header)
        for column, match in found.items()
        if column in sample.kind.numbers
    }
    values = {column: numbered.distinct for column, numbered in cells.items()}
    units = {column: _unit(sample, column, found[column], cells[column].unit) for column in cells}
    angles = {} if pair is None else _angles(sample, *pair)
    values |= {column: part for column, (_, part) in angles.items()}
    units |= {column: drafted.unit for column, (drafted, _) in angles.items()}
    marks = {column: numbered.marks for column, numbered in cells.items()}
    marks |= {column: marks_of(part) for column, (_, part) in angles.items()}
    raw = list(marks.values())
    for column in marks:
        marks[column], question = settled_marks(
            column, values[column], marks[column], units[column], raw, sample.answers
        )
        questions += [] if question is None else [question]
    decimal = decimal_of_file(marks.values())
    named = frozenset(unit for unit in units.values() if unit is not None)
    hints = UnitHints(english, named, sample.crew_zone, month_first)
    columns: list[Column] = []
    for column, match in found.items():
        drafted = Column(column, match.header, comment=match.guessed)
        if column in cells:
            drafted = replace(drafted, pattern=cells[column].pattern)
        elif sample.kind.allowed_words(column):
            meanings = _meanings(sample, column, match.header)
            questions += meanings.questions
            unknown = ", ".join(repr(word) for word in meanings.unknown[:5])
            comment = f"not known: {unknown}" if unknown else ""
            drafted = replace(drafted, values=meanings.values, comment=comment)
            if meanings.reasons and "error_reason" not in found:
                columns.append(_reasons_in_outcomes(sample, match.header, meanings))
        columns.append(drafted)
    columns += [drafted for drafted, _ in angles.values()]
    for place, drafted in enumerate(columns):
        column = drafted.ours
        if column not in marks:
            continue
        unit, question = _settled_unit(
            sample,
            column,
            drafted.header,
            units[column],
            _floats(values[column], marks[column]),
            hints,
            signed=column in cells and cells[column].unit is not None,
        )
        questions += [] if question is None else [question]
        answered = f"columns.{column}.unit" in sample.answers
        columns[place] = replace(
            _with_marks(drafted, marks[column], decimal),
            unit=None if unit == QUANTITIES[column].unit and not answered else unit,
        )
    return columns, decimal, questions


def _unit(sample: Sample, column: str, match: Match, behind: str | None) -> str | None:
    """Unit that stands behind the numbers, in the header, or in the line of units."""
    unit = behind or match.unit
    for name in sample.names(match.header):
        unit = unit or sample.words.named_and_unit(name)[1]
    return fitting_unit(column, unit or sample.table.units.get(match.header))


def _settled_unit(
    sample: Sample,
    column: str,
    header: str,
    unit: str | None,
    values: Floats,
    hints: UnitHints,
    *,
    signed: bool,
) -> tuple[str | None, Question | None]:
    """The unit of a column, and what is to be asked about it; `signed` if cells name the unit."""
    answer = sample.answers.get(f"columns.{column}.unit")
    if answer is not None:
        return answer, None
    if QUANTITIES[column].unit == "percent" and unit in (None, "percent"):
        decided = signed
    else:
        # one of our own names carries its unit
        decided = unit is not None or header.casefold() == column
    if decided:
        return unit, None
    return unnamed_unit(column, header, values, hints, named=unit)


def _floats(values: pd.Series, marks: Marks) -> Floats:
    read = numbers(as_cells(values), marks.decimal, marks.thousands)
    return read.values  # noqa: PD011


def _with_marks(column: Column, marks: Marks, decimal: str) -> Column:
    """The column with the marks that differ from those of the file."""
    own = marks.decimal if marks.decided and marks.decimal != decimal else None
    return replace(column, decimal=own, thousands=marks.thousands)


def _meanings(sample: Sample, column: str, header: str) -> Meanings:
    return meanings_of(
        sample.values(header),
        sample.counts(header),
        sample.kind,
        column,
        header,
        sample.words,
        sample.answers,
    )


def _reasons_in_outcomes(sample: Sample, header: str, meanings: Meanings) -> Column:
    """Column of reasons from outcomes that say why a splice failed, without the other words."""
    others = {word: "" for word in sample.values(header) if word not in meanings.reasons}
    return Column("error_reason", header, values=others)


def _angles(sample: Sample, header: str, mark: str) -> dict[str, tuple[Column, pd.Series]]:
    """Columns of both angles in one cell, each with its distinct numbers."""
    named = sample.words.named_and_unit(header)[1] or sample.table.units.get(header)
    unit = fitting_unit(_ANGLES[0], named)
    cells = sample.cells(header)
    found = {}
    for part, column in enumerate(_ANGLES, 1):
        values = distinct(trimmed(part_of(cells, mark, part, 2)[0]), sample.words.no_value)
        found[column] = (Column(column, header, unit=unit, split=mark, part=part), values)
    return found
