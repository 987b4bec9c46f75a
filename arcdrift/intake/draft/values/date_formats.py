"""Find the format of the times in a sample from all of its values.

The order of day and month is decided only if some value rules out the other order. If both fit
every value, nothing in the file can decide, and a guess would move most records to another month.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

import pandas as pd

from arcdrift.intake.typing.cells import as_cells, text
from arcdrift.intake.typing.local_times import AHEAD, EARLIEST, is_day_number, is_iso
from arcdrift.intake.typing.time_words import MONTHS, with_plain_words, without_weekdays

_TOKENS = re.compile(r"\d+|[A-Za-z]+|[^A-Za-z\d]+")
_HALVES = ("am", "pm")
DAY_FIRST, MONTH_FIRST, YEAR_FIRST = "day first", "month first", "year first"
_ORDERS = {"dmy": DAY_FIRST, "mdy": MONTH_FIRST, "ymd": YEAR_FIRST}
_WHOLE = {8: "%Y%m%d", 14: "%Y%m%d%H%M%S", 12: "%Y%m%d%H%M"}
_CLOCKS = {4: "%H%M", 6: "%H%M%S"}
_BETWEEN = ("T", "h", "Uhr")
"""Words beside the numbers of a time of day."""
_MONTH_NAME = r"(?:^|\d|\W)\W*([^\W\d_]{3,})\W+(?:de\W+)?\d"
"""A word before a number."""
_ENOUGH = 0.9
"""A format must read at least this share of the values; the others may be damaged."""


@dataclass(frozen=True)
class Choice:
    """A format that fits, and the first and last day of the values read with it."""

    order: str
    time_format: str
    first: str
    last: str


@dataclass(frozen=True)
class TimeFormat:
    """How times are written.

    Attributes
    ----------
    choices : tuple of Choice
        Formats that fit: one if decided, several if nothing decides, none for ISO 8601 or unknown.
    has_date, has_clock, has_offset : bool
        Whether the values have a date, a time of day, a UTC offset.
    sample : str
        One of the values.
    months : tuple of str
        Names of each month, if the values have names in other words than the code %b reads.
    """

    choices: tuple[Choice, ...] = ()
    has_date: bool = False
    has_clock: bool = False
    has_offset: bool = False
    sample: str = ""
    months: tuple[str, ...] = ()


def time_format_of(
    values: pd.Series, now: datetime, month_names: Mapping[str, Sequence[str]] | None = None
) -> TimeFormat:
    """Find how times are written.

    Parameters
    ----------
    values : Series of str
        Distinct values without missing ones.
    now : aware datetime
        A format that puts many values into the future does not fit.
    month_names : dict of str to sequence of str
        For each language the names of each month, with a blank between them.
    """
    if values.empty:
        return TimeFormat()
    dates = text(without_weekdays(as_cells(values))).set_axis(values.index)
    months = months_of(dates, month_names or {})
    written, values = values, plain_times(values, months)
    shapes = values.str.replace(r"\d+", "9", regex=True)
    sample = str(values[shapes == shapes.mode()[0]].iloc[0])
    offset = bool(re.search(r"\d([+-]\d\d:?\d\d|Z)$", sample)) and ":" in sample
    if is_iso(values).mean() >= _ENOUGH:
        return TimeFormat((), True, ":" in sample, offset, sample)
    choices = _choices(values, sample, now, offset=offset)
    shown = str(written[values == sample].iloc[0])
    if not choices and _are_clocks(values, sample):
        return TimeFormat(has_clock=True, sample=shown)
    clock = bool(choices) and any(code in choices[0].time_format for code in ("%H", "%I"))
    return TimeFormat(choices, bool(choices), clock, offset, shown, months)


def months_of(values: pd.Series, names: Mapping[str, Sequence[str]]) -> tuple[str, ...]:
    """The names of months in times: those of the first language that has all words in them.

    Parameters
    ----------
    values : Series of str
        Times.
    names : dict of str to sequence of str
        For each language the names of each month, with a blank between them.

    Returns
    -------
    tuple of str
        Empty if the times have no names of months, or short English ones.
    """
    found = values.str.extract(_MONTH_NAME, expand=False).dropna().str.casefold().unique()
    if not set(found) - {month.casefold() for month in MONTHS}:
        return ()
    for months in names.values():
        if set(found) <= {name.casefold() for month in months for name in month.split()}:
            return tuple(months)
    return ()


def plain_times(values: pd.Series, months: Sequence[str]) -> pd.Series:
    """Times with the words that strptime codes read, in the same order."""
    plain = text(with_plain_words(as_cells(values), months))
    return plain.set_axis(values.index)


def day_number_format_of(values: pd.Series) -> TimeFormat:
    """Find out whether times are a spreadsheet's day numbers, or the fractions of a day beside one.

    Parameters
    ----------
    values : Series of str
        Distinct values without missing ones.
    """
    if values.empty:
        return TimeFormat()
    sample = str(values.iloc[0])
    if is_day_number(values).mean() >= _ENOUGH:
        clock = bool(values.str.contains("[.,]", regex=True).any())
        return TimeFormat(has_date=True, has_clock=clock, sample=sample)
    fractions = values.str.match(r"^0?[.,]\d+$|^0$").mean() >= _ENOUGH
    return TimeFormat(has_clock=True, sample=sample) if fractions else TimeFormat()


def clock_format_of(values: pd.Series) -> TimeFormat:
    """Find how times of day are written, also where dots part their numbers as in a date.

    Parameters
    ----------
    values : Series of str
        Distinct values without missing ones.
    """
    if values.empty:
        return TimeFormat()
    sample = str(values.iloc[0])
    return (
        TimeFormat(has_clock=True, sample=sample) if _are_clocks(values, sample) else TimeFormat()
    )


def _choices(values: pd.Series, sample: str, now: datetime, *, offset: bool) -> tuple[Choice, ...]:
    formats = _formats(sample, offset=offset)
    times = {order: _times(values, text) for order, text in formats.items()}
    read = {order: when.notna() for order, when in times.items()}
    fit = [order for order, when in times.items() if _possible(when, now).mean() >= _ENOUGH]
    # an order is ruled out by a value that another one reads and it does not
    remaining = [
        order for order in fit if not any((read[other] & ~read[order]).any() for other in fit)
    ]
    return tuple(_choice(order, formats[order], times[order]) for order in remaining or fit)


def _possible(times: pd.Series, now: datetime) -> pd.Series:
    if times.dt.tz is None:
        times = times.dt.tz_localize("UTC")  # a few hours do not matter here
    return times.between(EARLIEST, pd.Timestamp(now) + AHEAD)


def _choice(order: str, time_format: str, times: pd.Series) -> Choice:
    first, last = (moment.strftime("%Y-%m-%d") for moment in (times.min(), times.max()))
    return Choice(order, time_format, first, last)


def _are_clocks(values: pd.Series, sample: str) -> bool:
    """Whether nearly all values are times of day that are written like the sample."""
    time_format = _clock(_TOKENS.findall(sample))
    if time_format is None:
        return False
    return bool(_times(values, time_format).notna().mean() >= _ENOUGH)


def _times(values: pd.Series, time_format: str) -> pd.Series:
    try:
        return pd.to_datetime(values, format=time_format, errors="coerce", utc="%z" in time_format)
    except ValueError:
        return pd.Series(pd.NaT, index=values.index, dtype="datetime64[us]")


def _formats(sample: str, *, offset: bool) -> dict[str, str]:
    """Formats that a value may have, by the order of day, month and year."""
    text = re.sub(r"([+-]\d\d:?\d\d|Z)$", "", sample) if offset else sample
    tail = "%z" if offset else ""
    tokens = _TOKENS.findall(text)
    if len(tokens[0]) in _WHOLE and tokens[0].isdigit():
        rest = _clock(tokens[1:])
        return {} if rest is None else {YEAR_FIRST: _WHOLE[len(tokens[0])] + rest + tail}
    places = [
        place for place, token in enumerate(tokens) if token.isdigit() or token.title() in MONTHS
    ][:3]
    if len(places) < 3:
        return {}
    rest = _clock(tokens[places[2] + 1 :])
    if rest is None:
        return {}
    date = [tokens[place] for place in places]
    gaps = [_literal("".join(tokens[a + 1 : b])) for a, b in pairwise(places)]
    if any(":" in gap for gap in gaps):  # a time of day, even where no number is above 12
        return {}
    lead = _literal("".join(tokens[: places[0]]))
    found = {}
    for letters, order in _ORDERS.items():
        codes = [_code(letter, part) for letter, part in zip(letters, date, strict=True)]
        if None not in codes and codes[:2] != ["%y", "%b"]:  # nobody writes 26-Mar-03 for a day
            found[order] = f"{lead}{codes[0]}{gaps[0]}{codes[1]}{gaps[1]}{codes[2]}{rest}{tail}"
    return found


def _code(letter: str, part: str) -> str | None:
    if part.isalpha():
        return "%b" if letter == "m" else None
    if letter == "y":
        return {4: "%Y", 2: "%y"}.get(len(part))
    return f"%{letter}" if len(part) <= 2 else None


def _clock(tokens: list[str]) -> str | None:
    """Format of the time of day and of the text before it; None if not known."""
    half = any(token.lower() in _HALVES for token in tokens)
    codes = iter(["%I" if half else "%H", "%M", "%S", "%f"])
    written: list[str] = []
    for token in tokens:
        if token.isdigit():
            code = next(codes, None)
            if code == "%H" and len(token) in _CLOCKS:
                return "".join(written) + _CLOCKS[len(token)]
            if code is None or (len(token) > 2 and code != "%f"):
                return None
            written.append(code)
        elif token.lower() in _HALVES:
            written.append("%p")
        elif token.isalpha() and token not in _BETWEEN:
            return None
        else:
            written.append(_literal(token))
    return "".join(written)


def _literal(text: str) -> str:
    return text.replace("%", "%%")
