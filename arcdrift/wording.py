"""How counts, probabilities and spans of time are written for people."""

import re
from datetime import date

import pandas as pd

from arcdrift.instants import day_text


def probability_text(probability: float) -> str:
    """Write a probability in whole percent; near 0 and 1 as a bound, so never as certainty."""
    if probability < 0.01:
        return "under 1 %"
    return "over 99 %" if probability > 0.99 else f"{100 * probability:.0f} %"


_ISO_DAY = re.compile(r"\b(\d{4})-(\d{2})-(\d{2})\b(?!T)")
_PERCENT = re.compile(r"(?<=\d)%")


def screen_text(text: str) -> str:
    """Write the days and percentages of a sentence as on every page: 16 Nov 2026, 36 %."""
    return _PERCENT.sub(" %", _ISO_DAY.sub(_shown_day, text))


def _shown_day(found: re.Match[str]) -> str:
    try:
        return day_text(date.fromisoformat(found[0]))
    except ValueError:
        return found[0]


def count_text(count: int, noun: str) -> str:
    """Write a count with its noun in singular or plural, such as "1,200 splices"."""
    return f"{count:,} {noun}{'' if count == 1 else 's'}"


def span_text(span: pd.Timedelta, *, minutes_below: float = 60.0) -> str:
    """Write a span of time in one unit: minutes, hours, or from 48 hours on days.

    Parameters
    ----------
    span : Timedelta
    minutes_below : float
        Length in minutes below which the span is written in minutes.
    """
    minutes = span.total_seconds() / 60
    if minutes < minutes_below:
        return f"{minutes:.0f} min"
    return f"{minutes / 60:.0f} h" if minutes < 48 * 60 else f"{minutes / 1440:.0f} days"
