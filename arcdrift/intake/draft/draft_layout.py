"""Draft a layout from the headers and values of a sample; what they cannot decide stays open."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime

from arcdrift.errors import BadInput
from arcdrift.intake.draft.draft_toml import Column, Draft
from arcdrift.intake.draft.drafted_columns import angle_pair, draft_columns
from arcdrift.intake.draft.headers.header_match import NAMEABLE, Match, guess_kind
from arcdrift.intake.draft.headers.header_words import key_of
from arcdrift.intake.draft.headers.time_headers import stated_order
from arcdrift.intake.draft.headers.word_lists import WordLists
from arcdrift.intake.draft.preamble import name_for_all_rows
from arcdrift.intake.draft.questions import Option, Question
from arcdrift.intake.draft.sample import Sample
from arcdrift.intake.draft.sample_matches import match_questions, match_sample
from arcdrift.intake.draft.sample_table import Table
from arcdrift.intake.draft.time_columns import (
    TimeColumns,
    known_time,
    time_zone,
    unnamed_time,
    values_in_order,
)
from arcdrift.intake.draft.values.date_formats import MONTH_FIRST, TimeFormat
from arcdrift.intake.draft.values.date_order import DateHints, settled_order
from arcdrift.intake.draft.values.units import UnitHints, is_us_zone
from arcdrift.intake.draft.values.value_formats import missing_words
from arcdrift.intake.layout.layouts import Encoding
from arcdrift.intake.schema.kinds import KINDS
from arcdrift.settings import Crew

ORDER_KEY = "time_format"
"""Key of the answer about the order of dates: ``day first`` or ``month first``."""
_ENGLISH = "English"
_LANGUAGES = ("German", "French", "Spanish", "Portuguese", "Italian")


def draft_layout(
    table: Table,
    name: str,
    *,
    now: datetime,
    words: WordLists,
    kind: str | None = None,
    encoding: Encoding | None = None,
    answers: Mapping[str, str] | None = None,
    crew: Crew | None = None,
) -> Draft:
    """Draft a layout from a sample.

    Parameters
    ----------
    table : Table
        The table of the sample, from `find_table`.
    name : str
        File name for messages.
    now : aware datetime
        A format that puts many times into the future does not fit.
    words : WordLists
        Words of headers and cells.
    kind : str, optional
        Kind of the file; default found from the headers.
    encoding : str, optional
        Encoding that the layout is to state (`arcdrift.intake.text.log_text.LogText.encoding`).
    answers : dict of str to str, optional
        Answers to questions, by their keys, such as `ORDER_KEY` and `ZONE_KEY`.
    crew : Crew, optional
        The crew, for its names and its time zone.

    Raises
    ------
    BadInput
        When the kind is not clear, or no date can be read in the order asked for.
    """
    of_kind = KINDS[kind] if kind else guess_kind(table.headers, name, words, table.aliases)
    sample = Sample(table, of_kind, words, now, answers or {}, crew)
    time = known_time(sample)
    found = match_sample(sample, time.headers)
    pair = angle_pair(sample, found)
    matched = {match.header for match in found.values()} | set(() if pair is None else pair[:1])
    if not time.headers:
        time = unnamed_time(sample, [header for header in sample.headers if header not in matched])
    language = _language(sample, [*matched, *time.headers])
    questions = [*time.questions, *match_questions(sample, found)]
    columns, decimal, of_columns = draft_columns(
        sample,
        found,
        pair,
        english=language == _ENGLISH,
        month_first=[choice.order for choice in time.time_format.choices] == [MONTH_FIRST],
    )
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


def _language(sample: Sample, headers: Sequence[str]) -> str:
    """Language of most headers; English if none is ahead of it."""
    counts: Counter[str] = Counter()
    for header in headers:
        names = (sample.words.named_and_unit(header)[0], *sample.names(header))
        counts.update(set().union(*(sample.words.languages(name) for name in names)))
    best = max(_LANGUAGES, key=lambda language: counts[language])
    return best if counts[best] > counts[_ENGLISH] else _ENGLISH


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
