"""Charts of the day means of log cleave angle, by machine (cleaver) and by person.

Each day is compared with what earlier days let expect of the same people, machines, fibers and
wear of the blade, so that a change of hands is no dull blade and a dull blade no careless hand.
The charts are those of losses (`angle_ewma`). The baseline differs: a level for each unit by
itself, with offsets for people that are taken as known, does not do for angles, because people
differ by far more than a day's mean scatters (Notes of `chart_angles`).
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from arcdrift.analysis.common.chart_states import ChartStates, digest_of
from arcdrift.analysis.common.grouping import as_text, group_index
from arcdrift.analysis.loss.day_level import CLIP
from arcdrift.analysis.people.cleave_angles.angle_cells import SUBJECTS, AngleCells
from arcdrift.analysis.people.cleave_angles.angle_ewma import AngleEwma
from arcdrift.analysis.people.cleave_angles.recursive_effects import RecursiveEffects, Terms
from arcdrift.arrays import Bools, Floats, Ints
from arcdrift.charts.intervals import Z95

DAILY_SD = 0.002
"""Standard deviation of the step of an effect from day to day: a level is forgotten over weeks."""
PRIOR_WITHIN = 0.10
"""Prior variance of one splice's mean log angle within a day: both sides at 0.45."""
PRIOR_BETWEEN = 0.05**2
"""Prior variance of a cell's mean between days."""
PSEUDO_SPLICES = 40.0
"""Splices that the prior of a variance within days is worth."""
PSEUDO_WEIGHT = 10.0
"""Weight of the prior of the variance between days; a cell of 40 splices weighs about a quarter."""
LEAST_BETWEEN = 0.01**2
NAME = "angles"
"""Name of the charts among those whose states are kept."""

ANGLE_DAY_COLUMNS = [
    "subject_type", "subject", "day", "n", "ratio", "low", "high", "z", "statistic", "limit",
    "alarm", "open",
]  # fmt: skip


@dataclass(frozen=True)
class AngleCharts:
    """Charted days of every machine and person.

    Attributes
    ----------
    days : DataFrame
        `ANGLE_DAY_COLUMNS`: ``ratio`` of the day's angle to the expected one, ``low`` and ``high``
        (95 % prediction limits of it), ``z``, ``statistic`` and ``limit`` of the EWMA (NaN where
        not judged), ``alarm``, ``open`` (an alarm has been given and the rise has not ended).
        ``subject_type`` is ``cleaver``, ``splicer`` or ``technician``.
    noise : array, shape (cells,)
        Variance of each cell without that of its expectation.
    widening : float
        Factor on the limits for autocorrelation, at the end.
    """

    days: pd.DataFrame
    noise: Floats
    widening: float


def chart_angles(
    cells: AngleCells, budget: float, states: ChartStates | None = None
) -> AngleCharts:
    """Chart the machines and people of a crew.

    Parameters
    ----------
    budget : float
        False alarms a month (22 workdays) allowed from all these charts together.
    states : ChartStates, optional
        States from which the charts may go on.

    Notes
    -----
    While a subject's rise is open its cells are not learned from. Once it has alarmed with two
    others, a cleaver in two pairs of hands or a person on two cleavers, its cells are no evidence
    about these others: a person is judged without the days of a dull blade.
    """
    charts = _AngleCharts(cells, budget)
    charts.run(ChartStates() if states is None else states)
    return charts.result()


