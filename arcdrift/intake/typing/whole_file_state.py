"""What can be judged of a whole file only, gathered over the pieces it is read in."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

import pandas as pd

from arcdrift.arrays import Bools
from arcdrift.times import Evidence

BOUND_CODES = ("value-too-low", "value-too-high")
_WHOLE_FILE = 3
"""Rows from which one bound failed by all of them speaks against the file, not the rows."""


@dataclass(frozen=True)
class Outside:
    """A column of which every value fails one bound: how many, and their lowest and highest."""

    column: str
    present: int
    lowest: float
    highest: float


class Bounds:
    """Counts values and those that fail a bound, by column."""

    def __init__(self) -> None:
        self._rows = 0
        self._present: Counter[str] = Counter()
        self._failed: Counter[tuple[str, str]] = Counter()
        self._ends: dict[str, tuple[float, float]] = {}

    def note(
        self, frame: pd.DataFrame, numbers: Iterable[str], found: Iterable[tuple[str, str, Bools]]
    ) -> None:
        """Count a piece: its rows, its columns of numbers, and the checks that failed."""
        self._rows += len(frame)
        for name in numbers:
            self._present[name] += int(frame[name].notna().sum())
        for code, name, where in found:
            if code not in BOUND_CODES:
                continue
            self._failed[code, name] += int(where.sum())
            low, high = self._ends.get(name, (float("inf"), float("-inf")))
            self._ends[name] = min(low, frame[name].min()), max(high, frame[name].max())

    def outside(self) -> Outside | None:
        """The first column that fails as a whole, as with a wrong unit; None where none does."""
        for name, present in self._present.items():
            worst = max(self._failed[code, name] for code in BOUND_CODES)
            if worst >= present >= max(_WHOLE_FILE, self._rows / 2):
                return Outside(name, present, *self._ends[name])
        return None


@dataclass(frozen=True)
class Across:
    """What the pieces of one file tell together."""

    evidence: Evidence = field(default_factory=Evidence)
    bounds: Bounds = field(default_factory=Bounds)
