"""The splices on which a person's signature is based, the most telling ones first.

Splices are selected by the same limits as in `arcdrift.analysis.people.signatures` and
`arcdrift.analysis.people.signature_days`. Where single splices make the signature (runs, dirt),
the newest come first; where it is a mean or a slope, those that change it most come first.
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
    CAP_DB,
    CAP_TO_MEAN,
    FIRST,
    NO_CLEAVER,
    dirty_above,
    log_angle,
    within_day,
)
from arcdrift.analysis.people.cleave_runs import bad_stretches
from arcdrift.arrays import Bools, Floats, Ints
from arcdrift.settings import Crew

LEFT, RIGHT, LOSS = "cleave_left_deg", "cleave_right_deg", "loss_db"
COLUMNS = [
    "id", "spliced_at", "splicer", "program", LEFT, RIGHT, LOSS, "loss_below_db", "cleaver",
    "blade_position", "location", "site",
]  # fmt: skip
READ = [*COLUMNS, "technician", "fiber_a", "fiber_b", "purpose"]
"""Columns of the splice log that are needed."""


OF_LOSS = ("dirt",)
"""Kinds of signature that angles say nothing about."""


@dataclass(frozen=True)
class SignatureSplices:
    """Splices behind one signature.

    Attributes
    ----------
    rows : DataFrame
        `COLUMNS`; ``size``, the quantity that makes the pattern; ``matters``, the names of the
        columns to look at in each row, joined by commas.
    size_name : str
        Name of ``size``, with its unit.
    words : str
        Sentences on which splices these are, and in which order.
    """

    rows: pd.DataFrame
    size_name: str
    words: str


@dataclass(frozen=True)
class _Selection:
    """Row numbers in order, the size of each row, and the columns to look at in it."""

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
    rises: pd.DataFrame,
    crew: Crew,
) -> SignatureSplices:
    """Select the splices on which a signature of a person is based.

    Parameters
    ----------
    kind, unit : str
        Of the `arcdrift.analysis.people.signatures.Signature`; the unit names the side, or whether
        the pattern is one of loss or of angle.
    splices : DataFrame
        That person's splices between the signature's first and last evidence, in the order they
        were stored: `READ`.
    days : DataFrame
        Stream days: ``splicer``, ``program``, ``day``, ``splices``, ``capped`` (dB, a sum), ``cap``
        (dB).
    machines : DataFrame
        Effects of splicers and cleavers (``who``, ``name``, ``measure``, ``effect``), which are
        subtracted before splices are compared; may be empty.
    rises : DataFrame
        Rises of machines' angles: ``subject_type`` (``cleaver`` or ``splicer``), ``subject``,
        ``since``, ``until``, ``ended``. Splices made with such a machine meanwhile prove nothing
        about a person's angles and are left out.

    Raises
    ------
    KeyError
        For a kind that people cannot have.
    """
    splices = splices[splices["purpose"] == "production"]
    if kind not in OF_LOSS and "loss" not in unit:
        splices = splices[~_within_rises(splices, rises)]
    splices = splices.reset_index(drop=True)
    selection = RULES[kind](_SpliceLog(splices, days, machines, crew), unit)
    rows = splices.iloc[selection.place][COLUMNS].reset_index(drop=True)
    return SignatureSplices(
        rows.assign(size=selection.size, matters=selection.matters),
        selection.size_name,
        selection.words,
    )


def _within_rises(splices: pd.DataFrame, rises: pd.DataFrame) -> Bools:
    """Whether splices were made with a machine while its angles had risen."""
    inside = np.zeros(len(splices), dtype=bool)
    for row in rises.to_dict("records"):
        used = splices[row["subject_type"]].eq(row["subject"])
        if row["subject_type"] == "splicer":
            used &= splices["cleaver"].isna()
        used &= splices["spliced_at"] >= row["since"]
        if row["ended"]:
            used &= splices["spliced_at"] <= row["until"]
        inside |= used.fillna(False).to_numpy(dtype=bool)
    return inside


class _SpliceLog:
    """One person's production splices with the quantities that rules need of each."""

    def __init__(
        self, splices: pd.DataFrame, days: pd.DataFrame, machines: pd.DataFrame, crew: Crew
    ) -> None:
        self.splices, self.crew, self._machines = splices, crew, machines
        self.spliced_at_us = splices["spliced_at"].to_numpy(dtype="datetime64[us]").astype(np.int64)
        self.day = workdays(splices, crew, "spliced_at")
        key = splices.assign(
            program=fill_missing_text(splices["program"], NO_PROGRAM), day=self.day
        )
        here = key.groupby(["splicer", "day"], sort=False)
        person_day: Ints = np.asarray(here.ngroup(), dtype=np.int64)
        self.person_day = pd.Series(person_day)
        cell = ["splicer", "day", "program", "cleaver", "fiber_a", "fiber_b", "site"]
        self.cell = np.asarray(key.groupby(cell, sort=False, dropna=False).ngroup())
        self.hour, self.number_in_day = within_day(self.spliced_at_us, person_day)
        self.left, self.right, self.loss = (
            splices[name].to_numpy(dtype=np.float64) for name in (LEFT, RIGHT, LOSS)
        )
        self.both = np.isfinite(self.left) & np.isfinite(self.right)
        self.log_left, self.log_right = (log_angle(side) for side in (self.left, self.right))
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
        rows = key[["splicer", "program"]].merge(sums, on=["splicer", "program"], how="left")
        mean = rows["mean"].to_numpy(dtype=np.float64)
        self.stream_mean = np.where(mean > 0, mean, self.cap / CAP_TO_MEAN)

    def value(self, measure: str) -> Floats:
        """Return log angle, or capped loss over the stream's mean; NaN where not measured."""
        if measure == "loss":
            return np.asarray(np.minimum(self.loss, self.cap) / self.stream_mean, dtype=np.float64)
        angle = self.log_right - self.log_left if measure == "uneven" else self.mean_log_angle
        return np.asarray(np.where(self.both, angle, np.nan), dtype=np.float64)

    def machine(self, measure: str, kinds: tuple[str, ...] = ("splicer", "cleaver")) -> Floats:
        """Return the machines' effect on a log scale; 0 where it is not known."""
        effects = self._machines[self._machines["measure"] == measure]
        effect = np.zeros(len(self.splices))
        for grouping in kinds:
            known = effects[effects["who"] == grouping].set_index("name")["effect"]
            names = fill_missing_text(self.splices[grouping], NO_CLEAVER)
            effect += np.log1p(names.map(known).fillna(0.0).to_numpy(dtype=np.float64))
        return effect

    def newest_first(self, rows: Bools) -> Ints:
        """Return the numbers of the chosen rows, the newest first."""
        place = np.flatnonzero(rows)
        return place[np.argsort(-self.spliced_at_us[place], kind="stable")]

    def strongest_first(self, pull: Floats) -> Ints:
        """Return the rows with a known pull, the strongest first; ties by higher loss."""
        loss = np.nan_to_num(self.loss)
        order = np.lexsort((-self.spliced_at_us, -loss, -pull))
        return order[np.isfinite(pull[order])]