class _AngleCharts:
    """State of the charts during the loop over days."""

    def __init__(self, cells: AngleCells, budget: float) -> None:
        self.cells = cells
        rows = cells.rows
        self.n, self.y, self.squares = (
            rows[name].to_numpy(dtype=np.float64) for name in ("n", "y", "squares")
        )
        day = rows["day"].to_numpy(dtype="datetime64[us]").astype(np.int64)
        self.first = np.unique(day, return_index=True)[1]
        # people are numbered after the machines; -1 marks an unknown person
        machine, person = (cells.codes[name] for name in SUBJECTS)
        hand = np.where(person >= 0, person + len(cells.names["machine"]), -1)
        self.subjects: list[Ints] = [machine, hand]
        subject = np.r_[machine, hand]
        known = np.flatnonzero(subject >= 0)
        row, subject = known % len(rows), subject[known]
        charted, first = group_index(day[row], subject)
        self.charted_n = np.bincount(charted, self.n[row])
        charted_day, subject = day[row][first], subject[first]
        self.ewma = AngleEwma(charted_day, subject, budget)
        self.partners: dict[int, set[int]] = {}  # of subjects with an open rise
        self.established = np.zeros(len(self.ewma.open), dtype=bool)
        self.effects = RecursiveEffects(
            cells.prior_mean, cells.prior_sd, np.full(len(cells.prior_sd), DAILY_SD)
        )
        people = len(cells.names["technician"]) + 1  # the last for unknown people
        self.within = np.zeros((2, people))  # sum of squares, degrees of freedom
        self.between = np.zeros(2)  # weighted sum, weight
        self.noise = np.zeros(len(rows))
        self.residual, self.sd = np.full((2, len(charted_day)), np.nan)

    def run(self, states: ChartStates) -> None:
        """For each day: judge it by earlier days, then learn from it."""
        ends = np.r_[self.first[1:], len(self.y)]
        done, keep = self._resume(states), states.day_to_keep
        keep_at = -1 if keep is None else self._days_before(keep)
        for number, (start, stop) in enumerate(zip(self.first, ends, strict=True)):
            if number < done:
                continue
            if keep is not None and number == keep_at > done:
                states.keep(NAME, keep, self._digest(keep), self._state(keep))
            self._day(slice(int(start), int(stop)), self.ewma.start_day(number))

    def _days_before(self, day: int) -> int:
        return int(np.searchsorted(self.ewma.days, day))

    def _rows_before(self, day: int) -> tuple[int, int]:
        """Numbers of cells and of charted days before a day."""
        cells = np.r_[self.first, len(self.y)][self._days_before(day)]
        return int(cells), int(np.searchsorted(self.ewma.day, day))

    def _digest(self, day: int) -> bytes:
        """Digest of everything on which the state of the charts before a day depends."""
        rows, charted = self._rows_before(day)
        cells = self.cells
        of_cells = (self.n, self.y, self.squares, cells.columns, cells.wear, *cells.codes.values())
        return digest_of(
            [
                *(values[:rows] for values in of_cells),
                *(cells.prior_mean, cells.prior_sd, sorted(cells.names.items())),
                *self.ewma.before(charted),
            ]
        )

    def _state(self, day: int) -> dict[str, Any]:
        """State before a day."""
        rows, charted = self._rows_before(day)
        return {
            "effects": self.effects, "within": self.within, "between": self.between,
            "noise": self.noise[:rows], "residual": self.residual[:charted],
            "sd": self.sd[:charted], "ewma": self.ewma.state(charted), "partners": self.partners,
            "established": self.established,
        }  # fmt: skip

    def _resume(self, states: ChartStates) -> int:
        """Go on from a known state, if there is one; return the number of days before it."""
        found = states.resume(NAME, self._digest)
        if found is None:
            return 0
        day, state = found
        rows, charted = self._rows_before(day)
        for name in ("effects", "within", "between", "partners", "established"):
            setattr(self, name, state[name])
        self.noise[:rows] = state["noise"]
        self.residual[:charted], self.sd[:charted] = state["residual"], state["sd"]
        self.ewma.restore(state["ewma"], charted)
        return self._days_before(day)

    def _day(self, rows: slice, today: slice) -> None:
        self.effects.advance()
        terms = self.cells.terms.of(rows)
        person = self.cells.codes["technician"][rows]
        within = self._within()[person] / self.n[rows]
        self.noise[rows] = noise = within + self._between()
        residual = self.y[rows] - self.effects.expected(terms)
        machine, hand = (codes[rows] for codes in self.subjects)
        open_now = self.ewma.open
        known_hand = self.established[hand] & (hand >= 0)
        usable = [
            ~known_hand | open_now[machine],
            (hand >= 0) & (~self.established[machine] | open_now[hand]),
        ]
        self._average(today, [machine, hand], usable, residual, terms, noise)
        self.ewma.judge(today, self.residual[today] / self.sd[today])
        self._establish(today, machine, hand)
        used = ~open_now[machine] & ~(open_now[hand] & (hand >= 0))
        self._learn(rows, terms, residual, used)

    def _average(
        self, today: slice, subjects: list[Ints], usable: list[Bools], residual: Floats,
        terms: Terms, noise: Floats,
    ) -> None:  # fmt: skip
        """Mean residual of each subject's usable cells, and the standard deviation of it."""
        cell, place = np.concatenate(
            [
                [cells, np.searchsorted(self.ewma.subject[today], codes[cells])]
                for codes, cells in zip(subjects, map(np.flatnonzero, usable), strict=True)
            ],
            axis=1,
        )
        order = np.argsort(place, kind="stable")
        cell, place = cell[order], place[order]
        size = today.stop - today.start
        weight = 1.0 / noise[cell]
        weight /= np.bincount(place, weight, size)[place]
        # every pair of cells of one subject
        count = np.bincount(place, minlength=size)[place]
        first = np.repeat(np.arange(len(cell)), count)
        start = np.searchsorted(place, place)
        second = np.arange(len(first)) + np.repeat(start - np.cumsum(count) + count, count)
        error = self.effects.errors(terms.of(cell[first]), terms.of(cell[second]))
        variance = np.bincount(place[first], weight[first] * weight[second] * error, size)
        scatter = np.bincount(place, weight**2 * noise[cell], size)
        seen = np.bincount(place, minlength=size) > 0
        average = np.bincount(place, weight * residual[cell], size)
        self.residual[today] = np.where(seen, average, np.nan)
        self.sd[today] = np.where(seen, np.sqrt(variance + scatter), np.nan)
        # days of people or machines not yet known say nothing about a change
        self.ewma.judged[today] &= variance < scatter

    def _establish(self, today: slice, machine: Ints, hand: Ints) -> None:
        """Note the others with whom each rise was seen; with two it is the subject's own."""
        for subject in self.ewma.subject[today][self.ewma.alarm[today]]:
            others = np.r_[hand[machine == subject], machine[hand == subject]]
            self.partners.setdefault(int(subject), set()).update(others[others >= 0].tolist())
        for subject in [name for name in self.partners if not self.ewma.open[name]]:
            del self.partners[subject]
        self.established[:] = False
        self.established[[name for name, seen in self.partners.items() if len(seen) > 1]] = True

    def _learn(self, rows: slice, terms: Terms, residual: Floats, used: Bools) -> None:
        noise, error = self.noise[rows], self.effects.errors(terms, terms)
        variance = error + noise
        reach = np.where(error > noise, np.inf, CLIP * np.sqrt(variance))
        clipped = np.clip(residual, -reach, reach)
        person = self.cells.codes["technician"][rows]
        # unknown people, whose number is -1, are the last
        own, people = np.where(person >= 0, person, self.within.shape[1] - 1), self.within.shape[1]
        self.within[0] += np.bincount(own, self.squares[rows], people)
        self.within[1] += np.bincount(own, self.n[rows] - 1.0, people)
        beyond = clipped**2 - error - (noise - self._between())
        # cells of few splices, or of people not yet known, say little about it
        weight = used * np.minimum(PRIOR_BETWEEN / variance, 1.0) ** 2
        self.between += [weight @ beyond, weight.sum()]
        self.effects.learn(terms.of(used), clipped[used], noise[used])

    def _within(self) -> Floats:
        """Variance of one splice of each person, shrunken to that of all."""
        squares, df = self.within
        pooled = (PSEUDO_SPLICES * PRIOR_WITHIN + squares.sum()) / (PSEUDO_SPLICES + df.sum())
        return np.asarray((PSEUDO_SPLICES * pooled + squares) / (PSEUDO_SPLICES + df))

    def _between(self) -> float:
        """Variance of a cell between days, pooled over the crew."""
        total, weight = self.between
        pooled = (PSEUDO_WEIGHT * PRIOR_BETWEEN + total) / (PSEUDO_WEIGHT + weight)
        return float(max(pooled, LEAST_BETWEEN))

    def result(self) -> AngleCharts:
        """Charted days with names."""
        ewma, subject = self.ewma, self.ewma.subject
        first = np.unique(self.cells.codes["machine"], return_index=True)[1]
        kinds = as_text(self.cells.rows["machine_type"]).iloc[first]
        types = np.array([*kinds, *["technician"] * len(self.cells.names["technician"])], object)
        names = np.array([*self.cells.names["machine"], *self.cells.names["technician"]], object)
        days = pd.DataFrame(
            {
                "subject_type": types[subject], "subject": names[subject],
                "day": ewma.day.astype("datetime64[us]"),
                "n": self.charted_n, "ratio": np.exp(self.residual),
                "low": np.exp(-Z95 * self.sd), "high": np.exp(Z95 * self.sd),
                "z": ewma.z, "statistic": ewma.value, "limit": ewma.limit,
                "alarm": ewma.alarm, "open": ewma.was_open,
            }
        )  # fmt: skip
        return AngleCharts(days[ANGLE_DAY_COLUMNS], self.noise, ewma.widening)
