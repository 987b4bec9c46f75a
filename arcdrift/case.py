"""Cases: what a person works on, as they are kept, and what people say about them.

Apart from `arcdrift.analysis.cases`, because the store keeps them.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal, get_args

State = Literal["new", "taken-on", "waiting", "closed"]
Action = Literal["take", "done", "close", "reopen"]
Closing = Literal["cured", "not-a-fault", "accepted"]

STATES: dict[str, str] = {
    "new": "new",
    "taken-on": "taken on",
    "waiting": "waiting for the result",
    "closed": "closed",
}
"""States by key, in words."""
CLOSINGS: tuple[Closing, ...] = get_args(Closing)
"""Why a person may close a case; `CLOSED_WORDS` has also those by which one closes itself."""
CLOSED_WORDS: dict[str, str] = {
    "cured": "cured",
    "not-a-fault": "not a fault",
    "accepted": "accepted",
    "passed": "passed by itself",
    "past": "over",
    "not-found": "no longer in the records",
}

Key = tuple[str, str, str]
"""Cause, type of subject and name of subject."""


@dataclass(frozen=True)
class KeptCase:
    """What is kept of a case from analysis to analysis, so that it keeps its id.

    Attributes
    ----------
    id : str
        Twelve hexadecimal digits, given when the case was first found.
    keys : tuple of Key
        Causes and subjects of its findings so far, the first one first.
    began, until : datetime
        Onset and latest evidence (UTC) when it was last found.
    first_seen : datetime
        First alarm (UTC) when it was first found; the older of two cases gives its id to both.
    spoken : bool
        Whether a person said something about it.
    title : str
        When it was last found.
    """

    id: str
    keys: tuple[Key, ...]
    began: datetime
    until: datetime
    first_seen: datetime
    spoken: bool = False
    title: str = ""


@dataclass(frozen=True)
class CaseStatement:
    """What a person said about a case.

    Attributes
    ----------
    how : str
        Why it was closed, one of `CLOSINGS`; empty for other actions.
    acted_on : datetime or None
        When the work was done (UTC), where that differs from when it was said.
    evidence_until : datetime
        Latest evidence that was known when it was said (UTC): what comes later is new.
    """

    case_id: str
    action: str
    said_by: str
    why: str
    recorded_at: datetime
    evidence_until: datetime
    how: str = ""
    acted_on: datetime | None = None


def rate_text(rate: Mapping[str, Any]) -> str:
    """Return the rate of a case with its interval, beside what is usual, in one sentence.

    Parameters
    ----------
    rate : mapping
        ``what``, ``unit`` and, as shares, ``share``, ``low``, ``high``, ``usual``.
    """
    share, low, high = (f"{100 * rate[name]:.0f}" for name in ("share", "low", "high"))
    usual = f"{100 * rate['usual']:.{0 if rate['usual'] >= 0.01 else 1}f} %"
    verb = "Missed or late on" if rate["unit"] == "workdays" else f"{rate['what'].capitalize()}:"
    return f"{verb} {share} % of {rate['unit']} ({low} to {high} %); {usual} is usual."
