"""The splices behind a person's signature: those that make the pattern, or pull it most.

Each kind is picked out by the same limits as in `arcdrift.analysis.people.signatures` and
`arcdrift.analysis.people.signature_days`. A run or a dirty splice is a splice of its own and the
newest come first; a mean or a slope rests on many, and those that pull it most come first.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from arcdrift.analysis.common.days import workdays
from arcdrift.analysis.common.grouping import fill_missing_text
from arcdrift.analysis.loss.stream_days import NO_PROGRAM
from arcdrift.analysis.loss.technician_days import (
    ANGLE_FLOOR_DEG,
    CAP_DB,
    CAP_TO_MEAN,
    FIRST,
    NO_CLEAVER,
    dirty_above,
    within_day,
)
from arcdrift.analysis.people.cleave_runs import bad_stretches
from arcdrift.arrays import Bools, Floats, Ints
from arcdrift.settings import Crew

LEFT, RIGHT, LOSS = "cleave_left_deg", "cleave_right_deg", "loss_db"
COLUMNS = [
    "id", "spliced_at", "splicer", "program", LEFT, RIGHT, LOSS, "cleaver", "blade_position",
    "location", "site",
]  # fmt: skip
READ = [*COLUMNS, "technician", "fiber_a", "fiber_b", "purpose"]
"""What has to be read of the splice log."""


@dataclass(frozen=True)
class SignatureSplices:
    """Splices behind one signature.

    Attributes
    ----------
    rows : DataFrame
        `COLUMNS`; ``size``, what the pattern goes by (see ``size_name``); ``matters``, the names
        of the columns that matter in each row, joined by commas.
    size_name : str
        Name of that size, with its unit.
    words : str
        Which splices these are, in what order.
    """

    rows: pd.DataFrame
    size_name: str
    words: str


@dataclass(frozen=True)
class _Picked:
    """Places of the rows in order, the size of each, and what matters in it."""

    place: Ints
    size: Floats
    size_name: str
    matters: str | npt.NDArray[np.str_]
    words: str


def signature_splices(
    kind: str,
    unit: str,
    splices: pd.DataFrame,
    days: pd.DataFrame,
    machines: pd.DataFrame,
    crew: Crew,
) -> SignatureSplices:
    """Pick out the splices behind a signature of a person.

    Parameters
    ----------
    kind, unit : str
        Of the `arcdrift.analysis.people.signatures.Signature`; the unit tells the side, or whether
        loss or angle makes the pattern.
    splices : DataFrame
        That person's splices of the signature's time, in the order they were stored: `READ`.
    days : DataFrame
        Stream days: ``splicer``, ``program``, ``day``, ``splices``, ``capped`` (dB, a sum), ``cap``
        (dB).
    machines : DataFrame
        Effects of splicers and cleavers (``who``, ``name``, ``measure``, ``effect``), taken out
        of what is compared; may be empty.

    Raises
    ------
    KeyError
        For a kind that is no person's.
    """
    made = splices[splices["purpose"] == "production"].reset_index(drop=True)
    picked = RULES[kind](_Log(made, days, machines, crew), unit)
    rows = made.iloc[picked.place][COLUMNS].reset_index(drop=True)
    return SignatureSplices(
        rows.assign(size=picked.size, matters=picked.matters), picked.size_name, picked.words
    )


class _Log:
    """One person's production splices with what the rules ask about each."""

    def __init__(
        self, made: pd.DataFrame, days: pd.DataFrame, machines: pd.DataFrame, crew: Crew
    ) -> None:
        self.made, self.crew, self._machines = made, crew, machines
        self.made_at = made["spliced_at"].to_numpy(dtype="datetime64[us]").astype(np.int64)
        self.day = workdays(made, crew, "spliced_at")
        key = made.assign(program=fill_missing_text(made["program"], NO_PROGRAM), day=self.day)
        here = key.groupby(["splicer", "day"], sort=False)
        person_day: Ints = np.asarray(here.ngroup(), dtype=np.int64)
        self.person_day = pd.Series(person_day)
        cell = ["splicer", "day", "program", "cleaver", "fiber_a", "fiber_b", "site"]
        self.cell = np.asarray(key.groupby(cell, sort=False, dropna=False).ngroup())
        self.hour, self.nth = within_day(self.made_at, person_day)
        self.left, self.right, self.loss = (
            made[name].to_numpy(dtype=np.float64) for name in (LEFT, RIGHT, LOSS)
        )
        self.both = np.isfinite(self.left) & np.isfinite(self.right)
        self.log_left, self.log_right = (
            np.log(np.maximum(side, ANGLE_FLOOR_DEG)) for side in (self.left, self.right)
        )
        self.mean_log_angle = (self.log_left + self.log_right) / 2.0
        self._streams(key, days)

    def _streams(self, key: pd.DataFrame, days: pd.DataFrame) -> None:
        days = days[["splicer", "program", "day", "splices", "capped", "cap"]]
        days = days.assign(day=pd.to_datetime(days["day"]))
        days = days[days["day"].between(self.day.min(), self.day.max())]
        caps = days.drop_duplicates(["splicer", "program", "day"])
        at_day = ["splicer", "program", "day"]
        cap = key[at_day].merge(caps[[*at_day, "cap"]], on=at_day, how="left")["cap"]
        self.cap = cap.fillna(CAP_DB).to_numpy(dtype=np.float64)
        sums = days.groupby(["splicer", "program"], as_index=False)[["splices", "capped"]].sum()
        sums["mean"] = sums["capped"] / sums["splices"]
        usual = key[["splicer", "program"]].merge(sums, on=["splicer", "program"], how="left")
        mean = usual["mean"].to_numpy(dtype=np.float64)
        self.usual = np.where(mean > 0, mean, self.cap / CAP_TO_MEAN)

    def value(self, measure: str) -> Floats:
        """Log angle, or capped loss against the stream's; NaN where it was not measured."""
        if measure == "loss":
            return np.asarray(np.minimum(self.loss, self.cap) / self.usual, dtype=np.float64)
        angle = self.log_right - self.log_left if measure == "uneven" else self.mean_log_angle
        return np.asarray(np.where(self.both, angle, np.nan), dtype=np.float64)

    def machine(self, measure: str, kinds: tuple[str, ...] = ("splicer", "cleaver")) -> Floats:
        """Effect of the machines on the scale of a logarithm; 0 where it is not known."""
        told = self._machines[self._machines["measure"] == measure]
        effect = np.zeros(len(self.made))
        for who in kinds:
            known = told[told["who"] == who].set_index("name")["effect"]
            names = fill_missing_text(self.made[who], NO_CLEAVER)
            effect += np.log1p(names.map(known).fillna(0.0).to_numpy(dtype=np.float64))
        return effect

    def newest_first(self, rows: Bools) -> Ints:
        place = np.flatnonzero(rows)
        return place[np.argsort(-self.made_at[place], kind="stable")]

    def most_first(self, pull: Floats) -> Ints:
        """Places of what has a pull, the strongest first; of equal ones the higher loss first."""
        loss = np.nan_to_num(self.loss)
        order = np.lexsort((-self.made_at, -loss, -pull))
        return order[np.isfinite(pull[order])]


