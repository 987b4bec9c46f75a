"""Values of cells in which a shift is looked for: level and spread of loss, and shares.

A cell is one technician's day on one splicer with one cleaver, program and pair of fibers. Its
value says how far it lies from what its stream usually has, on the scale of the charts and from
their baselines. Comparing subjects and ranking causes both use these values, so that they cannot
disagree about what moved.
"""

from functools import cached_property

import numpy as np
import pandas as pd

from arcdrift.analysis.causes.crew_cells import CrewCells
from arcdrift.analysis.causes.measure_model import SCALES, MeasureModel, Scatter
from arcdrift.analysis.common.chart_states import KeptResults
from arcdrift.analysis.loss.day_level import relative_level, without_effect
from arcdrift.analysis.loss.loss_charts import AllLossCharts
from arcdrift.analysis.loss.proportion_charts import COUNTED
from arcdrift.analysis.loss.rollup import FEWEST_IN_SPREAD, SPREAD_SCATTER
from arcdrift.analysis.loss.service_shift import EVENT_COLUMNS
from arcdrift.arrays import Datetimes, Floats, Ints

LEAST_SHARE = 1e-3
"""Smallest usual share."""
EARLIEST = np.datetime64("1970-01-01")
DAYS = 2**20
"""More than there are days."""
RAISED_RATE = 2.0
"""Multiple of the usual share at which the variance of a count is taken: with that of the usual
share, a few splices too many would count for twice the log likelihood ratio of a Poisson law."""


