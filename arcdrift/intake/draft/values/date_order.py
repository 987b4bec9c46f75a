"""Decide the order of day and month in dates that fit both.

Besides a day above 12 (`date_formats`), which rules the other order out, these decide: an order
stated in the header; rows that follow one another in one order only; days close to one another
that would all be the same day of several months or years; and how dates are written where the file
comes from.
"""

from dataclasses import dataclass, replace

import pandas as pd

from arcdrift.intake.draft.headers.time_headers import Order
from arcdrift.intake.draft.values.date_formats import (
    DAY_FIRST,
    MONTH_FIRST,
    Choice,
    TimeFormat,
)

_FEWEST_DAYS = 3
"""Days close to one another that decide against the same day of so many months."""
_FEWEST_IN_ORDER = 5
"""Days in order; by chance 1 of 120 logs has so many in order."""
_WIDEST_GAP = pd.Timedelta(days=14)
_MONTHLY, _YEARLY = pd.Timedelta(days=28), pd.Timedelta(days=300)


@dataclass(frozen=True)
class DateHints:
    """What else speaks for an order.

    Attributes
    ----------
    stated : str, optional
        The order that the header states.
    english : bool
        Whether the headers are English.
    decimal_comma : bool
        Whether numbers have decimal commas.
    customary : bool
        Whether units are those of the United States, where the month comes first.
    us_zone : bool
        Whether the crew works in a time zone of the United States.
    planned : bool
        Whether records may be made on the same day of every month, as service is.
    """

    stated: Order | None = None
    english: bool = True
    decimal_comma: bool = False
    customary: bool = False
    us_zone: bool = False
    planned: bool = False


def settled_order(time_format: TimeFormat, values: pd.Series, hints: DateHints) -> TimeFormat:
    """Keep the one choice that the evidence decides for; all of them if none does.

    Parameters
    ----------
    values : Series of str
        The times in the order of the file.
    """
    choices = {choice.order: choice for choice in time_format.choices}
    if len(choices) < 2:
        return time_format
    stated = hints.stated if hints.stated in choices else None
    order = stated or _by_sequence(choices, values, hints) or _by_custom(choices, hints)
    return time_format if order is None else replace(time_format, choices=(choices[order],))


def _by_sequence(choices: dict[str, Choice], values: pd.Series, hints: DateHints) -> str | None:
    """The order in which days follow one another, if they do so in none of the others."""
    days = {
        order: pd.to_datetime(values, format=choice.time_format, errors="coerce")
        .dropna()
        .dt.normalize()
        for order, choice in choices.items()
    }
    for order, in_this_order in days.items():
        others = [in_other for other, in_other in days.items() if other != order]
        if all(_follow(in_this_order) and _lie_apart(in_other, hints) for in_other in others):
            return order
        is_sorted = len(set(in_this_order)) >= _FEWEST_IN_ORDER and _sorted(in_this_order)
        if is_sorted and not any(map(_sorted, others)):
            return order
    return None


def _follow(days: pd.Series) -> bool:
    """Whether days are close to one another."""
    distinct = days.drop_duplicates().sort_values()
    return len(distinct) >= _FEWEST_DAYS and bool(distinct.diff().max() <= _WIDEST_GAP)


def _lie_apart(days: pd.Series, hints: DateHints) -> bool:
    """Whether days are the same day of months or of years, which a log of work is not."""
    gap = days.drop_duplicates().sort_values().diff().min()
    if gap >= _YEARLY:
        return True
    return bool(gap >= _MONTHLY) and not hints.planned and set(days.dt.day) != {1}


def _sorted(days: pd.Series) -> bool:
    return bool(days.is_monotonic_increasing or days.is_monotonic_decreasing)


def _by_custom(choices: dict[str, Choice], hints: DateHints) -> str | None:
    """The order that is usual where the file comes from.

    With points, or in a language other than English with decimal commas, the day comes first; the
    month comes first in the United States, told by its units, or by AM and PM in its time zones.
    """
    if DAY_FIRST in choices and not hints.english:
        if hints.decimal_comma or "%d.%m." in choices[DAY_FIRST].time_format:
            return DAY_FIRST
    if MONTH_FIRST in choices and hints.english:
        time_format = choices[MONTH_FIRST].time_format
        if "/" in time_format and (hints.customary or ("%p" in time_format and hints.us_zone)):
            return MONTH_FIRST
    return None
