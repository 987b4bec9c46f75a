"""Whether an action helped, as far as the charts tell: the measure went back to usual, or not yet.

The one place where a result is decided. What the charts do not tell is "not assessable", never a
guess; an estimate of the measure before and after an action, with its interval, belongs here.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

Verdict = Literal["cured", "better", "no-change", "too-early", "not-assessable"]

VERDICTS: dict[str, str] = {
    "cured": "cured",
    "better": "better",
    "no-change": "no change",
    "too-early": "too early to say",
    "not-assessable": "cannot be told yet",
}
SETTLED_DAYS = 5
"""Workdays without evidence after which a measure counts as back to usual: a chart needs three to
six workdays to see a rise of 25 to 50 % (design of the loss charts)."""
LINGERS = 3
"""Calendar days for which evidence may linger after the action that ended it."""
FOLLOWS = 7
"""Calendar days after the last evidence within which an action may be what ended it."""


@dataclass(frozen=True)
class Outcome:
    """Result of an action.

    Attributes
    ----------
    verdict : str
        ``cured``, ``better``, ``no-change``, ``too-early`` or ``not-assessable``.
    before, after, difference, low, high : float or None
        The case's measure before and after the action, and their difference with its 95 %
        interval; None where it was not estimated.
    unit : str
        Unit of these; empty where there are none.
    workdays_needed : int
        More workdays until the result can be told; 0 unless it is too early.
    """

    verdict: Verdict
    before: float | None = None
    after: float | None = None
    difference: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str = ""
    workdays_needed: int = 0


def may_have_ended(acted_on: date, until: date) -> bool:
    """Whether an action was near enough to the last evidence to be what ended it."""
    days = (acted_on - until).days
    return -LINGERS <= days <= FOLLOWS


def outcome(acted_on: date, until: date, workdays: Sequence[date]) -> Outcome:
    """Result of an action from the end of the evidence and the workdays since.

    Parameters
    ----------
    acted_on : date
        Local day of the action.
    until : date
        Local day of the latest evidence.
    workdays : sequence of date
        Local days on which the case's subject was at work, in order.
    """
    since_action = sum(day > acted_on for day in workdays)
    if since_action < SETTLED_DAYS:
        return Outcome("too-early", workdays_needed=SETTLED_DAYS - since_action)
    quiet = sum(day > until for day in workdays)
    if may_have_ended(acted_on, until) and quiet >= SETTLED_DAYS:
        return Outcome("cured")
    return Outcome("not-assessable")
