"""Rises of cleave angles: whose they are, since when, how far and until when.

One rise shows in the chart of a cleaver and in those of the people who used it meanwhile. All
alarmed subjects are therefore estimated together, as shifts of the same cells, and those that the
others explain are dropped.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.sparse import csr_array, hstack

from arcdrift.analysis.loss.technician_days import NOBODY
from arcdrift.analysis.people.cleave_angles.angle_cells import AngleCells
from arcdrift.analysis.people.cleave_angles.angle_charts import AngleCharts
from arcdrift.arrays import Bools, Floats
from arcdrift.charts.change_point import step_onset
from arcdrift.charts.intervals import Z95

SHIFT_SD = 1.0
"""Prior standard deviation of a shift of log angle; wide, so that it hardly shrinks one."""
LEAST_Z = 3.0
"""Standard errors that a shift must lie above 0 when the other shifts are taken out."""
FEWEST_MACHINES = 2
"""A person's rise must show on so many machines."""
STILL_HIGH = 1.0
"""z of the days after the last alarm that still belong to the rise."""
LATEST_DAYS = 5
"""Days at the end of a rise whose mean is given too, because a blade gets worse with use."""


@dataclass(frozen=True)
class AngleShift:
    """A rise of the angles of one machine or person.

    Attributes
    ----------
    subject_type, subject : str
        ``cleaver``, ``splicer`` or ``technician``, and its name.
    onset, earliest, latest : Timestamp
        Local day on which it began, and the range of its confidence set.
    first_alarm, until : Timestamp
        Day of the first alarm, and last day of the rise.
    ended : bool
        Whether its angles have come down since.
    ratio, low, high : float
        Mean factor on the angle over the rise, with a 95 % interval.
    latest_ratio : float
        The same over the last `LATEST_DAYS` days of the rise.
    side_ratio : float
        Factor on right over left.
    days_to_alarm, days, splices : int
    hands : tuple of (str, float, int)
        Person (or machine, for a person's rise), factor and splices.
    sole_hand : str or None
        The only person who used the machine, where that person used no other meanwhile: the two
        cannot then be told apart.
    cleaves : float
        Most cleaves on the blade position during the rise; NaN where not known.
    since_utc, onset_utc, until_utc : Timestamp
        First splice on the day of the first alarm and of the onset, last splice of the rise.
    """

    subject_type: str
    subject: str
    onset: pd.Timestamp
    earliest: pd.Timestamp
    latest: pd.Timestamp
    first_alarm: pd.Timestamp
    until: pd.Timestamp
    ended: bool
    ratio: float
    low: float
    high: float
    latest_ratio: float
    side_ratio: float
    days_to_alarm: int
    days: int
    splices: int
    hands: tuple[tuple[str, float, int], ...]
    sole_hand: str | None
    cleaves: float
    since_utc: pd.Timestamp
    onset_utc: pd.Timestamp
    until_utc: pd.Timestamp

    @property
    def about_person(self) -> bool:
        """Whether a person's angles rose, not a machine's."""
        return self.subject_type == "technician"


@dataclass(frozen=True)
class _Candidate:
    """Alarms of one subject between two closures of its chart, with the cells since the onset."""

    subject_type: str
    subject: str
    onset: pd.Timestamp
    earliest: pd.Timestamp
    latest: pd.Timestamp
    first_alarm: pd.Timestamp
    until: pd.Timestamp
    ended: bool
    days_to_alarm: int
    cells: Bools

    @property
    def about_person(self) -> bool:
        return self.subject_type == "technician"


