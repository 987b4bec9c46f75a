"""Cells near one onset, before and since, with the models of their losses and cleave angles."""

from collections.abc import Sequence
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from arcdrift.analysis.causes.crew_cells import SUMMED
from arcdrift.analysis.causes.measure_model import SubjectShift
from arcdrift.analysis.causes.shift_cells import ShiftCells
from arcdrift.analysis.causes.subject_posterior import on_two_splicers
from arcdrift.analysis.common.chart_states import digest_of
from arcdrift.analysis.common.days import day_begun_at
from arcdrift.analysis.loss.proportion_charts import COUNTED
from arcdrift.arrays import Bools, Floats, Ints
from arcdrift.charts.random_effects import RandomEffectsModel, Shift

BEFORE_DAYS = 45
"""Days before an onset that the cells since are compared with."""
CLEAVER_DEG, PERSON_DEG, DAY_DEG = 0.30, 0.20, 0.02
"""Standard deviations of random effects on log cleave angles: of cleavers (with the wear of a
blade), people, and days of the whole crew."""
ANGLE_SHIFT_SD = 0.35
"""Prior standard deviation of a shift of the log angle."""
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
        reference = np.datetime64(day_begun_at(onset).date())
        model = source.model(measure, near, reference)
        self.rows, self.after = model.rows, np.asarray(model.rows >= split)
        self.measure, self.shift_sd = measure, model.shift_sd
        self.source = model
        share = COUNTED.get(measure)
        self.n = self.sums(share.of if share else "n")
        if measure == "spread":
            # the squared spread of each cell, weighted by its splices
            ratio = (
                self.sums("squares") * self.n / np.maximum(self.sums("capped"), 1e-12) ** 2 - 1.0
            )
            self.expected, self.observed = self.n * model.baseline, self.n * ratio
        else:
            self.expected = self.n * model.baseline
            self.observed = self.sums(share.bad if share else "capped")
        self._others = tuple(others)
        self._kept = source.kept
        self._angles: dict[str, RandomEffectsModel] = {}

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

    @cached_property
    def effects(self) -> RandomEffectsModel:
        """Model of the measure of every cell, with the known changes of other subjects."""
        return self.source.with_shifts(self._others)

    def evidence(self, cells: Bools, sign: float) -> float:
        """Log Bayes factor of a change of the measure in some cells to one side."""
        return self._kept.get(
            ["change", self.source.content, self._others, sign, np.packbits(cells)],
            lambda: self.effects.shift_bayes_factor(cells, sign, self.shift_sd).log_bayes_factor,
        )

    def is_on_two_splicers(self, cells: Bools, sign: float) -> bool:
        """Whether a set of cells changed on more than one splicer."""
        return self._kept.get(
            ["two splicers", self.source.content, self._others, sign, np.packbits(cells)],
            lambda: on_two_splicers(self.source, self.effects, cells, sign),
        )

    def angle_shift(self, measure: str, cells: Bools, side: float) -> Shift:
        """Shift of ``angle`` or ``uneven`` of some cells to one side; see `ShiftEvidence`."""
        shifted = cells[self._with_angles]

        def compute() -> Shift:
            if measure not in self._angles:
                self._angles[measure] = self._fit_angles(measure, self._with_angles)
            return self._angles[measure].shift_bayes_factor(shifted, side, ANGLE_SHIFT_SD)

        depends_on = ["angles", measure, self._angle_content, side, np.packbits(shifted)]
        return self._kept.get(depends_on, compute)

    @cached_property
    def _with_angles(self) -> Bools:
        """Which cells have angles."""
        return np.asarray(self.sums("angles") > 0)

    @cached_property
    def _angle_content(self) -> bytes:
        """Digest of everything that the model of angles depends on."""
        sums = [self.sums(name) for name in SUMMED if name.startswith(("angle", "uneven"))]
        return digest_of([self.cells.identity[self.rows], self.after, *sums])

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
        units = self.code("cleaver")[known]
        return RandomEffectsModel(values[known], variance[known], groups, units=units)

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
