"""Blades of the crew's cleavers: cleaves on each position, when the next turn is due."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from arcdrift.analysis.maintenance.service_findings import present_blade
from arcdrift.analysis.maintenance.usage_hours import (
    CLEAVES_A_SPLICE,
    NO_TURNS,
    Hours,
    Turns,
    hours_of,
    instant,
    turns_of,
)
from arcdrift.arrays import Datetimes, Ints
from arcdrift.settings import Blade

PACE_DAYS = 28
COLUMNS = [
    "cleaver", "splicers", "position", "cleaves", "cleaves_per_position", "since", "last",
    "cleaves_a_day", "days_left", "worn_positions", "positions_used",
]  # fmt: skip


@dataclass(frozen=True)
class Stretch:
    """Cleaves of one cleaver on one position of its blade, between two turns."""

    cleaver: str
    position: str | None
    began: pd.Timestamp | None
    ended: pd.Timestamp
    cleaves: int
    whole: bool
    """Whether the turn it began with is known, so that the count is no underestimate."""


def stretches(cleaver: str, use: pd.DataFrame, service: pd.DataFrame) -> tuple[Stretch, ...]:
    """Every stretch of a cleaver's blade on one position.

    Parameters
    ----------
    use : DataFrame
        From `arcdrift.analysis.maintenance.service_findings.use_by_hour`, of every splicer.
    service : DataFrame
        Service events, at least the cleaver's.
    """
    hours = hours_of(use, "cleaver").get(cleaver)
    if hours is None:
        return ()
    number, starts, began = _numbered(hours, turns_of(service).get(cleaver, NO_TURNS))
    found = []
    for first, last, turned in zip(starts, [*starts[1:], len(number)], began, strict=True):
        rows = slice(first, last)
        found.append(
            Stretch(
                cleaver=cleaver,
                position=hours.named(hours.latest_position(rows)),
                began=instant(turned) if number[first] > 0 else None,
                ended=instant(hours.last[rows].max()),
                cleaves=int(CLEAVES_A_SPLICE * hours.splices[rows].sum()),
                whole=bool(number[first] > 0),
            )
        )
    return tuple(found)


def _numbered(hours: Hours, turns: Turns) -> tuple[Ints, Ints, Datetimes]:
    """Number of the stretch each hour falls in, where stretches start, and when they began.

    Number 0 began at an unknown time.
    """
    at = hours.first
    after = np.searchsorted(turns.when, at, side="right")
    # hours without a position are on that of the last hour with one, or else of the first
    places = np.where(hours.position >= 0, np.arange(len(at)), int(np.argmax(hours.position >= 0)))
    position = hours.position[np.maximum.accumulate(places)]
    changed = np.diff(position, prepend=position[:1]) != 0
    new = np.diff(after, prepend=after[:1]) > 0
    # a turn on the service log and the new position in the splice log are one event
    number = np.cumsum(changed | new) + int(after[0] > 0)
    starts = np.flatnonzero(np.diff(number, prepend=number[0] - 1))
    # a position that changed without a turn on the log began with its first use
    began = at[starts]
    logged = (after[starts] > 0) & (new[starts] | (starts == 0))
    began[logged] = turns.when[after[starts][logged] - 1]
    return number, starts, began


def _count(hours: Hours, number: Ints, starts: Ints) -> Ints:
    """Cleaves on the position by the end of each hour."""
    made = hours.splices.cumsum()
    before = (made - hours.splices)[starts]
    return np.asarray(CLEAVES_A_SPLICE * (made - before[number - number[0]]), dtype=np.int64)


def cleaves_on_blade(cells: pd.DataFrame, use: pd.DataFrame, service: pd.DataFrame) -> pd.Series:
    """Cleaves on the blade position halfway through each cell; NaN where the turn is unknown.

    Parameters
    ----------
    cells : DataFrame
        ``cleaver``, ``first_at``, ``last_at``.
    """
    told = np.full(len(cells), np.nan)
    middle = cells["first_at"] + (cells["last_at"] - cells["first_at"]) / 2
    instants = middle.to_numpy(dtype="datetime64[us]")
    used, turned = hours_of(use, "cleaver"), turns_of(service)
    for name, rows in cells.groupby("cleaver").indices.items():
        cleaver = str(name)
        if cleaver not in used:
            continue
        hours = used[cleaver]
        number, starts, _ = _numbered(hours, turned.get(cleaver, NO_TURNS))
        hour = np.searchsorted(hours.first, instants[rows], side="right") - 1
        known = (hour >= 0) & (number[np.maximum(hour, 0)] > 0)
        count = _count(hours, number, starts)[np.maximum(hour, 0)]
        told[rows] = np.where(known, count, np.nan)
    return pd.Series(told, index=cells.index)


def blade_table(use: pd.DataFrame, service: pd.DataFrame, blade: Blade) -> pd.DataFrame:
    """Where each cleaver's blade stands, and when its next turn is due at the present pace.

    Returns
    -------
    DataFrame
        `COLUMNS`, one row a cleaver: ``cleaves`` on the present position and ``since`` when
        (missing where no turn is known), ``cleaves_a_day`` over the last four weeks,
        ``days_left`` of work until the position is used up (negative once it is over),
        ``worn_positions`` used beyond their life so far.
    """
    rows, turned, life = [], turns_of(service), blade.cleaves_per_position
    for cleaver, hours in hours_of(use, "cleaver").items():
        turns = turned.get(cleaver, NO_TURNS)
        state = present_blade(cleaver, hours, turns, life)
        recent = hours.last > hours.last.max() - np.timedelta64(PACE_DAYS, "D")
        worked = len(np.unique(hours.first[recent].astype("datetime64[D]")))
        pace = CLEAVES_A_SPLICE * float(hours.splices[recent].sum()) / max(worked, 1)
        left = np.nan
        if state.cleaves is not None and pace > 0:
            left = (life - state.cleaves) / pace
        _, starts, _ = _numbered(hours, turns)
        made = CLEAVES_A_SPLICE * np.add.reduceat(hours.splices, starts)
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
                "days_left": left,
                "worn_positions": int((made > life).sum()),
                "positions_used": state.positions_used,
            }
        )
    return pd.DataFrame(rows, columns=COLUMNS)
