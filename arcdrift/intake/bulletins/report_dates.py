"""Dates around the reports of a bulletin, which themselves name only a day of the month."""

import calendar
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, timedelta

_DAY = timedelta(days=1)
_NEAR_DAYS = 3
_EARLIEST_SHORT_MONTH = 2013
"""First year in which six digits can only be a year and a month, not a date of two-digit years."""
_DATES = re.compile(
    r"(?<!\d)(?P<year>(?:19|20)\d\d)"
    r"(?:(?P<mark>[-/_.,])(?P<month>\d\d?)(?P=mark)(?P<day>\d\d?)"
    r"|(?P<mm>\d\d)(?P<dd>\d\d)(?:\d\d){0,3})(?!\d)"
)
_MONTHS = re.compile(r"(?<!\d)(?P<year>(?:19|20)\d\d)(?P<mark>[-/_.]?)(?P<month>\d\d)(?!\d)")


@dataclass(frozen=True)
class DateRange:
    """First and last day that a report may be of."""

    first: date
    last: date

    def __str__(self) -> str:
        return f"{self.first}..{self.last}"

    @property
    def is_near_one_day(self) -> bool:
        """Whether it is one day with its neighbors."""
        return (self.last - self.first).days < _NEAR_DAYS

    def date_of(self, day: int) -> date | None:
        """The one date in the range with this day of the month; None for none or several."""
        if (self.last - self.first).days > 62:  # every day of the month comes twice
            return None
        found = [each for each in self._days() if each.day == day]
        return found[0] if len(found) == 1 else None

    def _days(self) -> Iterator[date]:
        each = self.first
        while each <= self.last:
            yield each
            each += _DAY


def range_in(text: str) -> DateRange | None:
    """Range of days that a text names.

    One date is that day and its neighbors, because reports made around midnight come a day early
    or late. Two dates are a range, and so are months where there is no date. Dates have the year
    first: others could be read in two ways. None where the text names nothing, or too much.
    """
    days = set(_valid(_DATES.finditer(text)))
    if len(days) == 1:
        (only,) = days
        return DateRange(only - _DAY, only + _DAY)
    if days:
        return DateRange(min(days), max(days)) if len(days) == 2 else None
    months = {
        (int(found["year"]), int(found["month"]))
        for found in _MONTHS.finditer(text)
        if 1 <= int(found["month"]) <= 12
        and (found["mark"] or int(found["year"]) >= _EARLIEST_SHORT_MONTH)
    }
    if not months or len(months) > 2:
        return None
    last_year, last_month = max(months)
    last_day = calendar.monthrange(last_year, last_month)[1]
    return DateRange(date(*min(months), 1), date(last_year, last_month, last_day))


def range_in_name(name: str) -> DateRange | None:
    """Range of days that the name of a file names, or the nearest folder or archive around it."""
    found = (range_in(part) for part in reversed(name.replace("\\", "/").split("/")))
    return next((each for each in found if each is not None), None)


def _valid(found: Iterable[re.Match[str]]) -> Iterator[date]:
    for match in found:
        month, day = match["month"] or match["mm"], match["day"] or match["dd"]
        try:
            yield date(int(match["year"]), int(month), int(day))
        except ValueError:
            continue
