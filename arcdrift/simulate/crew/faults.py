"""Planted faults: their kind, their subject, their period and their size."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

FaultKind = Literal[
    "arc-step",
    "arc-drift",
    "v-grooves-dirty",
    "careless",
    "checks-skipped",
    "check-failed",
    "electrodes-late",
    "blade-overdue",
    "cold-front",
    "readings-gap",
    "site-move",
    "electrodes-kept",
    "holder-bent",
    "newcomer",
    "wrong-program",
    "clock-reset",
    "estimate-optimistic",
    "fiber-position",
    "careless-loading",
    "blade-chipped",
    "site-dusty",
    "holder-worn",
    "haste",
    "slow-beginner",
    "easy-program",
    "holder-habit",
]
Side = Literal["left", "right"]
SUBJECT_TYPES: dict[str, str] = {
    "arc-step": "splicer",
    "arc-drift": "splicer",
    "v-grooves-dirty": "splicer",
    "careless": "technician",
    "checks-skipped": "splicer",
    "check-failed": "splicer",
    "electrodes-late": "splicer",
    "blade-overdue": "cleaver",
    "cold-front": "crew",
    "readings-gap": "site",
    "site-move": "splicer",
    "electrodes-kept": "splicer",
    "holder-bent": "splicer",
    "newcomer": "technician",
    "wrong-program": "splicer",
    "clock-reset": "splicer",
    "estimate-optimistic": "splicer",
    "fiber-position": "splicer",
    "careless-loading": "technician",
    "blade-chipped": "cleaver",
    "site-dusty": "site",
    "holder-worn": "crew",
    "haste": "technician",
    "slow-beginner": "technician",
    "easy-program": "crew",
    "holder-habit": "technician",
}
HARMLESS = frozenset({"cold-front", "site-move", "slow-beginner", "easy-program", "holder-habit"})
"""Kinds that change the measurements although nothing is wrong."""


@dataclass(frozen=True)
class Fault:
    """One planted fault.

    Attributes
    ----------
    kind : str
        One of `FaultKind`.
    subject : str
        Splicer, technician, cleaver or site; the crew's name for a front.
    since, until : datetime
        Local wall-clock times; ``until`` is the first moment without the fault, None if it lasts
        to the end. An arc step also ends when the electrodes are replaced.
    size : float
        ``arc-step``: units of a model of scale 1; ``arc-drift``: the same per day;
        ``v-grooves-dirty``, ``careless``: factor on loss; ``checks-skipped``: share of days;
        ``electrodes-late``: arcs at which they are replaced; ``cold-front``: kelvin;
        ``blade-overdue``: factor on the blade's wear (0: the ordinary wear); ``holder-bent``:
        factor on the cleave angles of one side; ``newcomer``: factor on loss on the first
        day; ``wrong-program``: factor on loss; ``clock-reset``: hours the splicer's clock is
        off, negative when it is slow; ``estimate-optimistic``: dB of every splice that the
        estimate does not see; ``fiber-position``, ``careless-loading``, ``blade-chipped``,
        ``site-dusty``: share of splices that fail beside the usual errors (0: no more fail, but
        most errors get the fault's reason); ``holder-worn``, ``haste``: factor on loss;
        ``slow-beginner``, ``easy-program``: factor on the time between splices. Others ignore it.
    description : str
        One sentence.
    target : str, optional
        Where a splicer moves to; the program used instead of the right one; the easy program.
    side : str, optional
        Which holder is bent.
    fiber : str, optional
        The second fiber of the splices made with a wrong program.
    name : str, optional
        The scenario that the fault comes from.
    """

    kind: FaultKind
    subject: str
    since: datetime
    until: datetime | None
    size: float
    description: str
    target: str | None = None
    side: Side | None = None
    fiber: str | None = None
    name: str | None = None

    @property
    def subject_type(self) -> str:
        """Type of the subject: splicer, technician, cleaver, site or crew."""
        return SUBJECT_TYPES[self.kind]

    @property
    def harmless(self) -> bool:
        """Whether nothing is wrong, so that nobody needs to act."""
        return self.kind in HARMLESS

    def span(self, zone: str) -> tuple[float, float]:
        """Return start and end in seconds since 1970 UTC; the end is infinite if it is open."""

        def seconds(local: datetime) -> float:
            return local.replace(tzinfo=ZoneInfo(zone)).astimezone(UTC).timestamp()

        return seconds(self.since), np.inf if self.until is None else seconds(self.until)

    def active(self, times: npt.NDArray[np.int64], zone: str) -> npt.NDArray[np.bool_]:
        """Return whether the fault acts at each of some times in seconds since 1970 UTC."""
        start, end = self.span(zone)
        return (times >= start) & (times < end)


def faults_of_kind(
    faults: Iterable[Fault], kind: FaultKind, subject: str | None = None
) -> list[Fault]:
    """Select the faults of one kind, and of one subject if it is given."""
    return [fault for fault in faults if fault.kind == kind and subject in (None, fault.subject)]
