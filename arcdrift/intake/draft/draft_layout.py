"""Draft a layout from the headers and values of a sample; what they cannot decide stays open."""

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime

import pandas as pd

from arcdrift.arrays import Floats
from arcdrift.errors import BadInput
from arcdrift.intake.draft.draft_toml import Column, Draft
from arcdrift.intake.draft.headers.header_match import (
    NAMEABLE,
    Match,
    both_angles_header,
    guess_kind,
    match_headers,
)
from arcdrift.intake.draft.headers.header_words import key_of
from arcdrift.intake.draft.headers.time_headers import Order, stated_order
from arcdrift.intake.draft.headers.word_lists import (
    IF_NO_OTHER,
    WordLists,
    load_words,
    measures,
)
from arcdrift.intake.draft.preamble import name_for_all_rows
from arcdrift.intake.draft.questions import Option, Question
from arcdrift.intake.draft.sample import Sample
from arcdrift.intake.draft.sample_table import find_table
from arcdrift.intake.draft.time_columns import (
    ZONE_KEY,
    TimeColumns,
    known_time,
    time_zone,
    unnamed_time,
    values_in_order,
)
from arcdrift.intake.draft.values.cell_words import Meanings, meanings_of
from arcdrift.intake.draft.values.date_formats import TimeFormat
from arcdrift.intake.draft.values.date_order import DateHints, settled_order
from arcdrift.intake.draft.values.decimal_marks import decimal_of_file, settled_marks
from arcdrift.intake.draft.values.units import UnitHints, is_us_zone, unnamed_unit
from arcdrift.intake.draft.values.value_formats import (
    Marks,
    distinct,
    is_numeric,
    marks_of,
    missing_words,
    pair_mark,
)
from arcdrift.intake.layout.layouts import Decimal, Encoding
from arcdrift.intake.schema.kinds import KINDS
from arcdrift.intake.typing.cells import as_cells, numbers, part_of, trimmed
from arcdrift.quantities import QUANTITIES
from arcdrift.settings import Crew

ORDER_KEY = "time_format"
"""Key of the answer about the order of dates: ``day first`` or ``month first``."""
_ANGLES = ("cleave_left_deg", "cleave_right_deg")
_STATION = re.compile(r"[A-Z]{4}|[0-9]{5}")
_ENGLISH = "English"
_LANGUAGES = ("German", "French", "Spanish", "Portuguese", "Italian")


