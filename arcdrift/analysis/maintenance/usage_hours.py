"""Sorted arrays of the hours in which each cleaver or splicer was used, and of blade turns.

They are built once for the whole crew, because they are looked up many times.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from arcdrift.arrays import Bools, Datetimes, Ints

TURN_ACTIONS = ("blade rotated", "blade replaced")
CLEAVES_PER_SPLICE = 2


@dataclass(frozen=True)
class UsageHours:
    """Hours with at least one splice, in time order.

    Attributes
    ----------
    first, last : array of datetime64[us]
        First and last splice of each hour, UTC.
    splices : array of int
    position : array of int
        Index of the blade position in ``positions``; -1 where none was logged.
    splicers : tuple of str
        In order of their names.
    """

    first: Datetimes
    last: Datetimes
    splices: Ints
    position: Ints
    positions: tuple[str, ...]
    splicers: tuple[str, ...]

    def latest_position(self, rows: slice = slice(None)) -> int:
        """Index of the last position logged in the given hours; -1 if none was."""
        known = self.position[rows]
        known = known[known >= 0]
        return int(known[-1]) if len(known) else -1

    def position_name(self, position: int) -> str | None:
        """Name of a position as logged; None for -1."""
        return None if position < 0 else self.positions[position]


@dataclass(frozen=True)
class BladeTurns:
    """Times (UTC) at which one cleaver's blade was turned, and whether to a new blade."""

    when: Datetimes
    new_blade: Bools

    @property
    def positions_used(self) -> int | None:
        """Positions used of this blade, with the present one; None if no new blade is known."""
        new = np.flatnonzero(self.new_blade)
        return int(len(self.when) - new[-1]) if len(new) else None


NO_TURNS = BladeTurns(np.zeros(0, dtype="datetime64[us]"), np.zeros(0, dtype=bool))


def hours_by_asset(use: pd.DataFrame, key: Literal["cleaver", "splicer"]) -> dict[str, UsageHours]:
    """Hours of use by cleaver or by splicer, in alphabetical order.

    Parameters
    ----------
    use : DataFrame
        From `arcdrift.analysis.maintenance.service_findings.usage_by_hour`.
    """
    code, names = pd.factorize(use[key], sort=True)
    position, positions = pd.factorize(use["blade_position"])
    splicer, splicers = pd.factorize(use["splicer"], sort=True)
    first, last = (use[name].to_numpy(dtype="datetime64[us]") for name in ("at", "last"))
    splices = use["splices"].to_numpy(dtype=np.int64)
    order = np.argsort(first, kind="stable")
    # a stable sort of few small numbers takes one pass; missing names, whose code is -1, go first
    place = (code[order] + 1).astype(np.min_scalar_type(len(names)))
    order = order[np.argsort(place, kind="stable")]
    ends = np.searchsorted(code[order], np.arange(len(names) + 1))
    position_names = tuple(map(str, positions))
    found = {}
    for index, name in enumerate(names):
        rows = order[ends[index] : ends[index + 1]]
        found[str(name)] = UsageHours(
            first[rows], last[rows], splices[rows], position[rows].astype(np.int64), position_names,
            tuple(str(splicers[splicer_code]) for splicer_code in np.unique(splicer[rows])),
        )  # fmt: skip
    return found


def turns_by_cleaver(service: pd.DataFrame) -> dict[str, BladeTurns]:
    """Blade turns in the service log, by cleaver."""
    events = service[service["action"].isin(TURN_ACTIONS)].sort_values("serviced_at", kind="stable")
    time = events["serviced_at"].to_numpy(dtype="datetime64[us]")
    new = (events["action"] == "blade replaced").to_numpy(dtype=bool)
    return {
        str(name): BladeTurns(time[rows], new[rows])
        for name, rows in events.groupby("asset").indices.items()
    }


def to_timestamp(time: np.datetime64) -> pd.Timestamp:
    """Convert a ``datetime64`` of these arrays to a UTC timestamp."""
    return pd.Timestamp(time).tz_localize("UTC")