class ShiftCells:
    """Cells of the whole crew with the baselines of the charts.

    Parameters
    ----------
    cells : CrewCells
        Without excluded days.
    charts : AllLossCharts
        The charts of the same days.
    kept : KeptResults, optional
        Has what an earlier review found for the same cells, and gets what is found now.
    """

    def __init__(
        self, cells: CrewCells, charts: AllLossCharts, kept: KeptResults | None = None
    ) -> None:
        self.cells = cells
        self.kept = KeptResults() if kept is None else kept
        self._charts = charts
        self._streams = pd.Index(cells.names["stream"])
        self._scatter: dict[np.datetime64, Scatter] = {}

    # -- baselines ---------------------------------------------------------------------------

    @cached_property
    def _baselines(self) -> dict[str, tuple[Ints, Ints, Floats]]:
        """By measure: of each judged stream day, in order: `_place`, and baseline.

        Between the two, the first place of each stream and the end of the last.
        """
        days = self._charts.streams.days
        effect = (days["person_effect"] + days["shared_effect"]).to_numpy(np.float64)
        expected = without_effect(days["expected_db"].to_numpy(np.float64), effect)
        found = {"level": self._in_order(_stream_names(days), days["day"], expected)}
        spread = self._charts.spread
        found["spread"] = self._in_order(
            _stream_names(spread), spread["day"], spread["expected_db"].to_numpy(np.float64)
        )
        for measure, charted in self._charts.rates.items():
            rows = charted[charted["subject_type"] == "stream"]
            share = np.maximum(rows["usual_share"].to_numpy(np.float64), LEAST_SHARE)
            found[measure] = self._in_order(rows["subject_id"], rows["day"], share)
        return found

    def _in_order(
        self, names: pd.Series, day: pd.Series, value: Floats
    ) -> tuple[Ints, Ints, Floats]:
        stream = self._streams.get_indexer(pd.Index(names)).astype(np.int64)
        known = np.isfinite(value) & (stream >= 0)
        place = _place(stream[known], day.to_numpy(dtype="datetime64[D]")[known])
        order = np.argsort(place, kind="stable")
        place = place[order]
        start = np.searchsorted(place, _place(np.arange(len(self._streams) + 1), EARLIEST))
        return place, start, value[known][order]

    def baseline(self, measure: str, day: np.datetime64) -> Floats:
        """Baseline of each stream as charted up to a day; NaN for streams without a chart.

        Streams charted only later have their first baseline.
        """
        place, start, value = self._baselines[measure]
        earlier = np.searchsorted(place, _place(np.arange(len(self._streams)), day))
        row = np.minimum(np.maximum(earlier - 1, start[:-1]), max(len(value) - 1, 0))
        charted = start[1:] > start[:-1]
        return np.where(charted, value[row] if len(value) else np.nan, np.nan)

    def _scatter_of(self, rows: Ints) -> Scatter:
        """Scatter of the crew's values as learned by the end of the month before the newest cell.

        What was learned later does not change what was said of an earlier alarm.
        """
        learned = self._charts.streams.learned_by(
            self.cells.day[rows].max() if len(rows) else EARLIEST
        )
        if learned.before not in self._scatter:
            units = pd.Index(_stream_names(self._charts.streams.units))
            row = units.get_indexer(self._streams)
            seen = np.sqrt(self._charts.streams.shared_effect_variance(learned.before))
            self._scatter[learned.before] = Scatter(
                # a stream that has no chart has the variances pooled over all
                np.append(learned.within, learned.pooled_within)[row],
                # day-to-day correlation makes a mean of many days less certain
                np.append(learned.between, learned.pooled_between)[row] * learned.widening**2,
                float(np.fmax(SCALES["level"].crew_day, seen)),
                np.sqrt(learned.service_moves),
            )
        return self._scatter[learned.before]

    @cached_property
    def _events(self) -> Ints:
        """Restarting service events before each cell's day, by action: shape (actions, cells)."""
        days = self._charts.streams.days
        counts = days.groupby(["splicer", "day"])[list(EVENT_COLUMNS)].max().reset_index()
        splicer = np.array(self.cells.names["splicer"], dtype=object)[self.cells.code["splicer"]]
        keys = pd.DataFrame({"splicer": splicer, "day": self.cells.day.astype("datetime64[us]")})
        counts["day"] = counts["day"].astype("datetime64[us]")
        merged = keys.merge(counts, on=["splicer", "day"], how="left")[list(EVENT_COLUMNS)]
        return merged.fillna(0).to_numpy(dtype=np.int64).T

    # -- values ------------------------------------------------------------------------------

    def rows_between(self, first: np.datetime64, last: np.datetime64) -> Ints:
        """Cells of the days from first to last."""
        return np.flatnonzero((self.cells.day >= first) & (self.cells.day <= last))

    def model(
        self, measure: str, rows: Ints, reference: np.datetime64, *, service_steps: bool = True
    ) -> MeasureModel:
        """Random-effects model of some cells.

        Parameters
        ----------
        measure : str
            Key of `SCALES`.
        rows : array of int
            Positions in the crew's cells.
        reference : datetime64[D]
            Baselines are those charted before this day.
        service_steps : bool
            Whether service events may have moved the level; not, where the question is whether one
            of them did.
        """
        baseline = self.baseline(measure, reference)[self.cells.code["stream"][rows]]
        value, variance = self._values(measure, rows, baseline)
        known = np.isfinite(value) & np.isfinite(variance)
        return MeasureModel(
            self.cells, self._scatter_of(rows), self._events, measure, rows[known],
            baseline[known], value[known], variance[known], service_steps=service_steps,
        )  # fmt: skip

    def _values(self, measure: str, rows: Ints, baseline: Floats) -> tuple[Floats, Floats]:
        """Value of each cell, and its variance within the day; NaN where there is none."""
        sums = {name: self.cells.sums[name][rows] for name in self.cells.sums}
        n = sums["n"]
        with np.errstate(invalid="ignore", divide="ignore"):
            if measure == "level":
                within = self._scatter_of(rows).within[self.cells.code["stream"][rows]]
                # the cube root of a mean of few values is biased by -within / (3 n)
                value = relative_level(sums["capped"] / (n * baseline)) + within / (3.0 * n)
                return np.where(n > 0, value, np.nan), within / n
            if measure == "spread":
                mean = sums["capped"] / n
                spread = np.maximum(sums["squares"] - n * mean**2, 0.0) / (n - 1.0) / mean**2
                usable = (n >= FEWEST_IN_SPREAD) & (spread > 0)
                value = relative_level(spread / baseline) + SPREAD_SCATTER / (3.0 * (n - 1.0))
                return np.where(usable, value, np.nan), SPREAD_SCATTER / (n - 1.0)
            share = COUNTED[measure]
            expected = sums[share.of] * baseline
            value = np.where(expected > 0, sums[share.bad] / expected - 1.0, np.nan)
            return value, RAISED_RATE * (1.0 - baseline) / expected


def _place(stream: Ints, day: Datetimes | np.datetime64) -> Ints:
    """Numbers that order streams, and the days of each."""
    number: Ints = stream * DAYS + np.asarray(day).astype("datetime64[D]").astype(np.int64)
    return number


def _stream_names(rows: pd.DataFrame) -> pd.Series:
    return rows["splicer"].astype(str) + " / " + rows["program"].astype(str)