def _both_sides(log: _Log, unit: str) -> _Picked:
    place = log.most_first(log.value("angle") - log.machine("angle"))
    return _Picked(
        place, np.exp(log.mean_log_angle[place]), "mean angle (°)", f"{LEFT},{RIGHT}",
        "The figure is a mean over all of these splices. First come the angles that pull it up "
        "most, after taking out what splicer and cleaver do.",
    )  # fmt: skip


def _one_side(log: _Log, unit: str) -> _Picked:
    sign, side = (1.0, "right") if unit.startswith("right") else (-1.0, "left")
    place = log.most_first(sign * (log.value("uneven") - log.machine("uneven")))
    ratio = np.exp(sign * (log.log_right - log.log_left))
    return _Picked(
        place, ratio[place], f"{side} angle as multiple of the other", RIGHT if sign > 0 else LEFT,
        "The figure is a mean over all of these splices. First come those whose "
        f"{side} angle lies furthest above the other, after taking out what splicer and cleaver "
        "do.",
    )  # fmt: skip


def _cleave_run(log: _Log, unit: str) -> _Picked:
    limit = log.crew.prep.bad_cleave_deg
    place, run = bad_stretches(log.made, log.person_day, log.crew)
    order = np.argsort(-log.made_at[place], kind="stable")
    place, length = place[order], np.bincount(run)[run][order] if len(run) else run
    sides = np.select(
        [(log.left > limit) & (log.right > limit), log.left > limit],
        [f"{LEFT},{RIGHT}", LEFT], RIGHT,
    )  # fmt: skip
    return _Picked(
        place, length.astype(np.float64), "splices in the run", sides[place],
        f"Every splice of the runs: {log.crew.prep.run_length} or more in a row with an angle over "
        f"{limit:g}° on a splicer in a day. The newest come first.",
    )  # fmt: skip


