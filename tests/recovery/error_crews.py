"""Attempts of an invented crew in cells, with errors whose causes are known."""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from arcdrift.analysis.attempts.attempt_cells import BLADE_KEYS, ERROR_COLUMNS, KEYS
from arcdrift.arrays import Floats

RATES = {
    "cleave_angle": 0.008, "cleave_shape": 0.003, "fiber_position": 0.006,
    "fiber_not_seen": 0.005, "alignment": 0.004, "arc": 0.002,
}  # fmt: skip
"""Errors of each class an attempt, of a healthy crew (invented)."""


@dataclass(frozen=True)
class ErrorCrew:
    """An invented crew.

    Attributes
    ----------
    person_sd, splicer_sd : float
        How the log rates of healthy people and splicers differ.
    day_sd, week_sd : float
        How the log rate of a person on a splicer differs between days and between weeks.
    swaps : float
        Share of weeks in which a person works on another splicer than their own.
    faults : list of (dict, class, factor)
        Cells with these values have that many times the errors of a class.
    always_holds : mapping of str to str
        How a person always holds the fiber, others mix both.
    """

    splicers: int = 8
    people: int = 9
    weeks: int = 13
    person_sd: float = 0.2
    splicer_sd: float = 0.15
    day_sd: float = 0.5
    week_sd: float = 0.25
    swaps: float = 0.35
    faults: list[tuple[dict[str, str], str, float]] = field(default_factory=list)
    always_holds: dict[str, str] = field(default_factory=dict)

    def log(self, rng: np.random.Generator) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
        """Attempts by cell and by blade position, and errors; the last day is 4 May 2026."""
        weeks = np.arange(self.weeks)
        rows = []
        for week in weeks:
            assigned = np.arange(self.splicers) % self.people
            moved = np.flatnonzero(rng.random(self.splicers) < self.swaps)
            others = rng.permutation(assigned[moved])
            if self.people > self.splicers:
                others = rng.permutation(np.r_[others, self.people - 1])[: len(moved)]
            assigned[moved] = others
            for day in range(5):
                date = pd.Timestamp("2026-05-04") - pd.Timedelta(weeks=int(self.weeks - 1 - week))
                date -= pd.Timedelta(days=4 - day)
                for splicer in range(self.splicers):
                    person = f"P{assigned[splicer]}"
                    used = "SM" if rng.random() < 0.8 else "ribbon"
                    holding = self.always_holds.get(person, "clamp holder".split()[day % 2])
                    rows.append(
                        (
                            f"S{splicer}", person, f"C{splicer if week % 4 else 0}", used, holding,
                            f"site {splicer % 3}", date, str((week + 3) // 4), week,
                        )
                    )  # fmt: skip
        frame = pd.DataFrame(rows, columns=[*KEYS, "blade_position", "week"])
        attempts = rng.integers(15, 50, len(frame))
        errors, level = [], {}
        for name in RATES:
            level[name] = np.full(len(frame), np.log(RATES[name]))
            level[name] += _effects(rng, frame["technician"], self.person_sd)
            level[name] += _effects(rng, frame["splicer"], self.splicer_sd)
            unit = frame["technician"] + frame["splicer"]
            level[name] += _effects(rng, unit + frame["day"].astype(str), self.day_sd)
            level[name] += _effects(rng, unit + frame["week"].astype(str), self.week_sd)
        for where, name, factor in self.faults:
            hit = np.ones(len(frame), dtype=bool)
            for column, value in where.items():
                hit &= frame[column] == value
            level[name][hit] += np.log(factor)
        for name, rate in level.items():
            count = np.minimum(rng.poisson(attempts * np.exp(rate)), attempts)
            at = np.repeat(np.arange(len(frame)), count)
            errors.append(frame.iloc[at][[*KEYS, "blade_position"]].assign(**{"class": name}))
        failed = pd.concat(errors, ignore_index=True)
        at = failed["day"].dt.tz_localize("UTC") + pd.to_timedelta(
            rng.integers(7 * 60, 16 * 60, len(failed)), unit="min"
        )
        failed = failed.assign(id=np.arange(len(failed)), spliced_at=at)
        frame = frame.assign(made=attempts.astype(float))
        return frame[[*KEYS, "made"]], frame[[*BLADE_KEYS, "made"]], failed[ERROR_COLUMNS]


def _effects(rng: np.random.Generator, keys: pd.Series, sd: float) -> Floats:
    """A normal effect with mean 1 on the scale of rates for each key."""
    code, names = pd.factorize(keys)
    return np.asarray(sd * rng.standard_normal(len(names))[code] - sd**2 / 2)
