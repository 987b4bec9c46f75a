"""The state of every splicer on the Shift page: its verdict, the reason in short, what is next."""

from dataclasses import dataclass
from time import monotonic

from arcdrift.analysis.advice.advice import Advice
from arcdrift.analysis.advice.checklist import next_service
from arcdrift.verdicts import VERDICTS, Verdict
from dashboard.reading.data import CrewData

SECONDS_AT_ONCE = 0.8
"""How long a page works out advice before it is sent; the rest follows."""
AT_ONCE = 4
"""Splicers whose advice is worked out at a time."""


@dataclass(frozen=True)
class SplicerNow:
    """One splicer at this moment.

    Attributes
    ----------
    advice : Advice or None
        None while it is worked out, or where it cannot be.
    trouble : str
        Why there is no advice; empty where there is, or where it is still worked out.
    """

    splicer: str
    advice: Advice | None = None
    trouble: str = ""

    @property
    def is_pending(self) -> bool:
        """Whether its advice is still worked out."""
        return self.advice is None and not self.trouble

    @property
    def verdict(self) -> Verdict:
        """Return its verdict; *cannot tell* where there is no advice."""
        return VERDICTS["cannot-tell" if self.advice is None else self.advice.verdict]

    @property
    def unchecked(self) -> int:
        """Return how many splices were made on an arc that should have been checked."""
        made = None if self.advice is None else self.advice.unchecked
        return 0 if made is None else made.splices

    @property
    def must_stop(self) -> bool:
        """Whether it is at work and must make no further splice before a check.

        A splicer that has made no splice today is only due a check before its first one.
        """
        if self.advice is None or not self.verdict.stops_work:
            return False
        return self.unchecked > 0 or self.advice.verdict == "recalibrate"

    @property
    def reason(self) -> str:
        """Return the reason for the verdict in about five words."""
        if self.advice is None:
            return "working it out" if self.is_pending else "nothing on record yet"
        return self.advice.in_short

    @property
    def service(self) -> str:
        """Return what service comes next; empty where nothing on record tells."""
        return "" if self.advice is None else next_service(self.advice.start_of_day)

    def urgency(self) -> tuple[bool, int, int, str]:
        """Return the sort key: who must stop first, most unchecked splices first, then verdicts."""
        rank = list(VERDICTS).index(self.verdict.code)
        idle = self.verdict.stops_work and not self.must_stop
        return (not self.must_stop, -self.unchecked, 9 if idle else rank, self.splicer)


def splicers_now(
    data: CrewData, mine: str | None, seconds: float | None = None
) -> list[SplicerNow]:
    """Return every splicer, the most urgent first.

    Advice that is at hand is used at once. What is not is worked out for some seconds, the
    visitor's own splicer first; the others are pending then, and worked out in the background.

    Parameters
    ----------
    seconds : float, optional
        How long to work advice out; by default `SECONDS_AT_ONCE`.
    """
    limit = SECONDS_AT_ONCE if seconds is None else seconds
    names = sorted(data.splicers(), key=lambda name: name != mine)
    missing = data.without_advice(names)
    begun = monotonic()
    while missing and monotonic() - begun < limit:
        data.crew_advice(missing[:AT_ONCE])
        missing = missing[AT_ONCE:]
    advice = data.crew_advice(name for name in names if name not in missing)
    states = [
        SplicerNow(
            name,
            advice.get(name),
            "" if name in advice or name in missing else f"{name} has no check or splice yet.",
        )
        for name in names
    ]
    if any(state.is_pending for state in states):
        data.prefetch_advice()
    return sorted(states, key=SplicerNow.urgency)