def draft_layout(
    content: bytes,
    name: str,
    *,
    now: datetime,
    kind: str | None = None,
    order: Order | None = None,
    zone: str | None = None,
    encoding: Encoding | None = None,
    words: WordLists | None = None,
    answers: Mapping[str, str] | None = None,
    crew: Crew | None = None,
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
    zone : str, optional
        Time zone that the times are written in.
    encoding : str, optional
        Encoding that the layout is to state (`arcdrift.intake.text.log_text.LogText.encoding`).
    words : WordLists, optional
        Words of headers and cells; default those of the package.
    answers : dict of str to str, optional
        Answers to questions of a draft before, by their keys.
    crew : Crew, optional
        The crew, for its names and its time zone.

    Raises
    ------
    BadInput
        When there is no table, no header is known, the kind is not clear, or no date can be read
        in the order asked for.
    """
    words = words or load_words()
    answers = dict(answers or {})
    if order is not None:
        answers[ORDER_KEY] = order
    if zone is not None:
        answers[ZONE_KEY] = zone
    table = find_table(content, name, words)
    of_kind = KINDS[kind] if kind else guess_kind(table.headers, name, words)
    sample = Sample(table, of_kind, words, now, answers, crew)
    time = known_time(sample)
    found = _matches(sample, time.headers)
    pair = _pair(sample, found)
    taken = {match.header for match in found.values()} | set(() if pair is None else pair[:1])
    if not time.headers:
        time = unnamed_time(sample, [header for header in sample.headers if header not in taken])
    language = _language(sample, [*taken, *time.headers])
    questions = [*time.questions, *_match_questions(sample, found)]
    columns, decimal, of_columns = _columns(sample, found, pair, english=language == _ENGLISH)
    questions += of_columns
    time_format = _time_format(sample, time, columns, decimal, language, name)
    stated, zone_question = time_zone(sample, time)
    questions += [] if zone_question is None else [zone_question]
    fixed, of_names = _fixed(sample, found, columns)
    questions += of_names
    used = {column.header for column in columns} | set(time.headers)
    unmatched = tuple(header for header in sample.headers if header not in used)
    draft = Draft(
        name=name,
        kind=of_kind,
        table=table,
        columns=tuple(columns),
        time=time.headers,
        time_format=time_format,
        decimal=decimal,
        missing=_missing(sample, columns),
        unmatched=unmatched,
        fixed=fixed,
        language=language,
        time_zone=stated,
        encoding=encoding,
        questions=(),
    )
    if draft.open_orders:
        questions.append(_order_question(draft))
    questions += _absent_questions(draft, questions)
    return replace(draft, questions=tuple(questions))


def _matches(sample: Sample, time: Sequence[str]) -> dict[str, Match]:
    """The header of each column, where its values fit."""

    def fits(column: str, header: str) -> bool:
        if column in sample.kind.numbers:
            return is_numeric(sample.numbers(column, header).distinct)
        if column == "station":
            return _are_stations(sample, header)
        if not sample.kind.allowed_words(column):
            return True
        names = (header, *sample.table.aliases.get(header, ()))
        if max(sample.words.fit(name, column) for name in names) > IF_NO_OTHER:
            return True
        known = sample.words.meanings.get((sample.kind.name, column), {})
        values = sample.values(header)
        return not values.empty and values.map(lambda value: key_of(value) in known).mean() >= 0.5

    chosen = {
        key.removeprefix("columns."): header
        for key, header in sample.answers.items()
        if key.startswith("columns.") and key.count(".") == 1
    }
    chosen.pop(sample.kind.time_column, None)
    return match_headers(
        sample.headers,
        sample.kind,
        sample.words,
        aliases=sample.table.aliases,
        fits=fits,
        time=time,
        chosen=chosen,
    )


def _are_stations(sample: Sample, header: str) -> bool:
    """Whether a column holds weather stations: those of the crew, or four letters or five digits.

    Else a station is a site of the crew.
    """
    known = () if sample.crew is None else sample.crew.stations
    return all(name in known or _STATION.fullmatch(name) for name in sample.values(header))


def _match_questions(sample: Sample, found: Mapping[str, Match]) -> list[Question]:
    """What is to be asked about headers that are guesses, or of which several fit."""
    questions = []
    for column, match in found.items():
        key = f"columns.{column}"
        if match.rivals:
            headers = (match.header, *match.rivals)
            named = " and ".join(repr(header) for header in headers)
            options = tuple(Option(header, header) for header in headers)
            questions.append(Question(key, f"{named} may both be {column}; which is it?", options))
        elif match.guessed:
            options = (
                Option(match.header, f"yes, it is {column}"),
                Option("", "no, leave it out"),
            )
            text = f"Is the column {match.header!r} our {column} ({match.guessed})?"
            questions.append(Question(key, text, options))
    return questions


def _pair(sample: Sample, found: Mapping[str, Match]) -> tuple[str, str] | None:
    """Header of a column that holds both angles, and the mark between them."""
    if _ANGLES[0] not in sample.kind.columns or any(column in found for column in _ANGLES):
        return None
    matched = {match.header for match in found.values()}
    free = (header for header in sample.headers if header not in matched)
    header = both_angles_header(free, sample.words)
    mark = None if header is None else pair_mark(sample.values(header))
    return None if header is None or mark is None else (header, mark)


def _language(sample: Sample, headers: Sequence[str]) -> str:
    """Language of most headers; English if none is ahead of it."""
    counts: Counter[str] = Counter()
    for header in headers:
        names = (
            header,
            sample.words.named_and_unit(header)[0],
            *sample.table.aliases.get(header, ()),
        )
        counts.update(set().union(*(sample.words.languages(name) for name in names)))
    best = max(_LANGUAGES, key=lambda language: counts[language])
    return best if counts[best] > counts[_ENGLISH] else _ENGLISH


def _columns(
    sample: Sample, found: Mapping[str, Match], pair: tuple[str, str] | None, *, english: bool
) -> tuple[list[Column], Decimal, list[Question]]:
    """The columns of the draft, the decimal mark of the file, and what is to be asked."""
    questions: list[Question] = []
    cells = {
        column: sample.numbers(column, match.header)
        for column, match in found.items()
        if column in sample.kind.numbers
    }
    values = {column: found_cells.distinct for column, found_cells in cells.items()}
    units = {column: _unit(sample, column, found[column], cells[column].unit) for column in cells}
    angles = {} if pair is None else _angles(sample, *pair)
    values |= {column: part for column, (_, part) in angles.items()}
    units |= {column: drafted.unit for column, (drafted, _) in angles.items()}
    marks = {column: marks_of(part) for column, part in values.items()}
    raw = list(marks.values())
    for column in marks:
        marks[column], question = settled_marks(
            column, values[column], marks[column], units[column], raw, sample.answers
        )
        questions += [] if question is None else [question]
    decimal = decimal_of_file(marks.values())
    named = frozenset(unit for unit in units.values() if unit is not None)
    hints = UnitHints(english, named, sample.crew_zone)
    columns: list[Column] = []
    for column, match in found.items():
        drafted = Column(column, match.header, comment=match.guessed)
        if column in cells:
            drafted = replace(drafted, pattern=cells[column].pattern)
        elif sample.kind.allowed_words(column):
            meanings = _meanings(sample, column, match.header)
            questions += meanings.questions
            comment = ", ".join(repr(word) for word in meanings.unknown[:5])
            drafted = replace(
                drafted, values=meanings.values, comment=f"not known: {comment}" if comment else ""
            )
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
    for name in (match.header, *sample.table.aliases.get(match.header, ())):
        unit = unit or sample.words.named_and_unit(name)[1]
    unit = unit or sample.table.units.get(match.header)
    return unit if unit is not None and measures(column, unit) else None


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
    is_percent = QUANTITIES[column].unit == "percent" and unit in (None, "percent")
    if is_percent and signed:
        return unit, None
    if unit is not None and not is_percent:
        return unit, None
    if header.casefold() == column and not is_percent:
        return unit, None  # one of our own names carries its unit
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


def _angles(sample: Sample, header: str, mark: str) -> dict[str, tuple[Column, pd.Series]]:
    """Columns of both angles in one cell, each with its distinct numbers."""
    unit = sample.words.named_and_unit(header)[1] or sample.table.units.get(header)
    unit = unit if unit is not None and measures(_ANGLES[0], unit) else None
    cells = sample.cells(header)
    found = {}
    for part, column in enumerate(_ANGLES, 1):
        values = distinct(trimmed(part_of(cells, mark, part, 2)[0]), sample.words.no_value)
        found[column] = (Column(column, header, unit=unit, split=mark, part=part), values)
    return found


def _time_format(
    sample: Sample,
    time: TimeColumns,
    columns: Sequence[Column],
    decimal: str,
    language: str,
    name: str,
) -> TimeFormat:
    """The format of the time, with the order of its dates if anything decides it."""
    order = sample.answers.get(ORDER_KEY)
    if order is not None:
        return _with_order(time.time_format, order, name)
    if len(time.time_format.choices) < 2:
        return time.time_format
    english = language == _ENGLISH
    units = frozenset(column.unit for column in columns if column.unit is not None)
    orders = [found for header in time.headers if (found := stated_order(header)) is not None]
    hints = DateHints(
        stated=orders[0] if orders else None,
        english=english,
        decimal_comma=decimal == ",",
        customary=UnitHints(english, units, None).customary,
        us_zone=is_us_zone(sample.crew_zone),
        planned=sample.kind.name == "service",
    )
    return settled_order(time.time_format, values_in_order(sample, time.headers), hints)


def _with_order(time_format: TimeFormat, order: str, name: str) -> TimeFormat:
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


def _order_question(draft: Draft) -> Question:
    sample = draft.time_format.sample
    options = tuple(
        Option(choice.order, f"{choice.order}: from {choice.first} to {choice.last}")
        for choice in draft.open_orders
    )
    return Question(ORDER_KEY, f"How are dates such as {sample} to be read?", options)


def _fixed(
    sample: Sample, found: Mapping[str, Match], columns: Sequence[Column]
) -> tuple[dict[str, str], list[Question]]:
    """Values for the whole file, and what is to be asked about them."""
    fixed: dict[str, str] = {}
    questions: list[Question] = []
    pressure = found.get("pressure_hpa")
    if "pressure_reference" in sample.kind.columns and "pressure_reference" not in found:
        if pressure is not None:
            bare = sample.words.named_and_unit(pressure.header)[0]
            reference = sample.words.pressure_columns.get(key_of(bare))
            fixed |= {} if reference is None else {"pressure_reference": reference}
    present = {column.ours for column in columns}
    for need in sample.kind.needs:
        names = [column for column in need if column in NAMEABLE]
        if names and not present.intersection(need):
            name, question = name_for_all_rows(sample, names[0])
            fixed |= {} if name is None else {names[0]: name}
            questions += [] if question is None else [question]
    return fixed, questions


def _absent_questions(draft: Draft, asked: Sequence[Question]) -> list[Question]:
    """What is to be asked about needed columns that were not found."""
    keys = {question.key for question in asked}
    questions = []
    for need in draft.absent:
        columns = need.split(" or ")
        if NAMEABLE.intersection(columns) or f"columns.{columns[0]}" in keys:
            continue
        options = tuple(Option(header, header) for header in draft.unmatched)
        text = f"Which column of the file is {columns[0]}? None was recognized."
        questions.append(Question(f"columns.{columns[0]}", text, options))
    return questions


def _missing(sample: Sample, columns: Sequence[Column]) -> tuple[str, ...]:
    """Words for no value in the columns that are read.

    In texts only those that can be no name: signs, and abbreviations with a stroke.
    """
    found: set[str] = set()
    for column in columns:
        words = missing_words(sample.cells(column.header), sample.words.no_value)
        is_text = column.ours not in sample.kind.numbers
        found |= {word for word in words if not is_text or not word.isalpha()}
    return tuple(sorted(found))
