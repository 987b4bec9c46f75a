"""Technician days of the crew, indexed for comparing subjects and ranking causes."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from arcdrift.arrays import Bools, Datetimes, Floats, Ints

LOGGED_KEYS = ("splicer", "technician", "cleaver", "program", "fibers", "holding", "site")
CELL_KEYS = (*LOGGED_KEYS, "stream", "day")
MIXING = np.uint64(0x9E3779B97F4A7C15)
SUMMED = (
    "n", "capped", "squares", "angles", "angle", "angle_squares", "uneven", "uneven_squares",
    "good", "dirty_good", "dirty", "made", "errors", "places",
    "again", "density_n", "density", "vapor",
)  # fmt: skip


@dataclass(frozen=True)
class CrewCells:
    """Cells of all splicers in order of time.

    Attributes
    ----------
    at : array of int64
        First splice of each cell, microseconds UTC.
    code : dict of array
        By key of `CELL_KEYS`, the code of each cell's value; ``stream`` is splicer / program.
    names : dict of list
        Values by key and code.
    sums : dict of array
        The columns of `SUMMED`.
    """

    at: Ints
    code: dict[str, Ints]
    names: dict[str, list[str]]
    sums: dict[str, Floats]

    @classmethod
    def from_technician_days(
        cls, technician_days: pd.DataFrame, excluded: pd.DataFrame | None = None
    ) -> "CrewCells":
        """Index the technician days of all splicers.

        Parameters
        ----------
        technician_days : DataFrame
            From `arcdrift.analysis.loss.technician_days.aggregate_technician_days`.
        excluded : DataFrame, optional
            ``splicer``, ``program`` and ``day`` of stream days that are left out.
        """
        frame = technician_days.reset_index(drop=True)
        if excluded is not None and len(excluded):
            keys = ["splicer", "program", "day"]
            dropped = frame[keys].merge(
                excluded[keys].drop_duplicates(), how="left", indicator="in"
            )
            frame = frame[(dropped["in"] == "left_only").to_numpy()].reset_index(drop=True)
        at = frame["first_at"].to_numpy(dtype="datetime64[us]").astype(np.int64)
        order = np.argsort(at, kind="stable")
        code: dict[str, Ints] = {}
        names: dict[str, list[str]] = {}
        for key in LOGGED_KEYS:
            numbers, values = pd.factorize(frame[key], sort=True)
            code[key], names[key] = numbers[order].astype(np.int64), list(map(str, values))
        pairs = code["splicer"] * max(len(names["program"]), 1) + code["program"]
        known, dense = np.unique(pairs, return_inverse=True)
        width = max(len(names["program"]), 1)
        code["stream"] = dense.astype(np.int64)
        names["stream"] = [
            f"{names['splicer'][pair // width]} / {names['program'][pair % width]}"
            for pair in known
        ]
        numbers, values = pd.factorize(frame["day"], sort=True)
        code["day"], names["day"] = numbers[order].astype(np.int64), list(map(str, values))
        sums = {key: frame[key].to_numpy(dtype=np.float64)[order] for key in SUMMED}
        return cls(at[order], code, names, sums)

    def code_of(self, key: str, name: str) -> int:
        """Code of a value; -1 where no cell has it."""
        try:
            return self.names[key].index(name)
        except ValueError:
            return -1

    @cached_property
    def identity(self) -> Ints:
        """Hash of who and what each cell is about; it does not depend on other cells."""
        mixed = np.zeros(len(self.at), dtype=np.uint64)
        for key in CELL_KEYS:
            names = pd.util.hash_array(np.array(self.names[key], dtype=object))
            mixed = mixed * MIXING + names[self.code[key]]
        return mixed.view(np.int64)

    @cached_property
    def day(self) -> Datetimes:
        """Local day of each cell."""
        days = pd.to_datetime(pd.Index(self.names["day"])).to_numpy(dtype="datetime64[D]")
        return np.asarray(days[self.code["day"]])

    def subject(self, subject_type: str, subject_id: str, rows: Ints) -> Bools:
        """Which of some cells belong to a subject."""
        if subject_type == "crew":
            return np.ones(len(rows), dtype=bool)
        code = self.code_of(subject_type, subject_id)
        return np.asarray(self.code[subject_type][rows] == code)