def _dirt(log: _Log, unit: str) -> _Picked:
    limit = log.crew.prep.bad_cleave_deg
    above = dirty_above(log.cap)
    good = log.both & (np.fmax(log.left, log.right) <= limit)
    place = log.newest_first(good & (log.loss > above))
    return _Picked(
        place, above[place], "dirty above (dB)", LOSS,
        f"Every splice with both angles up to {limit:g}° and a loss far above what is usual on its "
        "splicer and program. The newest come first.",
    )  # fmt: skip


def _measure(unit: str) -> tuple[str, str, str]:
    """Measure that a unit speaks of, its column, its name."""
    if "loss" in unit:
        return "loss", LOSS, "losses"
    return "angle", f"{LEFT},{RIGHT}", "angles"


def _first_splices(log: _Log, unit: str) -> _Picked:
    measure, columns, what = _measure(unit)
    value = log.value(measure)
    first, known = log.nth < FIRST, np.isfinite(value)
    later = known & ~first
    count = np.bincount(log.cell, later)[log.cell] if len(value) else value
    total = np.bincount(log.cell, np.where(later, value, 0.0))[log.cell] if len(value) else value
    with np.errstate(invalid="ignore", divide="ignore"):
        pull = np.where(first & known & (count > 0), value - total / count, np.nan)
    place = log.most_first(pull)
    return _Picked(
        place, log.nth[place].astype(np.float64) + 1.0, "splice of the day", columns,
        f"The figure is a mean over all of these: the first {FIRST} splices of each day on a "
        f"splicer. First come the {what} furthest above those of later splices that day.",
    )  # fmt: skip


def _tiring(log: _Log, unit: str) -> _Picked:
    measure, columns, what = _measure(unit)
    value = log.value(measure)
    hour, value = (_centered(one, np.isfinite(value), log.cell) for one in (log.hour, value))
    place = _slope_order(log, hour, hour * value)
    return _Picked(
        place, log.hour[place], "hours into the day", columns,
        f"The figure is a slope over all of these splices. First come the {what} late in a day "
        "that pull it up most; those early in a day come last.",
    )  # fmt: skip


def _learning(log: _Log, unit: str) -> _Picked:
    measure, columns, what = _measure(unit)
    value = log.value(measure)
    machine = log.machine(measure, ("splicer",))
    value = value / np.exp(machine) if measure == "loss" else value - machine
    known = np.isfinite(value)
    since = (log.day - log.day[known].min()).dt.days.to_numpy(dtype=np.float64)
    everything = np.zeros(len(value), dtype=np.int64)
    early = -_centered(np.log2(np.maximum(since, 0.0) + 1.0), known, everything)
    place = _slope_order(log, early, early * _centered(value, known, everything))
    return _Picked(
        place, since[place] + 1.0, "day counted from the first", columns,
        f"The figure is a fall over all of these splices. First come the high {what} of the first "
        "days that pull it most; the latest days come last.",
    )  # fmt: skip


def _centered(values: Floats, known: Bools, cell: Ints) -> Floats:
    """Values less the mean of what is known in their cell; NaN for what is not known."""
    if not len(values):
        return values
    count = np.bincount(cell, known)
    total = np.bincount(cell, np.where(known, values, 0.0))
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(known, values - (total / count)[cell], np.nan)


def _slope_order(log: _Log, reach: Floats, pull: Floats) -> Ints:
    """Places on the far side of a slope, the strongest pull first, then those on the near side."""
    place = log.most_first(pull)
    return place[np.argsort(reach[place] <= 0, kind="stable")]


RULES: dict[str, Callable[[_Log, str], _Picked]] = {
    "both-sides": _both_sides,
    "one-side": _one_side,
    "cleave-run": _cleave_run,
    "dirt": _dirt,
    "first-splices": _first_splices,
    "tiring": _tiring,
    "learning": _learning,
}
"""How the splices of each kind that is a person's are picked out."""
