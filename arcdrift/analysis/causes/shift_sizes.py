"""Size of a subject's rise: what its cells had before and since, without the cap of a splice."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from arcdrift.analysis.causes.measure_model import SubjectShift
from arcdrift.analysis.causes.shift_cells import ShiftCells
from arcdrift.analysis.loss.loss_charts import AllLossCharts
from arcdrift.analysis.loss.proportion_charts import COUNTED
from arcdrift.arrays import Floats
from arcdrift.charts.capped_gamma import CappedGamma

BEFORE_SPAN = np.timedelta64(45, "D")
"""Days before the onset that a rise is relative to."""
FEWEST_SPLICES = 50
"""With fewer splices before the onset, the charts' baselines alone are taken."""


@dataclass(frozen=True)
class ShiftSize:
    """Values before and since an onset, as in `arcdrift.analysis.loss.alarm_episodes.Episode`."""

    before: float
    after: float
    splices: int


class ShiftSizes:
    """Sizes of rises of any subject."""

    def __init__(self, cells: ShiftCells, charts: AllLossCharts) -> None:
        self._cells = cells
        self._within = charts.streams.within
        days = charts.streams.days
        names = days["splicer"].astype(str) + " / " + days["program"].astype(str)
        caps = pd.Series(days["cap"].to_numpy(np.float64), index=names).groupby(level=0).last()
        self._cap = caps.reindex(cells.cells.names["stream"]).to_numpy(np.float64)

    def workdays(self, shift: SubjectShift, alarm: pd.Timestamp) -> int:
        """Number of the subject's workdays from the onset to an alarm."""
        day = self._cells.cells.day
        rows = np.flatnonzero((day >= shift.first) & (day <= np.datetime64(alarm.date())))
        rows = rows[self._cells.cells.subject(shift.subject_type, shift.subject_id, rows)]
        return max(len(np.unique(day[rows])), 1)

    def size(self, shift: SubjectShift) -> ShiftSize:
        """Size of a rise.

        Notes
        -----
        Levels are means without the cap, as far as a gamma law of single losses tells them
        (`arcdrift.charts.capped_gamma`).
        """
        rows = self._cells.rows_between(shift.first - BEFORE_SPAN, shift.last)
        subject = self._cells.cells.subject(shift.subject_type, shift.subject_id, rows)
        model = self._cells.model(shift.measure, rows[subject], shift.first)
        share = COUNTED.get(shift.measure)
        n = self._cells.cells.sums[share.of if share else "n"][model.rows]
        since = model.day >= shift.first
        splices = int(n[since].sum())
        if splices == 0:
            return ShiftSize(0.0, 0.0, 0)
        usual = float(np.average(model.baseline[since], weights=n[since]))
        if share:
            bad = self._cells.cells.sums[share.bad][model.rows]
            return ShiftSize(usual, float(bad[since].sum() / splices), splices)
        observed = self._observed(shift.measure, model.rows)
        ratio = _ratio(observed, n * model.baseline, since)
        if n[~since].sum() >= FEWEST_SPLICES:
            before = _ratio(observed, n * model.baseline, ~since)
            usual, ratio = usual * before, ratio / before
        if shift.measure == "spread":
            if shift.subject_type != "stream":
                usual = 1.0
            return ShiftSize(float(np.sqrt(usual)), float(np.sqrt(usual * ratio)), splices)
        cap = self._cap[self._cells.cells.code["stream"][model.rows]]
        relative_cap = float(np.average(cap[since], weights=n[since])) / usual
        law = CappedGamma.from_moments(max(relative_cap, 1.5), self._within)
        usual_mean = law.mean(1.0)
        if shift.subject_type != "stream":
            return ShiftSize(1.0, law.mean(ratio) / usual_mean, splices)
        return ShiftSize(usual * usual_mean, usual * law.mean(ratio), splices)

    def _observed(self, measure: str, rows: np.ndarray) -> Floats:
        sums = self._cells.cells.sums
        if measure == "level":
            return np.asarray(sums["capped"][rows])
        n, capped = sums["n"][rows], np.maximum(sums["capped"][rows], 1e-12)
        return np.asarray(n * np.maximum(sums["squares"][rows] * n / capped**2 - 1.0, 0.0))


def _ratio(observed: Floats, expected: Floats, rows: np.ndarray) -> float:
    return float(observed[rows].sum() / max(float(expected[rows].sum()), 1e-12))
