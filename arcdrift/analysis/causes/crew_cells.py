"""Technician days of the crew, indexed for the ranking of causes."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from arcdrift.analysis.causes.random_effects import RandomEffectsModel
from arcdrift.arrays import Bools, Floats, Ints

BEFORE_DAYS = 45
"""Days before an onset that the usual loss is taken from."""
PSEUDO_SPLICES = 300.0
"""Splices that a stream's whole history is worth beside those days."""
STREAM_SD, PERSON_SD, DAY_SD = 0.10, 0.08, 0.03
"""Standard deviations of random effects on relative loss: of streams (they drift slowly), people,
and days of the whole crew. That of people is what `arcdrift.analysis.people.prep_effects` finds in
crews; that of days is small, so that a long shift is not explained by many bad days."""
CLEAVER_DEG, PERSON_DEG, DAY_DEG = 0.30, 0.20, 0.02
"""The same for log cleave angles; the first includes the wear of a blade."""
WANDER = {"loss": 0.08, "angle": 0.08, "uneven": 0.08}
"""Standard deviation of unexplained changes of a stream's loss, or a cleaver's log angle, from one
day on. It limits the evidence of one stream, however many splices it has."""
LEAST_BETWEEN = 0.05**2
"""Smallest variance between days."""
CELL_KEYS = ("splicer", "technician", "cleaver", "program", "fibers", "site", "stream", "day")
SUMMED = (
    "n", "capped", "squares", "angles", "angle", "angle_squares", "uneven", "uneven_squares",
    "good", "dirty_good", "made", "redo", "density_n", "density", "vapor",
)  # fmt: skip


@dataclass(frozen=True)
class CrewCells:
    """Cells of all splicers in order of time.

    Attributes
    ----------
    at : array of int64
        First splice of each cell, microseconds UTC.
    code : dict of array
        By key of `CELL_KEYS`, the code of each cell's value; ``stream`` is splicer / program.
    names : dict of list
        Values by key and code.
    sums : dict of array
        The columns of `SUMMED`.
    """

    at: Ints
    code: dict[str, Ints]
    names: dict[str, list[str]]
    sums: dict[str, Floats]

    @classmethod
    def from_technician_days(cls, technician_days: pd.DataFrame) -> "CrewCells":
        """Index the technician days of all splicers."""
        frame = technician_days.reset_index(drop=True)
        at = frame["first_at"].to_numpy(dtype="datetime64[us]").astype(np.int64)
        order = np.argsort(at, kind="stable")
        code: dict[str, Ints] = {}
        names: dict[str, list[str]] = {}
        for key in CELL_KEYS[:6]:
            numbers, values = pd.factorize(frame[key], sort=True)
            code[key], names[key] = numbers[order].astype(np.int64), list(map(str, values))
        pairs = code["splicer"] * max(len(names["program"]), 1) + code["program"]
        known, dense = np.unique(pairs, return_inverse=True)
        width = max(len(names["program"]), 1)
        code["stream"] = dense.astype(np.int64)
        names["stream"] = [
            f"{names['splicer'][pair // width]} / {names['program'][pair % width]}"
            for pair in known
        ]
        numbers, values = pd.factorize(frame["day"], sort=True)
        code["day"], names["day"] = numbers[order].astype(np.int64), list(map(str, values))
        sums = {key: frame[key].to_numpy(dtype=np.float64)[order] for key in SUMMED}
        return cls(at[order], code, names, sums)

    def code_of(self, key: str, name: str) -> int:
        """Code of a value; -1 where no cell has it."""
        try:
            return self.names[key].index(name)
        except ValueError:
            return -1

    def window(self, onset: pd.Timestamp, until: pd.Timestamp) -> "OnsetWindow | None":
        """Cells from `BEFORE_DAYS` before an onset to the end of the days up to ``until``.

        None without splices before the onset, or since.
        """
        begin, start, stop = (
            moment.value // 1000
            for moment in (
                onset - pd.Timedelta(days=BEFORE_DAYS), onset, until + pd.Timedelta(hours=24)
            )
        )  # fmt: skip
        first, split, last = np.searchsorted(self.at, [begin, start, stop])
        streams = len(self.names["stream"])
        history = [
            np.bincount(self.code["stream"][:split], self.sums[key][:split], minlength=streams)
            for key in ("n", "capped")
        ]
        near = [
            np.bincount(
                self.code["stream"][first:split], self.sums[key][first:split], minlength=streams
            )
            for key in ("n", "capped")
        ]
        with np.errstate(invalid="ignore", divide="ignore"):
            long_term = history[1] / history[0]
            usual = (near[1] + PSEUDO_SPLICES * long_term) / (near[0] + PSEUDO_SPLICES)
        rows = np.arange(first, last)
        expected = usual[self.code["stream"][rows]]
        usable = (self.sums["n"][rows] > 0) & (expected > 0)
        rows, expected = rows[usable], expected[usable]
        after = rows >= split
        if after.all() or not after.any():
            return None
        return OnsetWindow(self, rows, after, expected)


