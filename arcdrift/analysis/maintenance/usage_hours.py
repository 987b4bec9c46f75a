"""Hours in which a cleaver or a splicer was used, and the turns of blades, as sorted arrays.

Looked up many times over, so put in order once for the whole crew.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from arcdrift.arrays import Bools, Datetimes, Ints

TURNED = ("blade rotated", "blade replaced")
CLEAVES_A_SPLICE = 2


@dataclass(frozen=True)
class Hours:
    """Hours of use in order of time.

    Attributes
    ----------
    first, last : array of datetime64[us]
        First and last splice of each hour, UTC.
    splices : array of int
    position : array of int
        Place of the blade's position in ``positions``; -1 where none was logged.
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
        """Last position logged in some hours; -1 where none was."""
        known = self.position[rows]
        known = known[known >= 0]
        return int(known[-1]) if len(known) else -1

    def named(self, position: int) -> str | None:
        """A position as the splice log has it."""
        return None if position < 0 else self.positions[position]


@dataclass(frozen=True)
class Turns:
    """Turns of one blade on the service log in order of time, and which were to a new blade."""

    when: Datetimes
    new_blade: Bools

    @property
    def positions_used(self) -> int | None:
        """Positions since the blade was new, this one included; None where no new one is known."""
        new = np.flatnonzero(self.new_blade)
        return int(len(self.when) - new[-1]) if len(new) else None


NO_TURNS = Turns(np.zeros(0, dtype="datetime64[us]"), np.zeros(0, dtype=bool))


def hours_of(use: pd.DataFrame, key: Literal["cleaver", "splicer"]) -> dict[str, Hours]:
    """Hours of use of each cleaver, or splicer, in order of their names.

    Parameters
    ----------
    use : DataFrame
        From `arcdrift.analysis.maintenance.service_findings.use_by_hour`.
    """
    code, names = pd.factorize(use[key], sort=True)
    position, positions = pd.factorize(use["blade_position"])
    splicer, splicers = pd.factorize(use["splicer"], sort=True)
    at, last = (use[name].to_numpy(dtype="datetime64[us]") for name in ("at", "last"))
    splices = use["splices"].to_numpy(dtype=np.int64)
    order = np.lexsort((at, code))
    ends = np.searchsorted(code[order], np.arange(len(names) + 1))
    words = tuple(map(str, positions))
    found = {}
    for number, name in enumerate(names):
        rows = order[ends[number] : ends[number + 1]]
        found[str(name)] = Hours(
            at[rows], last[rows], splices[rows], position[rows].astype(np.int64), words,
            tuple(str(splicers[one]) for one in np.unique(splicer[rows])),
        )  # fmt: skip
    return found


def turns_of(service: pd.DataFrame) -> dict[str, Turns]:
    """Turns of each cleaver's blade on the service log."""
    events = service[service["action"].isin(TURNED)].sort_values("serviced_at", kind="stable")
    at = events["serviced_at"].to_numpy(dtype="datetime64[us]")
    new = (events["action"] == "blade replaced").to_numpy(dtype=bool)
    return {
        str(name): Turns(at[rows], new[rows])
        for name, rows in events.groupby("asset").indices.items()
    }


def instant(at: np.datetime64) -> pd.Timestamp:
    """An instant of these arrays, UTC."""
    return pd.Timestamp(at).tz_localize("UTC")
