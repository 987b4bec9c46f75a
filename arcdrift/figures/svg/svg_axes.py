"""Axes of a figure dictionary on paper: their range, their ticks, where a value lies."""

from base64 import b64decode
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import ceil, floor, log10
from typing import Any

import numpy as np
import pandas as pd

from arcdrift.wording import MINUS, number_text

DAY_MS = 86_400_000.0
TICK_STEPS = (1.0, 2.0, 5.0, 10.0)
DAY_STEPS = (1, 2, 7, 14, 28)
MONTH_STEPS = (1, 2, 3, 6, 12, 24, 60)
PADDING = 0.05
"""Room at each end of an axis without a range of its own, as a share of the data's."""


@dataclass(frozen=True)
class Tick:
    """A tick: the value where it stands, and its lines of text."""

    value: float
    lines: tuple[str, ...]


@dataclass(frozen=True)
class Axis:
    """One axis on paper.

    Attributes
    ----------
    low, high : float
        Values at its ends; of a time axis, milliseconds since 1970.
    start, end : float
        Where these ends are drawn, in SVG units; `end` lies above `start` on a value axis.
    is_date : bool
    settings : mapping
        Of the figure's layout.
    """

    low: float
    high: float
    start: float
    end: float
    is_date: bool
    settings: Mapping[str, Any]

    def place(self, value: float) -> float:
        """Return where a value is drawn."""
        return self.start + (self.end - self.start) * (value - self.low) / (self.high - self.low)

    def of_paper(self, share: float) -> float:
        """Return where a share of its length is drawn."""
        return self.start + (self.end - self.start) * share

    def ticks(self) -> list[Tick]:
        """Return its ticks."""
        if self.settings.get("visible") is False:
            return []
        length = abs(self.end - self.start)
        if self.settings.get("tickvals") is not None:
            texts = self.settings.get("ticktext") or [f"{v:g}" for v in self.settings["tickvals"]]
            pairs = zip(self.settings["tickvals"], texts, strict=True)
            return [Tick(float(value), (str(text),)) for value, text in pairs]
        if self.is_date:
            return _date_ticks(self.low, self.high, max(int(length / 62), 2))
        most = int(self.settings.get("nticks") or max(length / 60, 2))
        return _number_ticks(self.low, self.high, most, self.settings)


def sequence(values: Any) -> Sequence[Any]:
    """Return values of a trace as a sequence; Plotly packs numbers as Base64 (``bdata``)."""
    if isinstance(values, Mapping):
        packed = np.frombuffer(b64decode(values["bdata"]), np.dtype(values["dtype"]))
        return list(packed.tolist())
    return list(values)


def numbers(values: Any, *, is_date: bool) -> list[float]:
    """Return values of a trace as floats; missing ones and None as NaN."""
    values = sequence(values)
    if is_date:
        stamps = pd.to_datetime(pd.Series(values, dtype=object), format="ISO8601")
        at = pd.DatetimeIndex(stamps).tz_localize(None).as_unit("us")
        milliseconds = at.asi8 / 1000.0
        return [float(v) for v in np.where(at.isna(), np.nan, milliseconds)]
    return [float("nan") if value is None else float(value) for value in values]


def axis_of(settings: Mapping[str, Any], values: Sequence[float], start: float, end: float) -> Axis:
    """Return an axis for the values that are drawn along it.

    Parameters
    ----------
    settings : mapping
        The axis in the figure's layout: ``range`` and ``type`` among others.
    values : sequence of float
        All values on it, from which its range follows where it has none of its own.
    start, end : float
        Ends of the plot; a ``domain`` takes a part of it.
    """
    is_date = settings.get("type") == "date"
    if settings.get("range") is not None:
        low, high = numbers(settings["range"], is_date=is_date)
    else:
        known = [value for value in values if value == value]  # NaN is not itself
        low, high = (min(known), max(known)) if known else (0.0, 1.0)
        room = PADDING * (high - low) or 0.5 * (abs(high) or 1.0)
        low, high = low - room, high + room
    first, last = settings.get("domain") or (0.0, 1.0)
    span = end - start
    return Axis(low, high, start + span * first, start + span * last, is_date, settings)


def _number_ticks(low: float, high: float, most: int, settings: Mapping[str, Any]) -> list[Tick]:
    rough = (high - low) / max(most, 1)
    power = 10.0 ** floor(log10(rough))
    step = next(power * size for size in TICK_STEPS if power * size >= rough * (1 - 1e-9))
    digits = max(-floor(log10(step) + 1e-9), 0)
    pattern, suffix = str(settings.get("tickformat") or ""), str(settings.get("ticksuffix") or "")
    ticks = []
    for number in range(ceil(low / step - 1e-9), floor(high / step + 1e-9) + 1):
        value = number * step
        text = format(value, pattern) if pattern else number_text(value, digits)
        ticks.append(Tick(value, (text.replace("-", MINUS) + suffix,)))
    return ticks


def _date_ticks(low: float, high: float, most: int) -> list[Tick]:
    first, last = (pd.Timestamp(value, unit="ms") for value in (low, high))
    days = (high - low) / DAY_MS
    for size in DAY_STEPS:
        if days / size <= most:
            # weeks begin on Mondays, and 5 Jan 1970 was one
            begin = pd.Timestamp("1970-01-05") + pd.Timedelta(
                days=size * ceil((low / DAY_MS - 4) / size)
            )
            return _dated(pd.date_range(begin, last, freq=f"{size}D"))
    for size in MONTH_STEPS:
        if days / (30.4 * size) <= most:
            break
    month = size * ceil(
        (first.year * 12 + first.month - (first.day == 1 and first == first.normalize())) / size
    )
    begin = pd.Timestamp(year=month // 12, month=month % 12 + 1, day=1)
    return _dated(pd.date_range(begin, last, freq=pd.DateOffset(months=size)))


def _dated(days: pd.DatetimeIndex) -> list[Tick]:
    ticks, year = [], 0
    for day in days:
        lines = (
            (f"{day.day} {day:%b}",) if day.year == year else (f"{day.day} {day:%b}", str(day.year))
        )
        ticks.append(Tick(day.timestamp() * 1000.0, lines))
        year = day.year
    return ticks
