"""The crew's technician days, indexed once for all questions about causes."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from arcdrift.analysis.causes.random_effects import Levels
from arcdrift.arrays import Bools, Floats, Ints

BEFORE_DAYS = 45
"""Days before an onset that tell what was usual."""
PSEUDO_SPLICES = 300.0
"""Splices for which a stream's earlier history counts beside those days."""
STREAM_SD, PERSON_SD, DAY_SD = 0.10, 0.08, 0.03
"""Spread of levels about the expectation: streams (they creep), people, days of the whole crew.
The people's is what `arcdrift.analysis.people.prep_effects` finds in crews, days are kept small so
that a long spell is not taken for a row of bad days."""
CLEAVER_DEG, PERSON_DEG, DAY_DEG = 0.30, 0.20, 0.02
"""The same for log cleave angles; a blade's wear is in the first."""
WANDER = {"loss": 0.08, "angle": 0.08, "uneven": 0.08}
"""How far a stream's loss, or a cleaver's log angle, strays after any day without a cause worth
a name: however many splices one stream has, it can say no more than that allows."""
LEAST_BETWEEN = 0.05**2
CELL_KEYS = ("splicer", "technician", "cleaver", "program", "fibers", "site", "stream", "day")
SUMMED = (
    "n", "capped", "squares", "angles", "angle", "angle_squares", "uneven", "uneven_squares",
    "good", "dirty_good", "made", "redo", "density_n", "density", "vapor",
)  # fmt: skip


@dataclass(frozen=True)
class CrewCells:
    """Every splicer's cells in order of time.

    Attributes
    ----------
    at : array of int64
        First splice of each cell, microseconds UTC.
    code : dict of array
        By key of `CELL_KEYS`, the number of each cell's value; ``stream`` is splicer / program.
    names : dict of list
        The values behind the numbers.
    sums : dict of array
        The columns in `SUMMED`.
    """

    at: Ints
    code: dict[str, Ints]
    names: dict[str, list[str]]
    sums: dict[str, Floats]

    @classmethod
    def of(cls, hands: pd.DataFrame) -> "CrewCells":
        """Index the cells of all splicers."""
        frame = hands.reset_index(drop=True)
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

    def number(self, key: str, name: str) -> int:
        """Number of a value; -1 where no cell has it."""
        try:
            return self.names[key].index(name)
        except ValueError:
            return -1

    def window(self, onset: pd.Timestamp, until: pd.Timestamp) -> "Window | None":
        """Cells from `BEFORE_DAYS` before an onset to the end of the days up to ``until``.

        None where nothing was spliced before, or since.
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
            long = history[1] / history[0]
            usual = (near[1] + PSEUDO_SPLICES * long) / (near[0] + PSEUDO_SPLICES)
        rows = np.arange(first, last)
        expected = usual[self.code["stream"][rows]]
        kept = (self.sums["n"][rows] > 0) & (expected > 0)
        rows, expected = rows[kept], expected[kept]
        after = rows >= split
        if after.all() or not after.any():
            return None
        return Window(self, rows, after, expected)


class Window:
    """Cells about one onset.

    Attributes
    ----------
    rows : array of int
        Places in the crew's cells.
    after : array of bool
        Whether each lies after the onset.
    n : array
        Splices with a loss.
    expected : array
        Usual loss of its stream before the onset, dB a splice.
    """

    def __init__(self, cells: CrewCells, rows: Ints, after: Bools, expected: Floats) -> None:
        self.cells, self.rows, self.after, self.expected = cells, rows, after, expected
        self.n = self.sums("n")
        self._levels: dict[str, tuple[Levels, Bools]] = {}

    def code(self, key: str) -> Ints:
        """Number of each cell's value of a key."""
        return self.cells.code[key][self.rows]

    def sums(self, key: str) -> Floats:
        """One of the summed columns."""
        return self.cells.sums[key][self.rows]

    def levels(self, what: str) -> tuple[Levels, Bools]:
        """Levels of ``loss``, ``angle`` or ``uneven``, and which cells they know."""
        if what not in self._levels:
            known = (self.n if what == "loss" else self.sums("angles")) > 0
            self._levels[what] = self._fit(what, known), known
        return self._levels[what]

    def _fit(self, what: str, known: Bools) -> Levels:
        if what == "loss":
            n = self.n
            values = self.sums("capped") / (n * self.expected) - 1.0
            stray = (self.sums("squares") - self.sums("capped") ** 2 / n) / self.expected**2
            groups = [("stream", STREAM_SD), ("technician", PERSON_SD), ("day", DAY_SD)]
        else:
            n = np.maximum(self.sums("angles"), 1.0)
            values = self.sums(what) / n
            stray = self.sums(f"{what}_squares") - n * values**2
            groups = [("cleaver", CLEAVER_DEG), ("technician", PERSON_DEG), ("day", DAY_DEG)]
            before = known & ~self.after
            values = (
                values - np.average(values[before], weights=n[before]) if before.any() else values
            )
        within = float(stray[known].sum() / max((n[known] - 1.0).sum(), 1.0))
        between = self._between(values, n, within, known, groups[0][0])
        variance = within / n + between
        codes = [(self.code(key)[known], sd) for key, sd in groups]
        own, wander = groups[0][0], WANDER[what]
        codes.append((np.where(self.after, self.code(own), -1)[known], wander))
        return Levels(values[known], variance[known], codes)

    def _between(self, values: Floats, n: Floats, within: float, known: Bools, key: str) -> float:
        """Variance from day to day beyond that of single splices, before the onset."""
        rows = known & ~self.after
        if rows.sum() < 20:
            return LEAST_BETWEEN * 4
        code = self.code(key)[rows]
        y, w = values[rows], n[rows]
        size = int(code.max()) + 1
        total = np.bincount(code, w, minlength=size)
        mean = np.bincount(code, w * y, minlength=size) / np.maximum(total, 1e-9)
        left = float((w * (y - mean[code]) ** 2).sum())
        cells = len(y) - len(np.unique(code))
        spread = w.sum() - (np.bincount(code, w**2, minlength=size) / np.maximum(total, 1e-9)).sum()
        return max((left - within * cells) / max(float(spread), 1e-9), LEAST_BETWEEN)