def angle_shifts(cells: AngleCells, charts: AngleCharts) -> list[AngleShift]:
    """Return the rises that no other rise explains, in order of onset.

    Notes
    -----
    Generalized least squares of all cells on people, machines, fibers, wear and one indicator for
    each candidate; the weakest candidate is dropped and the fit repeated until each lies at least
    `LEAST_Z` standard errors above 0. A person's shift must do so in cells outside the rises of
    machines, on at least `FEWEST_MACHINES`. A person seen on a single machine since the onset is
    not a candidate: the machine is.
    """
    candidates = [
        candidate
        for candidate in _candidates(cells, charts)
        if not candidate.about_person or _machines(cells, candidate.cells) >= FEWEST_MACHINES
    ]
    base = cells.design()
    weight = 1.0 / charts.noise
    y = cells.rows["y"].to_numpy(dtype=np.float64)
    shift = sd = residual = np.zeros(0)
    while candidates:
        indicators = csr_array(np.column_stack([candidate.cells for candidate in candidates]))
        design = csr_array(hstack([base, indicators]))
        effect, covariance = _fit(cells, design, weight)
        residual = y - design @ effect
        shift = effect[base.shape[1] :]
        sd = np.sqrt(np.diag(covariance)[base.shape[1] :]) * charts.widening
        z = shift / sd
        machine_rises = _union(cells, candidates)
        for i, candidate in enumerate(candidates):
            if candidate.about_person:
                elsewhere = candidate.cells & ~machine_rises
                z[i] = _mean_z(residual + shift[i], weight, elsewhere) / charts.widening
        weakest = int(np.argmin(z))
        if z[weakest] >= LEAST_Z:
            one_machine = [
                i
                for i, candidate in enumerate(candidates)
                if candidate.about_person
                and _machines(cells, candidate.cells & ~machine_rises) < FEWEST_MACHINES
            ]
            if not one_machine:
                break
            weakest = one_machine[0]
        candidates.pop(weakest)
    found = [
        _measured(cells, candidate, float(shift[i]), float(sd[i]), residual + shift[i], weight)
        for i, candidate in enumerate(candidates)
    ]
    return sorted(found, key=lambda shift: (shift.onset, shift.subject_type, shift.subject))


def _fit(cells: AngleCells, design: csr_array, weight: Floats) -> tuple[Floats, Floats]:
    """Posterior mean and covariance of all effects and shifts."""
    shifts = design.shape[1] - len(cells.prior_sd)
    prior_sd = np.append(cells.prior_sd, np.full(shifts, SHIFT_SD))
    prior_mean = np.append(cells.prior_mean, np.zeros(shifts))
    weighted = design * weight[:, None]
    information = (design.T @ weighted).toarray()
    covariance = np.linalg.inv(information + np.diag(prior_sd**-2.0))
    y = cells.rows["y"].to_numpy(dtype=np.float64)
    effect = covariance @ (weighted.T @ y + prior_mean / prior_sd**2)
    return np.asarray(effect, dtype=np.float64), np.asarray(covariance, dtype=np.float64)


def _machines(cells: AngleCells, inside: Bools) -> int:
    """Number of machines among some cells."""
    return len(np.unique(cells.codes["machine"][inside]))


def _union(cells: AngleCells, candidates: list[_Candidate]) -> Bools:
    """Cells within the rise of any machine."""
    inside = np.zeros(len(cells.rows), dtype=bool)
    for candidate in candidates:
        if not candidate.about_person:
            inside |= candidate.cells
    return inside


def _mean_z(residual: Floats, weight: Floats, inside: Bools) -> float:
    """Weighted mean of some residuals over its standard error; 0 without any."""
    total = float(weight[inside].sum())
    return float(weight[inside] @ residual[inside]) / np.sqrt(total) if total > 0 else 0.0


def _candidates(cells: AngleCells, charts: AngleCharts) -> list[_Candidate]:
    alarmed = charts.days.loc[charts.days["alarm"], ["subject_type", "subject"]].drop_duplicates()
    days = charts.days.merge(alarmed, on=["subject_type", "subject"])
    found = []
    for (subject_type, subject), rows in days.groupby(["subject_type", "subject"]):
        ordered = rows.sort_values("day", ignore_index=True)
        stretch = (ordered["open"] & ~ordered["open"].shift(fill_value=False)).cumsum()
        for _, part in ordered[ordered["open"]].groupby(stretch):
            found.append(_candidate(cells, str(subject_type), str(subject), ordered, part))
    return found


