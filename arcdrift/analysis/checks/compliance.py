"""Share of workdays with a timely arc check, with its interval, by splicer, technician, ... .

In plain Python: loading numpy or pandas would take longer than all of ``arcdrift checks``.
"""

from collections import Counter
from collections.abc import Iterable
from datetime import date
from functools import cache
from math import nan, sqrt
from statistics import NormalDist
from typing import Any, Literal, Protocol

from arcdrift.charts.intervals import CONFIDENCE_LEVEL

WORKED = ("checked", "late", "failed-only", "missed")
"""Possible statuses of a finished workday with splices."""
By = Literal["splicer", "technician", "week", "site", "crew"]
COLUMNS = ("days", *WORKED, "share", "low", "high", "note")
"""Keys of a row of `compliance`, after the one that it is counted by."""
FEW_DAYS = 10
"""With fewer workdays a note is added: the interval then spans half the scale and more."""
NOT_LOGGED = "(not logged)"
CREW = "whole crew"
_QUANTILE = NormalDist().inv_cdf(0.5 + CONFIDENCE_LEVEL / 2)


class Columns(Protocol):
    """Columns of equal length by name, such as a DataFrame or a dict of lists."""

    def __getitem__(self, name: str, /) -> Iterable[Any]:
        """Return the values of a column."""
        ...


def wilson(passed: float, days: float) -> tuple[float, float]:
    """95 % Wilson score interval of a share.

    Parameters
    ----------
    passed, days : float
        Successes and trials, not necessarily whole.

    Returns
    -------
    low, high : float
        Shares from 0 to 1; NaN where there were no trials.

    Notes
    -----
    (p + z²/2n ± z √(p(1 - p)/n + z²/4n²)) / (1 + z²/n): E. B. Wilson, "Probable inference, the
    law of succession, and statistical inference", J. Am. Stat. Assoc. 22 (1927), 209-212. Days
    are taken as independent; if misses come in runs, the true interval is wider.
    """
    if days == 0:
        return nan, nan
    share, square = passed / days, _QUANTILE**2 / days
    center = (share + square / 2) / (1 + square)
    half = sqrt(square * (share * (1 - share) + square / 4)) / (1 + square)
    # at 0 and n of n the bound is 0 or 1 exactly; rounding must not step over it
    return max(center - half, 0.0), min(center + half, 1.0)


def compliance(days: Columns, by: By = "splicer") -> list[dict[str, Any]]:
    """Count finished workdays, and those with a check before the first splice.

    Parameters
    ----------
    days : Columns
        Of ``result_check_days`` or of `arcdrift.analysis.checks.daily_checks.daily_checks`; a
        running day and a day without work do not count.
    by : str
        ``splicer``; ``technician`` (a day counts for the one who made most of its splices and so
        depended on the arc, not for a helper who made the first one or for the one who ran the
        check); ``site`` of the day's first splice; ISO ``week`` (``2026-W09``); or ``crew``, one
        row.

    Returns
    -------
    list of dict
        One row per value of `by`, sorted, those without a name last: ``days`` (splicer workdays),
        counts by status, ``share`` checked in time, its 95 % interval ``low``..``high``
        (`wilson`), shares from 0 to 1, and ``note``: a caution such as "only 4 days", or empty.

    Raises
    ------
    ValueError
        If `by` is none of these.
    """
    counts = Counter(zip(_group_names(days, by), days["status"], days["day_over"], strict=True))
    by_name: dict[str, Counter[str]] = {}
    running = set()
    for (name, status, day_over), count in counts.items():
        if day_over and status in WORKED:
            by_name.setdefault(name, Counter())[status] += count
        elif by == "week" and not day_over:
            running.add(name)
    # a day without a name still counts
    names = sorted(by_name, key=lambda name: (name == NOT_LOGGED, name))
    return [{by: name} | _share(by_name[name], running=name in running) for name in names]


def _share(counts: Counter[str], *, running: bool) -> dict[str, Any]:
    days = counts.total()
    notes = [f"only {days} day{'s' * (days != 1)}"] if days < FEW_DAYS else []
    if running:
        notes.append("week still running")
    low, high = wilson(counts["checked"], days)
    share = counts["checked"] / days
    values = (days, *(counts[status] for status in WORKED), share, low, high, ", ".join(notes))
    return dict(zip(COLUMNS, values, strict=True))


def _group_names(days: Columns, by: By) -> list[str]:
    if by == "crew":
        return [CREW for _ in days["status"]]
    if by == "week":
        return [_iso_week(str(day)[:10]) for day in days["day"]]
    if by not in ("splicer", "technician", "site"):
        raise ValueError(f"compliance is not counted by {by!r}")
    return [name if isinstance(name, str) else NOT_LOGGED for name in days[by]]


@cache
def _iso_week(day: str) -> str:
    year, week, _ = date.fromisoformat(day).isocalendar()
    return f"{year}-W{week:02}"
