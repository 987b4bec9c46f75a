"""Titles of loss charts that say what is seen, such as "Dunlin: up 28 % since 19 Oct 2026"."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from arcdrift.instants import day_text
from arcdrift.wording import change_text, change_words

FAR = 0.1
"""Change of ten days from which they are not called usual, though chance may explain it."""


@dataclass(frozen=True)
class LossChange:
    """A rise or fall of a loss as its finding has it.

    Attributes
    ----------
    change : float
        Share of the usual loss.
    since, until : date
        Its onset and the day of its last evidence.
    is_open : bool
        Whether its case is open.
    back : date or None
        First day on which the loss was as usual again, where that can be told.
    whole : str
        What changed where that is more than the chart shows, such as ``Dunlin, all programs``.
    relief : str
        What came of the last action, where it helped, such as ``better after electrodes replaced
        on 6 Nov 2026``.
    """

    change: float
    since: date
    until: date
    is_open: bool
    back: date | None = None
    whole: str = ""
    relief: str = ""


def change_title(name: str, changes: Sequence[LossChange], recent: float | None = None) -> str:
    """Say what a chart shows: the open change, else the last one, else that there was none.

    Parameters
    ----------
    changes : sequence of LossChange
        Those of the period shown.
    recent : float, optional
        Change of the last 10 days against the usual loss, where no change was found.
    """
    open_changes = [change for change in changes if change.is_open]
    if chosen := max(open_changes or changes, key=lambda change: change.since, default=None):
        subject = f"{chosen.whole} " if chosen.whole else ""
        words = f"{name}: {subject}{change_words(chosen.change)}"
        if chosen.is_open:
            words = f"{words} since {day_text(chosen.since)}"
            return f"{words}, {chosen.relief}" if chosen.relief else words
        words += f" from {day_text(chosen.since)}"
        if chosen.back is not None:
            return f"{words}, back to usual since {day_text(chosen.back)}"
        return f"{words} (last alarm {day_text(chosen.until)})"
    if recent is None:
        return f"{name}: too few days to say what is usual"
    if abs(recent) >= FAR:
        return f"{name}: no alarm; the last 10 days {change_text(recent)}"
    return f"{name}: as usual ({change_text(recent)} in the last 10 days)"


def crew_title(last_db: float, before_db: float | None) -> str:
    """Say what the crew's weeks show: the mean of the last week and of the four before it."""
    if before_db is None or not before_db > 0:
        return f"The crew: {last_db:.3f} dB a splice in the last week"
    change = last_db / before_db - 1.0
    against = "as in" if abs(change) < 0.005 else f"{change_words(change)} on"
    return f"The crew: {last_db:.3f} dB a splice in the last week, {against} the four before"
