"""One finding on loss seen against the whole crew: what moved, by how much, how surely."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from arcdrift.analysis.causes.crew_cells import Window
from arcdrift.analysis.causes.random_effects import Shift
from arcdrift.analysis.causes.records_near_onset import Changes
from arcdrift.arrays import Bools

FEWEST = 20
"""Splices below which nothing is said of them."""
PART = 0.10
"""Share of a subject's splices from which a person, splicer or program may explain it."""
LOSS_SPREAD, ANGLE_SPREAD = 0.35, 0.35
"""Usual size of a shift worth a finding: of loss, and of log angle."""
ANGLE_MOVED = 0.12
"""Change of the log angle that costs loss worth speaking of."""
SURE = 3.0
"""Most that a sign says, whatever its evidence: things happen near an onset by coincidence.
A large sign says more, as large coincidences are rarer."""
APART = 8.0
"""How much the angles of one set may speak for it against another set's."""

# how often each story is behind a loss that moved, before anything is looked at
PRIOR = {
    "splicer": 0.22, "arc": 0.08, "worn": 0.05, "blade": 0.10, "one side": 0.05, "person": 0.20,
    "hands": 0.12, "program here": 0.05, "fibers": 0.05, "program": 0.04, "site": 0.03,
    "crew": 0.03, "service": 0.03, "chance": 0.35,
}  # fmt: skip


@dataclass(frozen=True)
class Story:
    """One way it may have come about.

    Attributes
    ----------
    cause : str
    why : callable
        Gives the words; only those of stories that are told are worked out.
    score : float
        Log of the chance, up to a constant that all stories share.
    who : str
        Stories of one person are told as one.
    """

    cause: str
    why: Callable[[], str]
    score: float
    who: str = ""


@dataclass(frozen=True)
class View:
    """A subject's change, and the cells of the crew about it.

    Attributes
    ----------
    own : array of bool
        The subject's cells since the onset, among the window's.
    sign : float
        1 for a rise, -1 for a fall.
    of_person : bool
        The subject is a person: nobody else can have taken over.
    """

    window: Window
    changes: Changes
    own: Bools
    onset: pd.Timestamp
    until: pd.Timestamp
    sign: float
    of_person: bool = False

    @cached_property
    def splicers(self) -> int:
        """Splicers of the crew at work since the onset."""
        return len(np.unique(self.window.code("splicer")[self.window.after]))

    def values(self, key: str) -> list[int]:
        """Numbers of a key's values that made a fair part of the subject's splices."""
        n = self.window.n[self.own]
        made = np.bincount(self.window.code(key)[self.own], n)
        return [int(number) for number in np.flatnonzero(made >= PART * n.sum())]

    def mask(self, key: str, number: int) -> Bools:
        """Every cell of the crew with a value of a key, before and since."""
        return np.asarray(self.window.code(key) == number)

    def name(self, key: str, number: int) -> str:
        """The value behind a number."""
        return self.window.cells.names[key][number]

    def prior(self, story: str, among: int = 1) -> float:
        """Log prior of a story, shared among so many of its kind."""
        return float(np.log(PRIOR[story] / among))

    def loss(self, mask: Bools) -> float:
        """Evidence that the losses of a set moved at the onset."""
        levels, known = self.window.levels("loss")
        cells = (mask & self.window.after)[known]
        return levels.shift(cells, self.sign, LOSS_SPREAD).evidence

    def standing(self, mask: Bools) -> float:
        """Evidence that the losses of a set lie to the side, before the onset as well as since."""
        levels, known = self.window.levels("loss")
        return levels.shift(mask[known], self.sign, LOSS_SPREAD).evidence

    def angle(
        self, mask: Bools, what: str = "angle", side: float | None = None, *, standing: bool = False
    ) -> Shift:
        """Shift of the log cleave angles (or of right against left: ``uneven``) of a set."""
        levels, known = self.window.levels(what)
        cells = (mask if standing else mask & self.window.after)[known]
        return levels.shift(cells, self.sign if side is None else side, ANGLE_SPREAD)

    @cached_property
    def angles(self) -> dict[tuple[str, int], float]:
        """What the angles say for each cleaver and person, against no change of angles.

        The surest set gets what its evidence says, up to what coincidence leaves; each other set
        gets less by as much as its own evidence is less.
        """
        shifts = {
            (key, number): self.angle(self.mask(key, number))
            for key in ("cleaver", "technician")
            for number in self.values(key)
        }
        best = max((shift.evidence for shift in shifts.values()), default=0.0)
        told = {}
        for key, shift in shifts.items():
            size = self.sign * shift.size
            term = min(best, SURE + max(size, 0.0) / ANGLE_MOVED)
            term += max(shift.evidence - best, -APART)
            told[key] = term if size >= ANGLE_MOVED else min(term, 0.0) - SURE
        return told

    def change(self, mask: Bools) -> float | None:
        """Relative change of the mean loss of a set since the onset; None for a few splices."""
        now, then = self._ratio(mask & self.window.after), self._ratio(mask & ~self.window.after)
        return None if now is None else now / (then or 1.0) - 1.0

    def level(self, mask: Bools) -> float | None:
        """Mean loss of a set relative to what is usual for its streams, less 1."""
        ratio = self._ratio(mask)
        return None if ratio is None else ratio - 1.0

    def _ratio(self, mask: Bools) -> float | None:
        if self.window.n[mask].sum() < FEWEST:
            return None
        usual = self.window.n[mask] @ self.window.expected[mask]
        return float(self.window.sums("capped")[mask].sum() / usual)

    def changed(self, mask: Bools, words: str) -> str:
        """Words with the change of a set in them; none for too few splices."""
        change = self.change(mask)
        return "" if change is None else words.format(f"{change:+.0%}")

    def parts(self, mask: Bools, key: str) -> str:
        """How far the three largest parts of a set moved."""
        code = self.window.code(key)
        since = mask & self.window.after
        made = np.bincount(code[since], self.window.n[since])
        told = [
            self.changed(mask & (code == number), f"{self.name(key, int(number))} {{}}")
            for number in np.argsort(-made, kind="stable")[:3]
        ]
        return ", ".join(one for one in told if one)


def subject_cells(window: Window, subject_type: str, subject_id: str) -> Bools:
    """A subject's cells, before and since."""
    if subject_type == "crew":
        return np.ones(len(window.rows), dtype=bool)
    return np.asarray(window.code(subject_type) == window.cells.number(subject_type, subject_id))