def _candidate(
    cells: AngleCells, subject_type: str, subject: str, days: pd.DataFrame, part: pd.DataFrame
) -> _Candidate:
    first, last = int(part.index[0]), int(part.index[part["alarm"]][-1])
    closed = np.flatnonzero(days["open"].to_numpy()[:first])
    start = int(closed[-1]) + 1 if len(closed) else 0
    judged = days.loc[start:first, "z"].where(days.loc[start:first, "statistic"].notna())
    onset = step_onset(judged.to_numpy(dtype=np.float64), direction="up")
    z = days["z"].to_numpy(dtype=np.float64)
    while last + 1 < len(days) and z[last + 1] > STILL_HIGH:
        last += 1
    ended = not bool(days["open"].iloc[-1]) or part.index[-1] < days.index[-1]
    day = days["day"]
    name = "technician" if subject_type == "technician" else "machine"
    rows = cells.rows
    own = (rows[name] == subject) & rows["day"].between(day[start + onset.index], day[last])
    if name == "machine":
        own &= rows["machine_type"] == subject_type
    return _Candidate(
        subject_type, subject, day[start + onset.index], day[start + onset.earliest],
        day[start + onset.latest], day[first], day[last], ended, first - start - onset.index + 1,
        own.to_numpy(dtype=bool),
    )  # fmt: skip


def _measured(
    cells: AngleCells, candidate: _Candidate, shift: float, sd: float, residual: Floats,
    weight: Floats,
) -> AngleShift:  # fmt: skip
    """Add size, hands and instants; `residual` is what the cells have above all else."""
    own, rows = candidate.cells, cells.rows
    span = rows[own].assign(residual=residual[own], weight=weight[own])
    about_person = candidate.subject_type == "technician"
    counterpart = "machine" if about_person else "technician"
    hands = tuple(
        (str(name), float(np.exp(_mean(part))), int(part["n"].sum()))
        for name, part in span[span[counterpart] != NOBODY].groupby(counterpart)
    )
    latest_days = np.unique(span["day"])[-LATEST_DAYS:]
    sole_hand = None
    if not about_person and len(hands) == 1:
        elsewhere = rows["technician"].eq(hands[0][0]) & ~own
        elsewhere &= rows["day"].between(candidate.onset, candidate.until)
        sole_hand = None if elsewhere.any() else hands[0][0]
    name = "technician" if about_person else "machine"
    before = rows[rows[name].eq(candidate.subject) & rows["day"].lt(candidate.onset)]
    side = _unevenness(span) - _unevenness(before)
    return AngleShift(
        candidate.subject_type, candidate.subject, candidate.onset, candidate.earliest,
        candidate.latest, candidate.first_alarm, candidate.until, candidate.ended,
        float(np.exp(shift)), float(np.exp(shift - Z95 * sd)), float(np.exp(shift + Z95 * sd)),
        float(np.exp(_mean(span[span["day"].isin(latest_days)]))), float(np.exp(side)),
        candidate.days_to_alarm, int(span["day"].nunique()), int(span["n"].sum()),
        tuple(sorted(hands, key=lambda hand: -hand[2])), sole_hand, float(span["cleaves"].max()),
        span.loc[span["day"] == candidate.first_alarm, "first_at"].min(), span["first_at"].min(),
        span["last_at"].max(),
    )  # fmt: skip


def _unevenness(rows: pd.DataFrame) -> float:
    """Mean log of right over left; 0 without rows."""
    n = rows["n"].to_numpy(dtype=np.float64)
    return float(rows["uneven"].to_numpy(dtype=np.float64) @ n / max(n.sum(), 1.0))


def _mean(span: pd.DataFrame) -> float:
    return float(np.average(span["residual"], weights=span["weight"]))


def in_dull_stretches(
    machine_type: pd.Series, machine: pd.Series, day: pd.Series, shifts: list[AngleShift]
) -> Bools:
    """Whether rows lie within the rise of their machine; one that has not ended goes on."""
    inside = np.zeros(len(day), dtype=bool)
    for shift in shifts:
        if shift.about_person:
            continue
        rows = (machine_type == shift.subject_type) & (machine == shift.subject)
        rows &= day >= shift.onset
        inside |= (rows & (day <= shift.until) if shift.ended else rows).to_numpy(dtype=bool)
    return inside
