"""What only a whole file can tell, gathered over its chunks.

Repeated hours, wrong units, fractions in place of percentages, and times without a time of day.
"""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from arcdrift.arrays import Bools, Floats
from arcdrift.times import Evidence

BOUND_CODES = ("value-too-low", "value-too-high")
_MIN_FILE_ROWS = 3
"""From this many rows on, a bound that all of them fail speaks against the file, not the rows."""
_MOST_PERCENTAGES = 0.5
"""If more of the percentages other than 0 lie from 0 to 1, they may be fractions."""
_FEW_DAYS = 2
"""Two distinct days are as good as many."""


@dataclass(frozen=True)
class OutOfBoundsColumn:
    """A column whose values are all doubtful: their count, lowest and highest."""

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
class FractionColumn:
    """A column whose values may be fractions of 1, not percentages.

    Attributes
    ----------
    column : str
        Its name.
    within, present : int
        Number of values from 0 to 1, and of all values.
    lowest, highest : float
        Ends of those from 0 to 1.
    """

    column: str
    within: int
    present: int
    lowest: float
    highest: float


class PercentageCounts:
    """Percentages without a stated unit, by column."""

    def __init__(self) -> None:
        self._present: Counter[str] = Counter()
        self._within: Counter[str] = Counter()
        self._zeros: Counter[str] = Counter()
        self._ends: dict[str, tuple[float, float]] = {}

    def add(self, column: str, values: Floats) -> None:
        """Count the values of a chunk; NaN where missing."""
        values = values[np.isfinite(values)]
        within = values[(values >= 0) & (values <= 1)]
        self._present[column] += len(values)
        self._within[column] += len(within)
        self._zeros[column] += int((within == 0).sum())
        if len(within):
            low, high = self._ends.get(column, (float("inf"), float("-inf")))
            self._ends[column] = min(low, float(within.min())), max(high, float(within.max()))

    def fraction_column(self) -> FractionColumn | None:
        """Find a column most of whose values may be fractions of 1; None for none.

        Air of at most 1 % humidity is not met at work, but a sensor that gives fractions may
        also go above 1. Zeros are 0 % either way.
        """
        for name, (low, high) in self._ends.items():
            fractions = self._within[name] - self._zeros[name]
            if fractions > _MOST_PERCENTAGES * (self._present[name] - self._zeros[name]):
                within, present = self._within[name], self._present[name]
                return FractionColumn(name, within, present, low, high)
        return None


class ClockCounts:
    """Whether any time of a file has a time of day other than midnight."""

    def __init__(self) -> None:
        self._rows = 0
        self._days: set[pd.Timestamp] = set()
        self.has_clock = False
        """Whether one has; then nothing more is counted."""

    def add(self, written: pd.Series) -> None:
        """Count the times of a chunk as they are written, without a zone; NaT where missing."""
        written = written.dropna()
        days = written.dt.normalize()
        self.has_clock = self.has_clock or bool((written != days).any())
        if not self.has_clock:
            self._rows += len(written)
            self._days.update(days.unique()[:_FEW_DAYS])

    def rows_at_midnight(self, *, several_per_minute: bool) -> int:
        """Number of rows if the time of day of all of them was lost, else 0.

        Readings of one midnight are possible; so are two splices of one midnight.
        """
        lost = len(self._days) > 1 or (several_per_minute and self._rows >= _MIN_FILE_ROWS)
        return self._rows if lost and not self.has_clock else 0


@dataclass(frozen=True)
class WholeFileState:
    """What the chunks of one file say together.

    Attributes
    ----------
    evidence : Evidence
        Which pass of a repeated hour rows belong to.
    bounds : BoundCounts
        Values that fail a bound.
    percentages : PercentageCounts
        Percentages without a stated unit.
    clocks : ClockCounts
        Whether the times have a time of day.
    """

    evidence: Evidence = field(default_factory=Evidence)
    bounds: BoundCounts = field(default_factory=BoundCounts)
    percentages: PercentageCounts = field(default_factory=PercentageCounts)
    clocks: ClockCounts = field(default_factory=ClockCounts)

    def start_chunk(self, number: int) -> None:
        """Say which chunk is typed next."""
        self.evidence.chunk, self.evidence.undecided = number, False

    @property
    def chunk_must_wait(self) -> bool:
        """Whether the chunk has rows of a repeated hour, which all chunks must be read to place."""
        return self.evidence.undecided