def _both_sides(log: _SpliceLog, unit: str) -> _Selection:
    place = log.strongest_first(log.value("angle") - log.machine("angle"))
    return _Selection(
        place, np.exp(log.mean_log_angle[place]), "mean angle (°)", f"{LEFT},{RIGHT}",
        "The figure is a mean over all of these splices. First come the angles that pull it up "
        "most, after taking out what splicer and cleaver do.",
    )  # fmt: skip


def _one_side(log: _SpliceLog, unit: str) -> _Selection:
    sign, side = (1.0, "right") if unit.startswith("right") else (-1.0, "left")
    place = log.strongest_first(sign * (log.value("uneven") - log.machine("uneven")))
    ratio = np.exp(sign * (log.log_right - log.log_left))
    return _Selection(
        place, ratio[place], f"{side} angle as multiple of the other", RIGHT if sign > 0 else LEFT,
        "The figure is a mean over all of these splices. First come those whose "
        f"{side} angle lies furthest above the other, after taking out what splicer and cleaver "
        "do.",
    )  # fmt: skip


def _cleave_run(log: _SpliceLog, unit: str) -> _Selection:
    limit = log.crew.prep.bad_cleave_deg
    place, run = bad_stretches(log.splices, log.person_day, log.crew)
    order = np.argsort(-log.spliced_at_us[place], kind="stable")
    place, length = place[order], np.bincount(run)[run][order] if len(run) else run
    sides = np.select(
        [(log.left > limit) & (log.right > limit), log.left > limit],
        [f"{LEFT},{RIGHT}", LEFT], RIGHT,
    )  # fmt: skip
    return _Selection(
        place, length.astype(np.float64), "splices in the run", sides[place],
        f"Every splice of the runs: {log.crew.prep.run_length} or more in a row with an angle over "
        f"{limit:g}° on a splicer in a day. The newest come first.",
    )  # fmt: skip


