"""What only a whole file can tell, gathered over its chunks: repeated hours and wrong units."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

import pandas as pd

from arcdrift.arrays import Bools
from arcdrift.times import Evidence

BOUND_CODES = ("value-too-low", "value-too-high")
_MIN_FILE_ROWS = 3
"""From this many rows on, a bound that all of them fail speaks against the file, not the rows."""


@dataclass(frozen=True)
class OutOfBoundsColumn:
    """A column whose values all fail one bound: their count, lowest and highest."""

    column: str
    present: int
    lowest: float
    highest: float


class BoundCounts:
    """Counts of values, and of values that fail a bound, by column."""

    def __init__(self) -> None:
        self._rows = 0
        self._present: Counter[str] = Counter()
        self._failed: Counter[tuple[str, str]] = Counter()
        self._ends: dict[str, tuple[float, float]] = {}

    def add(
        self,
        frame: pd.DataFrame,
        numbers: Iterable[str],
        failures: Iterable[tuple[str, str, Bools]],
    ) -> None:
        """Count a chunk.

        Parameters
        ----------
        frame : DataFrame
            Its rows.
        numbers : iterable of str
            The columns of numbers.
        failures : iterable of tuple
            Problem code, column and failing rows of each check that failed.
        """
        self._rows += len(frame)
        for name in numbers:
            self._present[name] += int(frame[name].notna().sum())
        for code, name, where in failures:
            if code not in BOUND_CODES:
                continue
            self._failed[code, name] += int(where.sum())
            low, high = self._ends.get(name, (float("inf"), float("-inf")))
            self._ends[name] = min(low, frame[name].min()), max(high, frame[name].max())

    def out_of_bounds_column(self) -> OutOfBoundsColumn | None:
        """Find the first column that fails as a whole, as with a wrong unit; None for none."""
        for name, present in self._present.items():
            worst = max(self._failed[code, name] for code in BOUND_CODES)
            if worst >= present >= max(_MIN_FILE_ROWS, self._rows / 2):
                return OutOfBoundsColumn(name, present, *self._ends[name])
        return None


@dataclass(frozen=True)
class WholeFileState:
    """What the chunks of one file say together.

    Attributes
    ----------
    evidence : Evidence
        Which pass of a repeated hour rows belong to.
    bounds : BoundCounts
        Values that fail a bound.
    """

    evidence: Evidence = field(default_factory=Evidence)
    bounds: BoundCounts = field(default_factory=BoundCounts)

    def start_chunk(self, number: int) -> None:
        """Say which chunk is typed next."""
        self.evidence.chunk, self.evidence.undecided = number, False

    @property
    def chunk_must_wait(self) -> bool:
        """Whether the chunk has rows of a repeated hour, which all chunks must be read to place."""
        return self.evidence.undecided
