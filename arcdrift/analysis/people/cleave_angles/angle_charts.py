"""Charts of the day means of log cleave angle, by machine (cleaver) and by person.

Each day is compared with what earlier days let expect of the same people, machines, fibers and
wear of the blade, so that a change of hands is no dull blade and a dull blade no careless hand.
The charts are those of losses: z one step ahead, one-sided EWMA, limits from the share of the
false-alarm budget. The baseline differs: a level for each unit by itself, with offsets for people
that are taken as known, does not do for angles, because people differ by far more than a day's
mean scatters (Notes of `chart_angles`).
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from arcdrift.analysis.common.days import WORKDAYS_PER_MONTH
from arcdrift.analysis.loss.day_level import CLIP, LAMBDA
from arcdrift.analysis.loss.sequential_ewma import SETTLED_SD, WIDEST, budget_limits
from arcdrift.analysis.people.cleave_angles.angle_cells import SUBJECTS, AngleCells
from arcdrift.analysis.people.cleave_angles.recursive_effects import RecursiveEffects
from arcdrift.arrays import Bools, Floats, Ints
from arcdrift.charts.ewma import ewma_step
from arcdrift.charts.intervals import Z95

BUDGET_SHARE = 0.05
"""Share of the crew's false-alarm budget, beside the shares in crew.toml, for all these charts."""
EXCESS = 2.0
"""Factor on the run length of these charts. Without it, crews whose people and cleavers differ from
day to day by 8 % and 5 % with a correlation of 0.3 used 2.1 times their share of the budget."""
FIRST_DAYS = 5
"""First days of a subject, which are learned from and not judged."""
CREW_DAYS = 10
"""First days of the crew, likewise."""
QUIET_DAYS = 10
"""Judged days without an alarm after which a rise has ended."""
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
LAGS = 8
LAG_PSEUDO_DAYS = 200.0

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