def _dirt(log: _SpliceLog, unit: str) -> _Selection:
    limit = log.crew.prep.bad_cleave_deg
    above = dirty_above(log.cap)
    good = log.both & (np.fmax(log.left, log.right) <= limit)
    place = log.newest_first(good & (log.loss > above))
    return _Selection(
        place, above[place], "dirty above (dB)", LOSS,
        f"Every splice with both angles up to {limit:g}° and a loss far above what is usual on its "
        "splicer and program. The newest come first.",
    )  # fmt: skip


def _measure(unit: str) -> tuple[str, str, str]:
    """Return the measure that a unit names, its columns, and its plural noun."""
    if "loss" in unit:
        return "loss", LOSS, "losses"
    return "angle", f"{LEFT},{RIGHT}", "angles"


def _first_splices(log: _SpliceLog, unit: str) -> _Selection:
    measure, columns, noun = _measure(unit)
    value = log.value(measure)
    first, known = log.number_in_day < FIRST, np.isfinite(value)
    later = known & ~first
    count = np.bincount(log.cell, later)[log.cell] if len(value) else value
    total = np.bincount(log.cell, np.where(later, value, 0.0))[log.cell] if len(value) else value
    with np.errstate(invalid="ignore", divide="ignore"):
        pull = np.where(first & known & (count > 0), value - total / count, np.nan)
    place = log.strongest_first(pull)
    return _Selection(
        place, log.number_in_day[place].astype(np.float64) + 1.0, "splice of the day", columns,
        f"The figure is a mean over all of these: the first {FIRST} splices of each day on a "
        f"splicer. First come the {noun} furthest above those of later splices that day.",
    )  # fmt: skip


def _tiring(log: _SpliceLog, unit: str) -> _Selection:
    measure, columns, noun = _measure(unit)
    value = log.value(measure)
    hour, value = (_centered(one, np.isfinite(value), log.cell) for one in (log.hour, value))
    place = _slope_order(log, hour, hour * value)
    return _Selection(
        place, log.hour[place], "hours into the day", columns,
        f"The figure is a slope over all of these splices. First come the {noun} late in a day "
        "that pull it up most; those early in a day come last.",
    )  # fmt: skip


def _learning(log: _SpliceLog, unit: str) -> _Selection:
    measure, columns, noun = _measure(unit)
    value = log.value(measure)
    machine = log.machine(measure, ("splicer",))
    value = value / np.exp(machine) if measure == "loss" else value - machine
    known = np.isfinite(value)
    since = (log.day - log.day[known].min()).dt.days.to_numpy(dtype=np.float64)
    everything = np.zeros(len(value), dtype=np.int64)
    early = -_centered(np.log2(np.maximum(since, 0.0) + 1.0), known, everything)
    place = _slope_order(log, early, early * _centered(value, known, everything))
    return _Selection(
        place, since[place] + 1.0, "day counted from the first", columns,
        f"The figure is a fall over all of these splices. First come the high {noun} of the first "
        "days that pull it most; the latest days come last.",
    )  # fmt: skip


def _centered(values: Floats, known: Bools, cell: Ints) -> Floats:
    """Subtract the mean of the known values of each cell; NaN for unknown values."""
    if not len(values):
        return values
    count = np.bincount(cell, known)
    total = np.bincount(cell, np.where(known, values, 0.0))
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(known, values - (total / count)[cell], np.nan)


def _slope_order(log: _SpliceLog, reach: Floats, pull: Floats) -> Ints:
    """Order rows on the far side of a slope first, each side by the strongest pull."""
    place = log.strongest_first(pull)
    return place[np.argsort(reach[place] <= 0, kind="stable")]


RULES: dict[str, Callable[[_SpliceLog, str], _Selection]] = {
    "both-sides": _both_sides,
    "one-side": _one_side,
    "cleave-run": _cleave_run,
    "dirt": _dirt,
    "first-splices": _first_splices,
    "tiring": _tiring,
    "learning": _learning,
}
"""Rule that selects the splices, by kind of signature."""
