"""Find the columns that hold the time of a sample, how it is written, and its time zone."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field

import pandas as pd
import pyarrow as pa

from arcdrift.intake.draft.headers.header_words import Key, key_of
from arcdrift.intake.draft.headers.time_headers import (
    bare_name,
    mentions_zone,
    stated_zone,
    time_concepts,
    time_headers,
)
from arcdrift.intake.draft.questions import Option, Question
from arcdrift.intake.draft.sample import Sample
from arcdrift.intake.draft.values.date_formats import (
    TimeFormat,
    clock_format_of,
    day_number_format_of,
    months_of,
    plain_times,
    time_format_of,
)
from arcdrift.intake.draft.values.value_formats import distinct
from arcdrift.intake.typing.cells import as_cells, clock_alone, date_alone, joined_times, text
from arcdrift.settings import is_zone

ZONE_KEY = "time_zone"


@dataclass(frozen=True)
class TimeColumns:
    """The columns of the time.

    Attributes
    ----------
    headers : tuple of str
        Headers of the time, or of date and time of day; empty if not found.
    time_format : TimeFormat
        How it is written.
    questions : tuple of Question
        What is to be asked about which column it is.
    """

    headers: tuple[str, ...] = ()
    time_format: TimeFormat = field(default_factory=TimeFormat)
    questions: tuple[Question, ...] = ()


def known_time(sample: Sample) -> TimeColumns:
    """Find the time in the columns whose headers are words for times.

    A person's answer is under ``columns.`` and our name of the time column.
    """
    key = f"columns.{sample.kind.time_column}"
    known = time_headers(sample.headers, sample.kind, sample.words, sample.table.aliases)
    seen = _formats_under(sample, known)
    chosen = sample.answers.get(key)
    if chosen in sample.headers and chosen is not None:
        return _with_chosen(sample, chosen, seen)
    whole = [header for header in known if seen[header].has_date and seen[header].has_clock]
    if whole:
        alike = [header for header in whole if _rank(sample, header) == _rank(sample, whole[0])]
        questions = () if len(alike) == 1 else (_which(sample, alike),)
        return TimeColumns((whole[0],), seen[whole[0]], questions)
    dates = [header for header in known if seen[header].has_date]
    clocks = [header for header in known if seen[header].has_clock and header not in dates]
    if dates and clocks:
        return _joined(sample, dates[0], clocks[0])
    if not dates:
        return TimeColumns()
    questions = ()
    if sample.kind.name != "service":
        text = f"{dates[0]!r} has dates alone; which column holds the times of day?"
        questions = (Question(key, text, _options(h for h in sample.headers if h not in known)),)
    return TimeColumns((dates[0],), seen[dates[0]], questions)


def unnamed_time(sample: Sample, unmatched: Iterable[str]) -> TimeColumns:
    """Find the time among columns whose headers are no words for times, by their values alone."""
    seen = {header: _format_of(sample, sample.values(header)) for header in unmatched}
    whole = [header for header, found in seen.items() if found.has_date and found.has_clock]
    dates = whole or [header for header, found in seen.items() if found.has_date]
    if not dates:
        return TimeColumns()
    return TimeColumns((dates[0],), seen[dates[0]], (_which(sample, dates),))


def values_in_order(sample: Sample, headers: Sequence[str]) -> pd.Series:
    """The times as written, in the order of the file."""
    values = text(_joined_cells(sample, headers))
    return plain_times(values, months_of(values.dropna(), sample.words.months))


def time_zone(sample: Sample, time: TimeColumns) -> tuple[str | None, Question | None]:
    """Zone that the headers of the time, or the lines above the table, state.

    Returns
    -------
    zone, question
        Zone, None if nothing is stated; and what is to be asked if it is not clear.
    """
    if time.time_format.has_offset:
        return None, None
    answer = sample.answers.get(ZONE_KEY)
    if answer is not None and (not answer or is_zone(answer)):
        return answer or None, None
    for header in time.headers:
        stated = stated_zone(header, sample.words, sample.crew_zone)
        if stated is not None:
            if stated.zone is not None:
                return stated.zone, None
            text = f"Which time zone is {stated.text!r}? Give a name such as Europe/Oslo."
            return None, Question(ZONE_KEY, text)
    for line in sample.table.preamble:
        cells = [cell.partition(":")[::2] for cell in line.split(sample.table.rows.delimiter)]
        named = [value.strip() for name, value in cells if key_of(name) in sample.words.zone]
        for value in named:
            stated = stated_zone(f"({value})", sample.words, sample.crew_zone)
            zone = value if is_zone(value) else None if stated is None else stated.zone
            if zone is not None:
                return zone, None
        if named or mentions_zone(line):
            text = f"Above the table stands {line.strip()!r}; how are the times given?"
            options = (Option("UTC", "in UTC"), Option("", "in the local time of site or crew"))
            return None, Question(ZONE_KEY, text, options)
    return None, None


def _formats_under(sample: Sample, headers: Sequence[str]) -> dict[str, TimeFormat]:
    """How the times under headers that are words for times are written."""
    seen = {header: _format_of(sample, sample.values(header)) for header in headers}
    for header, found in seen.items():
        if not (found.has_date or found.has_clock):
            seen[header] = day_number_format_of(sample.values(header))
    if any(_is(sample, header, "date") and found.has_date for header, found in seen.items()):
        for header in seen:
            clock = clock_format_of(sample.values(header)) if _is(sample, header, "clock") else None
            if clock is not None and clock.has_clock:
                seen[header] = clock
    return _halves(sample, seen)


def _format_of(sample: Sample, values: pd.Series) -> TimeFormat:
    return time_format_of(values, sample.now, sample.words.months)


def _halves(sample: Sample, seen: dict[str, TimeFormat]) -> dict[str, TimeFormat]:
    """The formats, with dates and times of day for what they are.

    Programs export a date as one at midnight, and a time of day as one of the first day of
    spreadsheets.
    """
    halves = dict(seen)
    for header in seen:
        clocks = _changed_by(clock_alone, sample.values(header))
        if clocks is not None:
            halves[header] = clock_format_of(clocks)
    if any(found.has_clock and not found.has_date for found in halves.values()):
        for header, found in halves.items():
            whole = found.has_date and found.has_clock
            dates = _changed_by(date_alone, sample.values(header)) if whole else None
            if dates is not None:
                halves[header] = _format_of(sample, dates)
    return halves


def _changed_by(
    shorten: Callable[[pa.ChunkedArray], pa.ChunkedArray], values: pd.Series
) -> pd.Series | None:
    """The values shortened, if that changes each of them; else None."""
    short = text(shorten(as_cells(values)))
    return short.drop_duplicates() if bool((short != values).all()) and len(values) else None


def _with_chosen(sample: Sample, chosen: str, seen: dict[str, TimeFormat]) -> TimeColumns:
    """The time with a column that a person named: the whole time, or one part of it."""
    found = seen.get(chosen) or time_format_of(
        sample.values(chosen), sample.now, sample.words.months
    )
    if found.has_date and found.has_clock:
        return TimeColumns((chosen,), found)
    for other, form in seen.items():
        if other != chosen and form.has_date != found.has_date and form.has_clock != form.has_date:
            date, clock = (other, chosen) if form.has_date else (chosen, other)
            return _joined(sample, date, clock)
    return TimeColumns((chosen,), found) if found.has_date else TimeColumns()


def _joined_cells(sample: Sample, headers: Sequence[str]) -> pa.ChunkedArray:
    """The cells of one column, or those of a date and of a time of day, joined."""
    cells = [sample.cells(header) for header in headers]
    return cells[0] if len(cells) == 1 else joined_times(*cells)


def _joined(sample: Sample, date: str, clock: str) -> TimeColumns:
    values = distinct(_joined_cells(sample, (date, clock)), sample.words.no_value)
    joined_format = _format_of(sample, values)
    if not joined_format.has_date:  # a day number beside a fraction of the day
        joined_format = TimeFormat(has_date=True, has_clock=True, sample=joined_format.sample)
    return TimeColumns((date, clock), joined_format)


def _is(sample: Sample, header: str, name: str) -> bool:
    """Whether a header is a word for a date, or for a time of day."""
    return any(key in sample.words.times[name] for key in _keys(sample, header))


def _rank(sample: Sample, header: str) -> int:
    names = time_concepts(sample.kind)
    return next((n for n, name in enumerate(names) if _is(sample, header, name)), len(names))


def _keys(sample: Sample, header: str) -> Iterator[Key]:
    """Keys of a header without its zone, and of its name in the lower of two lines."""
    for name in sample.names(header)[:2]:
        yield key_of(bare_name(name, sample.words))


def _which(sample: Sample, headers: Sequence[str]) -> Question:
    column = sample.kind.time_column
    named = ", ".join(repr(header) for header in headers)
    text = f"Which column is the time of a record, {column}? {named} may be."
    return Question(f"columns.{column}", text, _options(headers))


def _options(headers: Iterable[str]) -> tuple[Option, ...]:
    return tuple(Option(header, header) for header in headers)
