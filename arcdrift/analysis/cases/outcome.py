"""Whether an action helped: what is known of it, and how it is told.

A case with a measure is judged before and after the action
(`arcdrift.analysis.cases.case_measures`); of others the charts tell that the evidence ended, or
not. What neither tells is "not assessable", never a guess.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal

from arcdrift.instants import day_text

Verdict = Literal["cured", "better", "no-change", "worse", "too-early", "not-assessable"]

OF_USUAL = "% above usual"
OF_WORKDAYS = "% of workdays"
VERDICTS: dict[str, str] = {
    "cured": "cured",
    "better": "better",
    "no-change": "no change",
    "worse": "worse",
    "too-early": "too early to say",
    "not-assessable": "not known yet",
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
        ``cured``, ``better``, ``no-change``, ``worse``, ``too-early`` or ``not-assessable``.
    before, after, difference : float or None
        The case's measure before and after the action, and after minus before; None where it was
        not estimated.
    low, high : float or None
        95 % interval of `after`.
    unit : str
        Unit of these, such as ``% above usual``; empty where there are none.
    workdays_needed : int
        More workdays until the result can be told; 0 unless it is too early.
    measure : str
        What was measured, such as ``loss``; empty where it was not.
    """

    verdict: Verdict
    before: float | None = None
    after: float | None = None
    difference: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str = ""
    workdays_needed: int = 0
    measure: str = ""


def outcome_text(found: Outcome) -> str:
    """Return a result in a few words, such as ``better: 12 % above usual since ...``."""
    if found.verdict == "too-early":
        days = found.workdays_needed
        return f"too early: {days} more workday{'' if days == 1 else 's'}"
    levels = levels_text(found)
    verdict = VERDICTS[found.verdict]
    return f"{verdict}: {levels}" if levels else verdict


def levels_text(found: Outcome) -> str:
    """Return the levels before and after an action in words, with the interval; empty if none.

    Such as ``1 % below usual since (-12 to 12 %), 34 % above before`` or ``5 % of workdays since (1
    to 14 %), 40 % before``.
    """
    if found.after is None or found.before is None or found.low is None or found.high is None:
        return ""
    interval = f"({round(found.low):d} to {round(found.high):d} %)"
    if found.unit == OF_USUAL:
        side = "above" if found.after >= 0 else "below"
        before = "above" if found.before >= 0 else "below"
        what = f"{found.measure} " if found.measure else ""
        return (
            f"{what}{abs(found.after):.0f} % {side} usual since {interval}, "
            f"{abs(found.before):.0f} % {before} it before"
        )
    return f"{found.after:.0f} {found.unit} since {interval}, {found.before:.0f} % before"


def relief_text(case: Mapping[str, Any]) -> str:
    """Say that the last action of a case helped, such as ``better after v-grooves cleaned on ...``.

    Empty where it did not, where that is not known, and where nothing was done.

    Parameters
    ----------
    case : mapping
        A case as `arcdrift.analysis.cases.case_states.case_view` returns it.
    """
    verdict = case["result"]["verdict"] if case["result"] else ""
    words = {"cured": "back to usual", "better": "better"}.get(verdict)
    if words is None:
        return ""
    last = case["actions"][-1]
    return f"{words} after {last['what']} on {day_text(date.fromisoformat(last['day']))}"


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
