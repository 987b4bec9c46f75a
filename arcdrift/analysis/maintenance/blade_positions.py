"""Cleaves on each position of the crew's blades, and when the next turn is due."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from arcdrift.analysis.maintenance.service_findings import current_blade
from arcdrift.analysis.maintenance.usage_hours import (
    CLEAVES_PER_SPLICE,
    NO_TURNS,
    BladeTurns,
    UsageHours,
    hours_by_asset,
    turns_by_cleaver,
)
from arcdrift.arrays import Ints
from arcdrift.settings import Blade

PACE_DAYS = 28
"""Days over which cleaves a day are averaged."""
COLUMNS = [
    "cleaver", "splicers", "position", "cleaves", "cleaves_per_position", "since", "last",
    "cleaves_a_day", "days_left", "worn_positions", "positions_used",
]  # fmt: skip


@dataclass(frozen=True)
class BladeUse:
    """Hours of use and blade turns of each cleaver.

    Attributes
    ----------
    hours : dict of UsageHours
    turns : dict of BladeTurns
        Of those of whom the service log has any.
    """

    hours: dict[str, UsageHours]
    turns: dict[str, BladeTurns]

    @classmethod
    def of(cls, use: pd.DataFrame, service: pd.DataFrame) -> "BladeUse":
        """Put together `usage_by_hour` and the service log."""
        return cls(hours_by_asset(use, "cleaver"), turns_by_cleaver(service))


def _number_stretches(hours: UsageHours, turns: BladeTurns) -> tuple[Ints, Ints]:
    """Divide a cleaver's hours into stretches on one blade position.

    Returns
    -------
    number : array of shape (hours,)
        Number of the stretch of each hour; stretch 0 began at an unknown time.
    starts : array of shape (stretches,)
        Index of the first hour of each stretch.
    """
    time = hours.first
    turns_before = np.searchsorted(turns.when, time, side="right")
    # hours without a position have that of the last hour with one, or else of the first
    known_rows = np.where(
        hours.position >= 0, np.arange(len(time)), int(np.argmax(hours.position >= 0))
    )
    position = hours.position[np.maximum.accumulate(known_rows)]
    changed = np.diff(position, prepend=position[:1]) != 0
    turned = np.diff(turns_before, prepend=turns_before[:1]) > 0
    # a turn in the service log and the new position in the splice log are one event
    number = np.cumsum(changed | turned) + int(turns_before[0] > 0)
    starts = np.flatnonzero(np.diff(number, prepend=number[0] - 1))
    return number, starts


def _cleaves_on_position(hours: UsageHours, number: Ints, starts: Ints) -> Ints:
    """Cleaves on the position by the end of each hour."""
    splices = hours.splices.cumsum()
    splices_before = (splices - hours.splices)[starts]
    return np.asarray(
        CLEAVES_PER_SPLICE * (splices - splices_before[number - number[0]]), dtype=np.int64
    )


def cleaves_on_blade(cells: pd.DataFrame, use: BladeUse) -> pd.Series:
    """Cleaves on the blade position at the middle of each cell; NaN where the turn is unknown.

    Parameters
    ----------
    cells : DataFrame
        ``cleaver``, ``first_at``, ``last_at``.
    """
    cleaves = np.full(len(cells), np.nan)
    middle = cells["first_at"] + (cells["last_at"] - cells["first_at"]) / 2
    time = middle.to_numpy(dtype="datetime64[us]")
    for name, rows in cells.groupby("cleaver").indices.items():
        cleaver = str(name)
        if cleaver not in use.hours:
            continue
        hours = use.hours[cleaver]
        number, starts = _number_stretches(hours, use.turns.get(cleaver, NO_TURNS))
        hour = np.searchsorted(hours.first, time[rows], side="right") - 1
        known = (hour >= 0) & (number[np.maximum(hour, 0)] > 0)
        count = _cleaves_on_position(hours, number, starts)[np.maximum(hour, 0)]
        cleaves[rows] = np.where(known, count, np.nan)
    return pd.Series(cleaves, index=cells.index)


def blade_table(use: BladeUse, blade: Blade) -> pd.DataFrame:
    """State of each cleaver's blade, and when its next turn is due at the present pace.

    Returns
    -------
    DataFrame
        `COLUMNS`, one row a cleaver: ``cleaves`` on the present position and ``since`` when
        (missing where no turn is known), ``cleaves_a_day`` over the last four weeks,
        ``days_left`` of work until the position is used up (negative once it is over),
        ``worn_positions`` used beyond their life so far.
    """
    rows, life = [], blade.cleaves_per_position
    for cleaver, hours in use.hours.items():
        turns = use.turns.get(cleaver, NO_TURNS)
        state = current_blade(cleaver, hours, turns, life)
        recent = hours.last > hours.last.max() - np.timedelta64(PACE_DAYS, "D")
        workdays = len(np.unique(hours.first[recent].astype("datetime64[D]")))
        pace = CLEAVES_PER_SPLICE * float(hours.splices[recent].sum()) / max(workdays, 1)
        days_left = np.nan
        if state.cleaves is not None and pace > 0:
            days_left = (life - state.cleaves) / pace
        _, starts = _number_stretches(hours, turns)
        cleaves = CLEAVES_PER_SPLICE * np.add.reduceat(hours.splices, starts)
        rows.append(
            {
                "cleaver": cleaver,
                "splicers": ", ".join(state.splicers),
                "position": state.position,
                "cleaves": state.cleaves,
                "cleaves_per_position": life,
                "since": state.since,
                "last": state.last,
                "cleaves_a_day": pace,
                "days_left": days_left,
                "worn_positions": int((cleaves > life).sum()),
                "positions_used": state.positions_used,
            }
        )
    return pd.DataFrame(rows, columns=COLUMNS)
