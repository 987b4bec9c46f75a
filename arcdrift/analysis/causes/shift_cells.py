"""Values of cells in which a shift is looked for: level of loss, spread, dirty and redone splices.

A cell is one technician's day on one splicer with one cleaver, program and pair of fibers. Its
value says how far it lies from what its stream usually has, on the scale of the charts and from
their baselines. Comparing subjects and ranking causes both use these values, so that they cannot
disagree about what moved.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from arcdrift.analysis.causes.crew_cells import CrewCells
from arcdrift.analysis.causes.service_steps import service_steps
from arcdrift.analysis.loss.day_level import relative_level, without_effect
from arcdrift.analysis.loss.loss_charts import AllLossCharts
from arcdrift.analysis.loss.proportion_charts import COUNTED
from arcdrift.analysis.loss.rollup import FEWEST_IN_SPREAD, SPREAD_SCATTER
from arcdrift.analysis.loss.service_shift import EVENT_COLUMNS
from arcdrift.analysis.loss.technician_days import NOBODY
from arcdrift.arrays import Bools, Datetimes, Floats, Ints
from arcdrift.charts.random_effects import RandomEffectsModel

LEAST_SHARE = 1e-3
"""Smallest usual share of dirty or redone splices."""

MEDIAN_SQUARE = 0.4549
"""Median of a squared standard normal value."""
RAISED_RATE = 2.0
"""Multiple of the usual share at which the variance of a count is taken: with that of the usual
share, a few splices too many would count for twice the log likelihood ratio of a Poisson law."""


@dataclass(frozen=True)
class MeasureScale:
    """Standard deviations of a measure's random effects, in the unit of its values.

    Attributes
    ----------
    stream, person, crew_day : float
        How far a stream may lie from its chart's baseline, how far people differ, and how far
        days of the whole crew do at least.
    between : float
        Of days of one stream, where the charts do not estimate it.
    shift : float
        Prior standard deviation of the size of a shift.
    """

    stream: float
    person: float
    crew_day: float
    between: float
    shift: float


SCALES = {
    "level": MeasureScale(stream=0.20, person=0.10, crew_day=0.03, between=0.10, shift=0.35),
    "spread": MeasureScale(stream=0.20, person=0.20, crew_day=0.03, between=0.15, shift=0.50),
    # values of shares are relative: 1 is a share twice the usual one
    "dirty": MeasureScale(stream=0.30, person=0.30, crew_day=0.10, between=0.30, shift=1.50),
    "redo": MeasureScale(stream=0.30, person=0.30, crew_day=0.10, between=0.30, shift=1.50),
}


@dataclass(frozen=True)
class SubjectShift:
    """A rise of one subject, as far as it is known.

    Attributes
    ----------
    subject_type, subject_id : str
    first, last : datetime64[D]
        First day of the rise, and last day of its evidence.
    """

    measure: str
    subject_type: str
    subject_id: str
    first: np.datetime64
    last: np.datetime64


class ShiftCells:
    """Cells of the whole crew with the baselines of the charts.

    Parameters
    ----------
    cells : CrewCells
        Without excluded days.
    charts : AllLossCharts
        The charts of the same days.
    """

    def __init__(self, cells: CrewCells, charts: AllLossCharts) -> None:
        self.cells = cells
        self._charts = charts
        self._streams = pd.Index(cells.names["stream"])

    # -- baselines ---------------------------------------------------------------------------

    @cached_property
    def _baselines(self) -> dict[str, tuple[Ints, Ints, Floats]]:
        """By measure: stream, day number and baseline of each judged stream day, in order."""
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
            share = np.maximum(rows["expected_share"].to_numpy(np.float64), LEAST_SHARE)
            found[measure] = self._in_order(rows["subject_id"], rows["day"], share)
        return found

    def _in_order(
        self, names: pd.Series, day: pd.Series, value: Floats
    ) -> tuple[Ints, Ints, Floats]:
        stream = self._streams.get_indexer(pd.Index(names)).astype(np.int64)
        number = day.to_numpy(dtype="datetime64[D]").astype(np.int64)
        known = np.isfinite(value) & (stream >= 0)
        order = np.lexsort((number[known], stream[known]))
        return stream[known][order], number[known][order], value[known][order]

    def baseline(self, measure: str, day: np.datetime64) -> Floats:
        """Baseline of each stream as charted up to a day; NaN for streams without a chart.

        Streams charted only later have their first baseline.
        """
        stream, number, value = self._baselines[measure]
        size = len(self._streams)
        first = np.searchsorted(stream, np.arange(size))
        last = np.searchsorted(stream, np.arange(size), side="right")
        earlier = np.bincount(stream[number < day.astype(np.int64)], minlength=size)
        row = np.minimum(first + np.maximum(earlier - 1, 0), max(len(value) - 1, 0))
        return np.where(last > first, value[row] if len(value) else np.nan, np.nan)

    @cached_property
    def _variances(self) -> tuple[Floats, Floats]:
        """Relative variance of one splice, and between the days, of each stream."""
        charts = self._charts.streams
        units = charts.units
        row = self._streams.get_indexer(pd.Index(_stream_names(units)))
        # day-to-day correlation makes a mean of many days less certain
        correlated = charts.widening**2
        found = []
        for name, pooled in (("sd_within", charts.within), ("sd_between", charts.between)):
            values = np.full(len(self._streams), pooled)
            values[row[row >= 0]] = units[name].fillna(np.sqrt(pooled)).to_numpy()[row >= 0] ** 2
            found.append(values)
        return found[0], found[1] * correlated

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

    def crew_day_sd(self) -> float:
        """Standard deviation of the common effects of days, as far as the charts have seen them."""
        effect = self._charts.streams.days["shared_effect"].dropna().to_numpy(np.float64)
        seen = float(np.sqrt(np.mean(effect**2))) if len(effect) else 0.0
        return max(SCALES["level"].crew_day, seen)

    # -- values ------------------------------------------------------------------------------

    def rows_between(self, first: np.datetime64, last: np.datetime64) -> Ints:
        """Cells of the days from first to last."""
        return np.flatnonzero((self.cells.day >= first) & (self.cells.day <= last))

    def model(
        self, measure: str, rows: Ints, reference: np.datetime64, *, service_steps: bool = True
    ) -> "MeasureModel":
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
        rows, baseline = rows[known], baseline[known]
        effects = self._fit(measure, rows, value[known], variance[known], service_steps)
        return MeasureModel(self, measure, rows, baseline, effects)

    def _values(self, measure: str, rows: Ints, baseline: Floats) -> tuple[Floats, Floats]:
        """Value of each cell, and its variance within the day; NaN where there is none."""
        sums = {name: self.cells.sums[name][rows] for name in self.cells.sums}
        n = sums["n"]
        with np.errstate(invalid="ignore", divide="ignore"):
            if measure == "level":
                within = self._variances[0][self.cells.code["stream"][rows]]
                # the cube root of a mean of few values is biased by -within / (3 n)
                value = relative_level(sums["capped"] / (n * baseline)) + within / (3.0 * n)
                return np.where(n > 0, value, np.nan), within / n
            if measure == "spread":
                mean = sums["capped"] / n
                spread = np.maximum(sums["squares"] - n * mean**2, 0.0) / (n - 1.0) / mean**2
                usable = (n >= FEWEST_IN_SPREAD) & (spread > 0)
                value = relative_level(spread / baseline) + SPREAD_SCATTER / (3.0 * (n - 1.0))
                return np.where(usable, value, np.nan), SPREAD_SCATTER / (n - 1.0)
            expected = sums[COUNTED[measure]] * baseline
            value = np.where(expected > 0, sums[measure] / expected - 1.0, np.nan)
            return value, RAISED_RATE * (1.0 - baseline) / expected

    def _fit(
        self, measure: str, rows: Ints, value: Floats, variance: Floats, with_service: bool
    ) -> RandomEffectsModel:
        scale = SCALES[measure]
        code = {name: values[rows] for name, values in self.cells.code.items()}
        person = code["technician"]
        nobody = self.cells.code_of("technician", NOBODY)
        crew_day = self.crew_day_sd() if measure == "level" else scale.crew_day
        groups: list[tuple[Ints, float]] = [
            (code["stream"], scale.stream),
            (np.where(person == nobody, -1, person), scale.person),
            (code["day"], crew_day),
        ]
        if measure == "level":
            between = self._variances[1][code["stream"]]
            if with_service:
                moves = [sd for sd, _ in self._charts.streams.service_shift.values()]
                events = self._events[:, rows]
                groups += service_steps(code["splicer"], code["stream"], events, moves)
        else:
            between = np.full(len(rows), scale.between**2)
        if measure == "spread":
            variance = variance * _excess_scatter(code["stream"], value, variance)
        splicer_day = code["splicer"] * len(self.cells.names["day"]) + code["day"]
        # half of the scatter of a stream's days is shared by the streams of its splicer
        shared = pd.Series(between).groupby(splicer_day).transform("mean").to_numpy(np.float64)
        return RandomEffectsModel(
            value,
            variance + between / 2.0,
            groups,
            blocks=(splicer_day, shared / 2.0),
            units=code["splicer"],
        )

    def subject(self, subject_type: str, subject_id: str, rows: Ints) -> Bools:
        """Which of some cells belong to a subject."""
        if subject_type == "crew":
            return np.ones(len(rows), dtype=bool)
        code = self.cells.code_of(subject_type, subject_id)
        return np.asarray(self.cells.code[subject_type][rows] == code)


@dataclass(frozen=True)
class MeasureModel:
    """Model of one measure of some cells.

    Attributes
    ----------
    rows : array of int
        Positions in the crew's cells.
    baseline : array
        Usual value of each cell's stream: dB, squared relative spread, or share.
    effects : RandomEffectsModel
    """

    source: ShiftCells
    measure: str
    rows: Ints
    baseline: Floats
    effects: RandomEffectsModel

    @property
    def day(self) -> Datetimes:
        """Local day of each cell."""
        return np.asarray(self.source.cells.day[self.rows])

    @property
    def shift_sd(self) -> float:
        """Prior standard deviation of the size of a shift."""
        return SCALES[self.measure].shift

    def cells_of(self, shift: SubjectShift) -> Bools:
        """Cells of a shift."""
        subject = self.source.subject(shift.subject_type, shift.subject_id, self.rows)
        return np.asarray(subject & (self.day >= shift.first) & (self.day <= shift.last))

    def with_shifts(self, shifts: Sequence[SubjectShift]) -> RandomEffectsModel:
        """The model in which some shifts are allowed for."""
        sets = [self.cells_of(shift) for shift in shifts]
        return self.effects.with_shifts([(cells, self.shift_sd) for cells in sets if cells.any()])

    def log_bayes_factor(self, effects: RandomEffectsModel, cells: Bools) -> float:
        """Natural log of the Bayes factor of a rise of some cells."""
        return effects.shift_bayes_factor(cells, 1.0, self.shift_sd).log_bayes_factor


def _excess_scatter(stream: Ints, value: Floats, variance: Floats) -> float:
    """Robust ratio of the scatter of cells around their streams' medians to its variance."""
    median = pd.Series(value).groupby(stream).transform("median").to_numpy(np.float64)
    squares = (value - median) ** 2 / variance
    return max(float(np.median(squares)) / MEDIAN_SQUARE, 1.0) if len(squares) else 1.0


def _stream_names(rows: pd.DataFrame) -> pd.Series:
    return rows["splicer"].astype(str) + " / " + rows["program"].astype(str)
