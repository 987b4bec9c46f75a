"""Random-effects model of the cells of one measure: how they scatter, and what shifts are tested.

A model knows by `MeasureModel.content` all that its answers depend on, so that answers can be kept
(`arcdrift.analysis.common.chart_states.KeptResults`); its covariance is computed when an answer is
not known.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from arcdrift.analysis.causes.crew_cells import CrewCells
from arcdrift.analysis.causes.service_steps import service_steps
from arcdrift.analysis.common.chart_states import digest_of
from arcdrift.analysis.loss.technician_days import NOBODY
from arcdrift.arrays import Bools, Datetimes, Floats, Ints
from arcdrift.charts.random_effects import RandomEffectsModel

MEDIAN_SQUARE = 0.4549
"""Median of a squared standard normal value."""


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
    "first_time": MeasureScale(stream=0.30, person=0.30, crew_day=0.10, between=0.30, shift=1.00),
    "errors": MeasureScale(stream=0.30, person=0.30, crew_day=0.10, between=0.30, shift=1.50),
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


@dataclass(frozen=True)
class Scatter:
    """How values scatter, on the scale of levels.

    Attributes
    ----------
    within, between : array, shape (streams,)
        Relative variance of one splice, and between the days, of each stream.
    crew_day : float
        Standard deviation of the common effects of days, as far as the charts have seen them.
    service_moves : array, shape (actions,)
        Standard deviation of the moves of level at service.
    """

    within: Floats
    between: Floats
    crew_day: float
    service_moves: Floats


@dataclass(frozen=True)
class MeasureModel:
    """Model of one measure of some cells.

    Attributes
    ----------
    cells : CrewCells
        All cells of the crew.
    scatter : Scatter
    events : array of int, shape (actions, cells of the crew)
        Restarting service events of the splicer before each cell's day.
    measure : str
        Key of `SCALES`.
    rows : array of int
        Positions of the model's cells.
    baseline : array
        Usual value of each cell's stream: dB, squared relative spread, or share.
    value, variance : array
        Value of each cell, and its variance within the day.
    service_steps : bool
        Whether service events may have moved the level.
    """

    cells: CrewCells
    scatter: Scatter
    events: Ints
    measure: str
    rows: Ints
    baseline: Floats
    value: Floats
    variance: Floats
    service_steps: bool = True

    @cached_property
    def day(self) -> Datetimes:
        """Local day of each cell."""
        return np.asarray(self.cells.day[self.rows])

    @cached_property
    def content(self) -> bytes:
        """Digest of everything that the model's answers depend on."""
        parts: list[object] = [
            self.measure,
            self.cells.identity[self.rows],
            self.baseline,
            self.value,
        ]
        if self.measure == "level":
            between = self.scatter.between[self.cells.code["stream"][self.rows]]
            parts += [between, self.scatter.crew_day, self.service_steps]
            parts += [self.scatter.service_moves, self.events[:, self.rows]]
        return digest_of([*parts, self.variance])

    @cached_property
    def effects(self) -> RandomEffectsModel:
        """Covariance of the cells."""
        scale, rows, variance = SCALES[self.measure], self.rows, self.variance
        code = {name: values[rows] for name, values in self.cells.code.items()}
        person = code["technician"]
        nobody = self.cells.code_of("technician", NOBODY)
        is_level = self.measure == "level"
        groups: list[tuple[Ints, float]] = [
            (code["stream"], scale.stream),
            (np.where(person == nobody, -1, person), scale.person),
            (code["day"], self.scatter.crew_day if is_level else scale.crew_day),
        ]
        if is_level:
            between = self.scatter.between[code["stream"]]
            if self.service_steps:
                moves = self.scatter.service_moves.tolist()
                events = self.events[:, rows]
                groups += service_steps(code["splicer"], code["stream"], events, moves)
        else:
            between = np.full(len(rows), scale.between**2)
        if self.measure == "spread":
            variance = variance * _excess_scatter(code["stream"], self.value, variance)
        splicer_day = code["splicer"] * len(self.cells.names["day"]) + code["day"]
        # half of the scatter of a stream's days is shared by the streams of its splicer
        shared = pd.Series(between).groupby(splicer_day).transform("mean").to_numpy(np.float64)
        return RandomEffectsModel(
            self.value,
            variance + between / 2.0,
            groups,
            blocks=(splicer_day, shared / 2.0),
            units=code["splicer"],
        )

    @property
    def shift_sd(self) -> float:
        """Prior standard deviation of the size of a shift."""
        return SCALES[self.measure].shift

    def cells_of(self, shift: SubjectShift) -> Bools:
        """Cells of a shift."""
        subject = self.cells.subject(shift.subject_type, shift.subject_id, self.rows)
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
