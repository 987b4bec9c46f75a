"""Hypotheses on the cause of a shift in loss, and the evidence of the crew's cells for them."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from arcdrift.analysis.causes.onset_window import OnsetWindow
from arcdrift.analysis.causes.records_near_onset import RecordsNearOnset
from arcdrift.arrays import Bools
from arcdrift.charts.random_effects import Shift

MIN_SPLICES = 20
"""Sets of fewer splices are not assessed."""
ANGLE_MOVED = 0.12
"""Change of the log angle that has a noticeable effect on loss."""
MAX_SIGN = 3.0
"""Largest log likelihood ratio of a sign on record, because coincidences near an onset are common.
A large angle shift may count more, as large coincidences are rarer."""
MAX_DEFICIT = 8.0
"""Largest penalty of a set's angles against the set with the strongest angle shift."""

PRIOR = {
    "splicer": 0.22, "arc": 0.08, "worn": 0.05, "blade": 0.10, "one side": 0.05, "person": 0.20,
    "hands": 0.12, "program here": 0.05, "fibers": 0.05, "program": 0.04, "site": 0.03,
    "crew": 0.03, "service": 0.03, "chance": 0.35,
}  # fmt: skip
"""Relative prior frequency of each kind of hypothesis when a loss has shifted."""
NOUNS = {
    "level": "losses", "spread": "scatter", "dirty": "share of dirty splices",
    "first_time": "share of places not right first time", "errors": "errors per attempt",
}  # fmt: skip
"""Words for what shifted."""


@dataclass(frozen=True)
class Hypothesis:
    """One possible cause of a shift.

    Attributes
    ----------
    cause : str
    why : callable
        Returns the explanation; called only for hypotheses that are reported.
    score : float
        Log of the posterior probability, up to a constant common to all hypotheses.
    technician : str
        Hypotheses on the same person are reported as one; empty for other hypotheses.
    """

    cause: str
    why: Callable[[], str]
    score: float
    technician: str = ""


@dataclass(frozen=True)
class ShiftEvidence:
    """A subject's shift in loss, with the crew's cells and records near its onset.

    Sets of cells are boolean arrays over the cells of `window`. "Evidence" is the natural log of a
    Bayes factor.

    Attributes
    ----------
    subject_cells : array of bool
        The subject's cells since the onset.
    sign : float
        1 for a rise, -1 for a fall.
    about_technician : bool
        The subject is a person, so that nobody else can have taken over.
    people : frozenset of str
        People whom the comparison of subjects names for the shift.
    """

    window: OnsetWindow
    records: RecordsNearOnset
    subject_cells: Bools
    onset: pd.Timestamp
    until: pd.Timestamp
    sign: float
    about_technician: bool = False
    people: frozenset[str] = frozenset()

    @cached_property
    def splicers(self) -> int:
        """Number of the crew's splicers in use since the onset."""
        return len(np.unique(self.window.code("splicer")[self.window.after]))

    @property
    def noun(self) -> str:
        """Word for what shifted."""
        return NOUNS[self.window.measure]

    def codes(self, key: str) -> list[int]:
        """Codes of a key's values that occur among the subject's cells since the onset."""
        return [int(code) for code in np.unique(self.window.code(key)[self.subject_cells])]

    def cells_with(self, key: str, code: int) -> Bools:
        """All cells of the crew with this value of a key, before and since the onset."""
        return np.asarray(self.window.code(key) == code)

    def name(self, key: str, code: int) -> str:
        """Value of a key by its code."""
        return self.window.cells.names[key][code]

    def log_prior(self, kind: str, among: int = 1) -> float:
        """Log prior of one of so many hypotheses of a kind."""
        return float(np.log(PRIOR[kind] / among))

    def loss_evidence(self, cells: Bools) -> float:
        """Evidence that the loss of a set of cells shifted at the onset."""
        return self._evidence(cells & self.window.after)

    def lasting_loss_evidence(self, cells: Bools) -> float:
        """Evidence that the loss of a set differs by the same amount before and since the onset."""
        return self._evidence(cells)

    def _evidence(self, cells: Bools) -> float:
        return self.window.evidence(cells, self.sign)

    def on_two_splicers(self, cells: Bools) -> bool:
        """Whether a set of cells shifted on more than one splicer."""
        return self.window.is_on_two_splicers(cells, self.sign)

    def angle_shift(
        self,
        cells: Bools,
        measure: str = "angle",
        side: float | None = None,
        *,
        lasting: bool = False,
    ) -> Shift:
        """Shift of the log cleave angles of a set (``uneven``: of right minus left log angle).

        With `lasting` the shift covers the cells before the onset as well.
        """
        shifted = cells if lasting else cells & self.window.after
        return self.window.angle_shift(measure, shifted, self.sign if side is None else side)

    @cached_property
    def angle_evidence(self) -> dict[tuple[str, int], float]:
        """Evidence of the angles for each cleaver and person, by key and code.

        The set with the strongest angle shift gets its evidence, limited as described at
        `MAX_SIGN`; every other set gets less by the difference of the evidences.
        """
        shifts = {
            (key, code): self.angle_shift(self.cells_with(key, code))
            for key in ("cleaver", "technician")
            for code in self.codes(key)
        }
        best = max((shift.log_bayes_factor for shift in shifts.values()), default=0.0)
        evidence = {}
        for key, shift in shifts.items():
            size = self.sign * shift.size
            term = min(best, MAX_SIGN + max(size, 0.0) / ANGLE_MOVED)
            term += max(shift.log_bayes_factor - best, -MAX_DEFICIT)
            evidence[key] = term if size >= ANGLE_MOVED else min(term, 0.0) - MAX_SIGN
        return evidence

    def loss_change(self, cells: Bools) -> float | None:
        """Relative change of what shifted since the onset in a set; None for few splices."""
        after = self.window.after
        now, before = self._loss_ratio(cells & after), self._loss_ratio(cells & ~after)
        return None if now is None else now / (before or 1.0) - 1.0

    def relative_loss(self, cells: Bools) -> float | None:
        """What a set lost over what its streams usually lose, minus 1."""
        ratio = self._loss_ratio(cells)
        return None if ratio is None else ratio - 1.0

    def _loss_ratio(self, cells: Bools) -> float | None:
        if self.window.n[cells].sum() < MIN_SPLICES:
            return None
        return float(self.window.observed[cells].sum() / self.window.expected[cells].sum())

    def change_text(self, cells: Bools, template: str) -> str:
        """Template filled with the loss change of a set; empty for few splices."""
        change = self.loss_change(cells)
        return "" if change is None else template.format(f"{change:+.0%}")

    def largest_parts_text(self, cells: Bools, key: str) -> str:
        """Loss change of the three largest parts of a set, by the values of a key."""
        code = self.window.code(key)
        since = cells & self.window.after
        splices = np.bincount(code[since], self.window.n[since])
        texts = [
            self.change_text(cells & (code == part), f"{self.name(key, int(part))} {{}}")
            for part in np.argsort(-splices, kind="stable")[:3]
        ]
        return ", ".join(text for text in texts if text)


def cells_of_subject(window: OnsetWindow, subject_type: str, subject_id: str) -> Bools:
    """Cells of a subject, before and since the onset."""
    if subject_type == "crew":
        return np.ones(len(window.rows), dtype=bool)
    return np.asarray(window.code(subject_type) == window.cells.code_of(subject_type, subject_id))
