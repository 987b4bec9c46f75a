"""Cells near one onset, before and since, with the models of their losses and cleave angles."""

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from arcdrift.analysis.causes.measure_model import SubjectShift
from arcdrift.analysis.causes.shift_cells import ShiftCells
from arcdrift.analysis.loss.proportion_charts import COUNTED
from arcdrift.arrays import Bools, Floats, Ints
from arcdrift.charts.random_effects import RandomEffectsModel

BEFORE_DAYS = 45
"""Days before an onset that the cells since are compared with."""
CLEAVER_DEG, PERSON_DEG, DAY_DEG = 0.30, 0.20, 0.02
"""Standard deviations of random effects on log cleave angles: of cleavers (with the wear of a
blade), people, and days of the whole crew."""
WANDER = 0.08
"""Standard deviation of unexplained changes of a cleaver's log angle from one day on. It limits the
evidence of one cleaver, however many splices it has."""
LEAST_BETWEEN = 0.05**2
"""Smallest variance between days."""


class OnsetWindow:
    """Cells from `BEFORE_DAYS` before an onset to the end of the days up to ``until``.

    Parameters
    ----------
    source : ShiftCells
    onset, until : Timestamp
        UTC starts of the first day since the change, and of the last day that shows it.
    measure : str
        What changed (`arcdrift.analysis.causes.measure_model.SCALES`).
    others : sequence of SubjectShift
        Changes of other subjects that are known.

    Attributes
    ----------
    rows : array of int
        Positions in the crew's cells.
    after : array of bool
        Whether each cell is after the onset.
    n : array
        Splices.
    expected, observed : array
        Usual and observed sums of the measure: dB, splices or squared relative spreads.
    shift_sd : float
        Prior standard deviation of a change of the measure.
    """

    def __init__(
        self,
        source: ShiftCells,
        onset: pd.Timestamp,
        until: pd.Timestamp,
        measure: str = "level",
        others: Sequence[SubjectShift] = (),
    ) -> None:
        self.cells = source.cells
        begin, start, stop = (
            moment.value // 1000
            for moment in (
                onset - pd.Timedelta(days=BEFORE_DAYS), onset, until + pd.Timedelta(hours=24)
            )
        )  # fmt: skip
        first, split, last = np.searchsorted(self.cells.at, [begin, start, stop])
        near = np.arange(first, last)
        # local days have no time zone: take the midnight nearest to the onset
        reference = (onset + pd.Timedelta(hours=12)).tz_localize(None).floor("D").to_datetime64()
        model = source.model(measure, near, reference.astype("datetime64[D]"))
        self.rows, self.after = model.rows, np.asarray(model.rows >= split)
        self.measure, self.shift_sd = measure, model.shift_sd
        self.source = model
        self.n = self.sums(COUNTED.get(measure, "n"))
        if measure == "spread":
            # the squared spread of each cell, weighted by its splices
            ratio = (
                self.sums("squares") * self.n / np.maximum(self.sums("capped"), 1e-12) ** 2 - 1.0
            )
            self.expected, self.observed = self.n * model.baseline, self.n * ratio
        else:
            self.expected = self.n * model.baseline
            self.observed = self.sums("capped" if measure == "level" else measure)
        self._effects = model.with_shifts(others)
        self._angles: dict[str, tuple[RandomEffectsModel, Bools]] = {}

    @property
    def has_both_sides(self) -> bool:
        """Whether there are splices before the onset and since."""
        return bool(self.after.any() and not self.after.all())

    def code(self, key: str) -> Ints:
        """Code of each cell's value of a key."""
        return self.cells.code[key][self.rows]

    def sums(self, key: str) -> Floats:
        """One of the summed columns."""
        return self.cells.sums[key][self.rows]

    @property
    def effects(self) -> RandomEffectsModel:
        """Model of the measure of every cell, with the known changes of other subjects."""
        return self._effects

    def angle_model(self, measure: str) -> tuple[RandomEffectsModel, Bools]:
        """Model of ``angle`` or ``uneven``, and which cells have angles."""
        if measure not in self._angles:
            known = self.sums("angles") > 0
            self._angles[measure] = self._fit_angles(measure, known), known
        return self._angles[measure]

    def _fit_angles(self, measure: str, known: Bools) -> RandomEffectsModel:
        n = np.maximum(self.sums("angles"), 1.0)
        values = self.sums(measure) / n
        squares = self.sums(f"{measure}_squares") - n * values**2
        before = known & ~self.after
        if before.any():
            values = values - np.average(values[before], weights=n[before])
        within = float(squares[known].sum() / max((n[known] - 1.0).sum(), 1.0))
        variance = within / n + self._between(values, n, within, known)
        groups: list[tuple[Any, float]] = [
            (self.code(key)[known], sd)
            for key, sd in (
                ("cleaver", CLEAVER_DEG), ("technician", PERSON_DEG), ("day", DAY_DEG)
            )
        ]  # fmt: skip
        groups.append((np.where(self.after, self.code("cleaver"), -1)[known], WANDER))
        return RandomEffectsModel(values[known], variance[known], groups)

    def _between(self, values: Floats, n: Floats, within: float, known: Bools) -> float:
        """Variance between days beyond that of single splices, before the onset."""
        rows = known & ~self.after
        if rows.sum() < 20:
            return LEAST_BETWEEN * 4
        code = self.code("cleaver")[rows]
        y, w = values[rows], n[rows]
        size = int(code.max()) + 1
        total = np.bincount(code, w, minlength=size)
        mean = np.bincount(code, w * y, minlength=size) / np.maximum(total, 1e-9)
        residual = float((w * (y - mean[code]) ** 2).sum())
        cells = len(y) - len(np.unique(code))
        spread = w.sum() - (np.bincount(code, w**2, minlength=size) / np.maximum(total, 1e-9)).sum()
        return max((residual - within * cells) / max(float(spread), 1e-9), LEAST_BETWEEN)