class OnsetWindow:
    """Cells near one onset.

    Attributes
    ----------
    rows : array of int
        Positions in the crew's cells.
    after : array of bool
        Whether each cell is after the onset.
    n : array
        Splices with a loss figure.
    expected : array
        Usual loss of the cell's stream before the onset, dB per splice.
    """

    def __init__(self, cells: CrewCells, rows: Ints, after: Bools, expected: Floats) -> None:
        self.cells, self.rows, self.after, self.expected = cells, rows, after, expected
        self.n = self.sums("n")
        self._models: dict[str, tuple[RandomEffectsModel, Bools]] = {}

    def code(self, key: str) -> Ints:
        """Code of each cell's value of a key."""
        return self.cells.code[key][self.rows]

    def sums(self, key: str) -> Floats:
        """One of the summed columns."""
        return self.cells.sums[key][self.rows]

    def model(self, measure: str) -> tuple[RandomEffectsModel, Bools]:
        """Model of ``loss``, ``angle`` or ``uneven``, and which cells have the measure."""
        if measure not in self._models:
            known = (self.n if measure == "loss" else self.sums("angles")) > 0
            self._models[measure] = self._fit(measure, known), known
        return self._models[measure]

    def _fit(self, measure: str, known: Bools) -> RandomEffectsModel:
        if measure == "loss":
            n = self.n
            values = self.sums("capped") / (n * self.expected) - 1.0
            squares = (self.sums("squares") - self.sums("capped") ** 2 / n) / self.expected**2
            groups = [("stream", STREAM_SD), ("technician", PERSON_SD), ("day", DAY_SD)]
        else:
            n = np.maximum(self.sums("angles"), 1.0)
            values = self.sums(measure) / n
            squares = self.sums(f"{measure}_squares") - n * values**2
            groups = [("cleaver", CLEAVER_DEG), ("technician", PERSON_DEG), ("day", DAY_DEG)]
            before = known & ~self.after
            values = (
                values - np.average(values[before], weights=n[before]) if before.any() else values
            )
        within = float(squares[known].sum() / max((n[known] - 1.0).sum(), 1.0))
        between = self._between(values, n, within, known, groups[0][0])
        variance = within / n + between
        codes = [(self.code(key)[known], sd) for key, sd in groups]
        stream_or_cleaver, wander = groups[0][0], WANDER[measure]
        since = np.where(self.after, self.code(stream_or_cleaver), -1)
        codes.append((since[known], wander))
        return RandomEffectsModel(values[known], variance[known], codes)

    def _between(self, values: Floats, n: Floats, within: float, known: Bools, key: str) -> float:
        """Variance between days beyond that of single splices, before the onset."""
        rows = known & ~self.after
        if rows.sum() < 20:
            return LEAST_BETWEEN * 4
        code = self.code(key)[rows]
        y, w = values[rows], n[rows]
        size = int(code.max()) + 1
        total = np.bincount(code, w, minlength=size)
        mean = np.bincount(code, w * y, minlength=size) / np.maximum(total, 1e-9)
        residual = float((w * (y - mean[code]) ** 2).sum())
        cells = len(y) - len(np.unique(code))
        spread = w.sum() - (np.bincount(code, w**2, minlength=size) / np.maximum(total, 1e-9)).sum()
        return max((residual - within * cells) / max(float(spread), 1e-9), LEAST_BETWEEN)
