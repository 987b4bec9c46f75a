"""How numbers, percentages, intervals, counts and spans of time are written for people.

The one path for each: every page, report and command writes a kind of number by its function
here, and a day or an instant by `arcdrift.instants.day_text` and `instant_text`.
"""

import math
import re
from datetime import date, timedelta

from arcdrift.instants import day_text


def capitalized(text: str) -> str:
    """Write the first letter large, and leave the others as they are."""
    return f"{text[:1].upper()}{text[1:]}"


def probability_text(probability: float) -> str:
    """Write a probability in whole percent; near 0 and 1 as a bound, so never as certainty."""
    if probability < 0.01:
        return "under 1 %"
    return "over 99 %" if probability > 0.99 else f"{100 * probability:.0f} %"


MINUS = "\u2212"
"""The minus sign of numbers in sentences; a hyphen is shorter and breaks at the end of a line."""


def number_text(value: float, digits: int = 0, *, signed: bool = False) -> str:
    """Write a number with a real minus sign; no sign for one that rounds to zero.

    Parameters
    ----------
    digits : int
        Decimals.
    signed : bool
        Whether a number above zero has its sign as well, as changes have.
    """
    text = f"{abs(value):,.{digits}f}"
    if not float(text.replace(",", "")):
        return text
    return f"{MINUS if value < 0 else '+' if signed else ''}{text}"


def percent_text(share: float, digits: int | None = None) -> str:
    """Write a share as "36 %"; below 1 % with a decimal, and "under 0.1 %" instead of none.

    Parameters
    ----------
    share : float
        0.36 for 36 %.
    digits : int, optional
        Decimals, where a column of them has to be the same.
    """
    percent = 100 * share
    if digits is not None:
        return f"{number_text(percent, digits)} %"
    if 0 < percent < 0.05:
        return "under 0.1 %"
    return f"{number_text(percent, 1 if 0 < percent < 0.95 else 0)} %"


def change_text(change: float) -> str:
    """Write a relative change as "+28 %" or "\u22123 %"; one that rounds to zero as "0 %".

    Parameters
    ----------
    change : float
        0.28 for 28 % more.
    """
    return f"{number_text(100 * change, signed=True)} %"


def change_words(change: float) -> str:
    """Write a relative change as "up 28 %", "down 3 %" or "unchanged"."""
    percent = f"{abs(100 * change):,.0f}"
    return "unchanged" if percent == "0" else f"{'up' if change > 0 else 'down'} {percent} %"


def interval_text(
    value: float, low: float, high: float, unit: str, digits: int = 0, *, signed: bool = False
) -> str:
    """Write a value with its interval and its unit once, as "87.7 (86.7 to 88.7) %".

    How sure the interval is (95 %) stands in the explanation beside it and never within, where it
    could be taken for a value. An end that is not finite is written as "no limit".
    """
    first, last = (
        number_text(end, digits, signed=signed) if math.isfinite(end) else "no limit"
        for end in (low, high)
    )
    number = number_text(value, digits, signed=signed)
    return f"{number} ({first} to {last}) {unit}".rstrip()


def change_interval_text(change: float, low: float, high: float) -> str:
    """Write a relative change with its interval, as "+28 (+12 to +46) %"."""
    return interval_text(100 * change, 100 * low, 100 * high, "%", signed=True)


_ISO_DAY = re.compile(r"\b(\d{4})-(\d{2})-(\d{2})\b(?!T)")
_PERCENT = re.compile(r"(?<=\d)%")
_HYPHEN = re.compile(r"(?<![^\s(])-(?=\d)")


def screen_text(text: str) -> str:
    """Write days, percentages and signs of a sentence as on every page: 16 Nov 2026, −3 %."""
    return _HYPHEN.sub(MINUS, _PERCENT.sub(" %", _ISO_DAY.sub(_shown_day, text)))


def _shown_day(found: re.Match[str]) -> str:
    try:
        return day_text(date.fromisoformat(found[0]))
    except ValueError:
        return found[0]


HOLDINGS = {"clamp": "Fibers in clamps", "holder": "Fibers in holders"}
"""How fibers are held in the splicer, by the value of a log."""


def holding_text(holding: str) -> str:
    """Write how fibers were held; a value that is not known stays as it is."""
    return HOLDINGS.get(holding, f"Fibers in {holding}")


def count_text(count: int, noun: str) -> str:
    """Write a count with its noun in singular or plural, such as "1,200 splices"."""
    return f"{count:,} {noun}{'' if count == 1 else 's'}"


def span_text(span: timedelta, *, minutes_below: float = 60.0) -> str:
    """Write a span of time in one unit: minutes, hours, or from 48 hours on days.

    Parameters
    ----------
    span : timedelta
    minutes_below : float
        Length in minutes below which the span is written in minutes.
    """
    minutes = span.total_seconds() / 60
    if minutes < minutes_below:
        return f"{minutes:.0f} min"
    return f"{minutes / 60:.0f} h" if minutes < 48 * 60 else f"{minutes / 1440:.0f} days"


def duration_text(span: timedelta) -> str:
    """Write a length of time to the minute, without its sign: "2 h", "3 days 7 h 30 min"."""
    minutes = round(abs(span) / timedelta(minutes=1))
    days, rest = divmod(minutes, 24 * 60)
    hours, minutes = divmod(rest, 60)
    parts = [
        count_text(days, "day") if days else "",
        f"{hours} h" if hours else "",
        f"{minutes} min" if minutes else "",
    ]
    return " ".join(part for part in parts if part) or "0 min"


def clock_shift_text(shift: timedelta) -> str:
    """Write by how much logged times are moved: "2 h later", "1 h 30 min earlier", "as logged"."""
    if not shift:
        return "as logged"
    return f"{duration_text(shift)} {'later' if shift > timedelta(0) else 'earlier'}"


TURNING = "\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069"
"""Characters, of a regular expression, that are not seen and decide in which direction text runs
(Unicode Standard Annex 9, section 2)."""
RIGHT_TO_LEFT = "\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufefc\U00010800-\U00010fff\U0001e800-\U0001efff"
"""Blocks of letters, of a regular expression, that are written from right to left."""
_TURNING = re.compile(f"[{TURNING}]")
_RIGHT_TO_LEFT = re.compile(f"[{RIGHT_TO_LEFT}](?:[{RIGHT_TO_LEFT}\\s\\d.'\"-]*[{RIGHT_TO_LEFT}])?")


def isolated_text(text: str) -> str:
    """Return a sentence that no name in it turns.

    Names come from files. Marks that turn what follows them are left out, and words written from
    right to left are set apart, so that the rest of the sentence keeps its order.
    """
    if text.isascii():
        return text
    return _RIGHT_TO_LEFT.sub("\u2068\\g<0>\u2069", _TURNING.sub("", text))