def chart_angles(cells: AngleCells, budget: float) -> AngleCharts:
    """Chart the machines and people of a crew.

    Parameters
    ----------
    budget : float
        False alarms a month (22 workdays) allowed from all these charts together.

    Notes
    -----
    While a subject's rise is open its cells are not learned from. Once it has alarmed with two
    others, a cleaver in two pairs of hands or a person on two cleavers, its cells are no evidence
    about these others: a person is judged without the days of a dull blade.
    """
    charts = _AngleCharts(cells, budget)
    charts.run()
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
        self.days, self.first = np.unique(day, return_index=True)
        self.subject, self.charted = self._chart_days(day)
        self.plain_limit = self._plain_limits(budget)
        size = len(cells.names["machine"]) + len(cells.names["technician"])
        self.ewma, self.open = np.zeros(size), np.zeros(size, dtype=bool)
        self.quiet = np.zeros(size, dtype=np.int64)
        self.partners: dict[int, set[int]] = {}  # subjects with an open rise
        self.established = np.zeros(size, dtype=bool)
        self.effects = RecursiveEffects(
            cells.prior_mean, cells.prior_sd, np.full(len(cells.prior_sd), DAILY_SD)
        )
        people = len(cells.names["technician"]) + 1  # the last for unknown people
        self.within = np.zeros((2, people))  # sum of squares, degrees of freedom
        self.between = np.zeros(2)  # weighted sum, weight
        self.lag_sums = np.zeros((2, LAGS))
        self.widening, self.lags_until = 1.0, 0
        count = len(self.charted)
        self.noise = np.zeros(len(rows))
        self.residual, self.sd, self.z, self.value, self.limit = np.full((5, count), np.nan)
        self.alarm, self.was_open = np.zeros((2, count), dtype=bool)

    def _chart_days(self, day: Ints) -> tuple[list[Ints], pd.DataFrame]:
        """Number of the subject of each cell by `SUBJECTS`, and one row a subject and day.

        People are numbered after the machines; -1 marks an unknown person.
        """
        machine, person = (self.cells.codes[name] for name in SUBJECTS)
        person = np.where(person >= 0, person + len(self.cells.names["machine"]), -1)
        pairs = pd.DataFrame(
            {"day": np.tile(day, 2), "subject": np.r_[machine, person], "n": np.tile(self.n, 2)}
        )
        pairs = pairs[pairs["subject"] >= 0]
        charted = pairs.groupby(["day", "subject"], as_index=False).agg(n=("n", "sum"))
        charted["k"] = charted.groupby("subject").cumcount()
        return [machine, person], charted

    def _plain_limits(self, budget: float) -> Floats:
        """Limit of each charted day, before the widening for autocorrelation."""
        day = self.charted["day"].to_numpy(np.int64)
        judged = self.charted["k"].to_numpy() >= FIRST_DAYS
        judged &= np.searchsorted(self.days, day) >= CREW_DAYS
        self.judged: Bools = judged
        return budget_limits(day, judged, budget / EXCESS, None)

    def run(self) -> None:
        """For each day: judge it by earlier days, then learn from it."""
        ends = np.r_[self.first[1:], len(self.y)]
        charted_day = self.charted["day"].to_numpy(np.int64)
        for number, (start, stop) in enumerate(zip(self.first, ends, strict=True)):
            if number % WORKDAYS_PER_MONTH == 0:
                self._widen(charted_day, int(self.days[number]))
            rows = slice(int(start), int(stop))
            today = slice(*np.searchsorted(charted_day, [self.days[number], self.days[number] + 1]))
            self._day(rows, today)

    def _day(self, rows: slice, today: slice) -> None:
        self.effects.advance()
        design = self.cells.design(rows)
        expected, error = self.effects.predict(design)
        person = self.cells.codes["technician"][rows]
        within = self._within()[person] / self.n[rows]
        self.noise[rows] = noise = within + self._between()
        residual = self.y[rows] - expected
        covariance = error + np.diag(noise)
        machine, hand = (codes[rows] for codes in self.subject)
        open_machine, open_hand = self.open[machine], self.open[hand] & (hand >= 0)
        known_machine = self.established[machine]
        known_hand = self.established[hand] & (hand >= 0)
        usable = {0: ~known_hand | open_machine, 1: ~known_machine | open_hand}
        code = {0: machine, 1: hand}
        machines = len(self.cells.names["machine"])
        subjects = self.charted["subject"].to_numpy(np.int64)[today]
        for place, subject in enumerate(subjects, today.start):
            kind = int(subject >= machines)
            own = np.flatnonzero((code[kind] == subject) & usable[kind])
            if len(own):
                weight = 1.0 / noise[own]
                weight /= weight.sum()
                self.residual[place] = weight @ residual[own]
                self.sd[place] = np.sqrt(weight @ covariance[np.ix_(own, own)] @ weight)
                # days of people or machines not yet known say nothing about a change
                self.judged[place] &= weight @ error[np.ix_(own, own)] @ weight < (
                    weight**2 @ noise[own]
                )
        self.z[today] = self.residual[today] / self.sd[today]
        self._judge(today, subjects)
        self._establish(today, subjects, machine, hand)
        open_machine, open_hand = self.open[machine], self.open[hand] & (hand >= 0)
        self._learn(rows, residual, covariance, error, ~open_machine & ~open_hand)

    def _judge(self, today: slice, subjects: Ints) -> None:
        judged = self.judged[today] & np.isfinite(self.z[today])
        place, subject = np.flatnonzero(judged) + today.start, subjects[judged]
        limit = self.plain_limit[place] * self.widening
        step = ewma_step(self.ewma[subject], self.z[place], LAMBDA, limit, sided="one")
        self.ewma[subject] = step.state
        alarm = step.signal > 0
        self.value[place], self.limit[place] = step.value, limit * SETTLED_SD
        self.alarm[place] = alarm
        self.quiet[subject] = np.where(alarm, 0, self.quiet[subject] + 1)
        self.open[subject] = alarm | (self.open[subject] & (self.quiet[subject] < QUIET_DAYS))
        self.was_open[today] = self.open[subjects]

    def _establish(self, today: slice, subjects: Ints, machine: Ints, hand: Ints) -> None:
        """Note the others with whom each rise was seen; with two it is the subject's own."""
        for subject in subjects[self.alarm[today]]:
            others = np.r_[hand[machine == subject], machine[hand == subject]]
            self.partners.setdefault(int(subject), set()).update(others[others >= 0].tolist())
        for subject in [name for name in self.partners if not self.open[name]]:
            del self.partners[subject]
        self.established[:] = False
        self.established[[name for name, seen in self.partners.items() if len(seen) > 1]] = True

    def _learn(
        self, rows: slice, residual: Floats, covariance: Floats, error: Floats, used: Bools
    ) -> None:
        unknown = np.diag(error) > self.noise[rows]
        reach = np.where(unknown, np.inf, CLIP * np.sqrt(np.diag(covariance)))
        clipped = np.clip(residual, -reach, reach)
        person = self.cells.codes["technician"][rows]
        np.add.at(self.within[0], person, self.squares[rows])
        np.add.at(self.within[1], person, self.n[rows] - 1.0)
        noise = self.noise[rows]
        beyond = clipped**2 - np.diag(error) - (noise - self._between())
        # cells of few splices, or of people not yet known, say little about it
        weight = used * np.minimum(PRIOR_BETWEEN / np.diag(covariance), 1.0) ** 2
        self.between += [weight @ beyond, weight.sum()]
        cells = np.flatnonzero(used) + rows.start
        self.effects.learn(self.cells.design(cells), clipped[used], noise[used])

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

    def _widen(self, charted_day: Ints, today: int) -> None:
        """Update the factor on the limits with the autocorrelation of z, as the loss charts do."""
        upto = int(np.searchsorted(charted_day, today))
        table = pd.DataFrame(
            {"subject": self.charted["subject"], "z": np.where(self.judged, self.z, np.nan)}
        )[:upto]
        table["z"] = table["z"].where(~self.was_open[:upto]).clip(-3, 3)
        groups = table.groupby("subject")["z"]
        lags = np.zeros(LAGS)
        for lag in range(1, LAGS + 1):
            before = groups.shift(lag).to_numpy()
            both = np.isfinite(before) & table["z"].notna().to_numpy()
            product = (before * table["z"].to_numpy())[both].sum()
            lags[lag - 1] = product / ((before[both] ** 2).sum() + LAG_PSEUDO_DAYS)
        growth = 2.0 * float(lags @ (1 - LAMBDA) ** np.arange(1, LAGS + 1))
        self.widening = float(np.clip(np.sqrt(1.0 + max(growth, 0.0)), 1.0, WIDEST))

    def result(self) -> AngleCharts:
        """Charted days with names."""
        subject = self.charted["subject"].to_numpy(np.int64)
        kinds = self.cells.rows.groupby(self.cells.codes["machine"])["machine_type"].first()
        types = np.array([*kinds, *["technician"] * len(self.cells.names["technician"])], object)
        names = np.array([*self.cells.names["machine"], *self.cells.names["technician"]], object)
        days = pd.DataFrame(
            {
                "subject_type": types[subject], "subject": names[subject],
                "day": self.charted["day"].to_numpy().astype("datetime64[us]"),
                "n": self.charted["n"], "ratio": np.exp(self.residual),
                "low": np.exp(-Z95 * self.sd), "high": np.exp(Z95 * self.sd),
                "z": self.z, "statistic": self.value, "limit": self.limit,
                "alarm": self.alarm, "open": self.was_open,
            }
        )  # fmt: skip
        return AngleCharts(days[ANGLE_DAY_COLUMNS], self.noise, self.widening)
