"""Blades of the crew's cleavers: cleaves on each position, when the next turn is due."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from arcdrift.analysis.service_findings import CLEAVES_A_SPLICE, TURNED, blade_state
from arcdrift.settings import Blade

Floats = npt.NDArray[np.float64]
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
        From `arcdrift.analysis.service_findings.use_by_hour`, of every splicer.
    service : DataFrame
        Service events, at least the cleaver's.
    """
    mine = _numbered(cleaver, use, service)
    found = []
    for label, part in mine.groupby("stretch"):
        number = int(str(label))
        known = part["blade_position"].dropna()
        found.append(
            Stretch(
                cleaver=cleaver,
                position=str(known.iloc[-1]) if len(known) else None,
                began=part["turned"].iloc[0] if number > 0 else None,
                ended=part["last"].max(),
                cleaves=int(CLEAVES_A_SPLICE * part["splices"].sum()),
                whole=number > 0,
            )
        )
    return tuple(found)


def _numbered(cleaver: str, use: pd.DataFrame, service: pd.DataFrame) -> pd.DataFrame:
    """Hours of use with the number of the stretch they fall in; 0 began at an unknown time."""
    mine = use[use["cleaver"] == cleaver].sort_values("at", kind="stable", ignore_index=True)
    events = service[(service["asset"] == cleaver) & service["action"].isin(TURNED)]
    turns = np.sort(events["serviced_at"].to_numpy(dtype="datetime64[us]"))
    at = mine["at"].to_numpy(dtype="datetime64[us]")
    after = np.searchsorted(turns, at, side="right")
    position = mine["blade_position"].astype(object).ffill().bfill().fillna("")
    changed = np.array(position != position.shift(fill_value=position.iloc[0] if len(at) else ""))
    new = np.diff(after, prepend=after[:1]) > 0
    # a turn on the service log and the new position in the splice log are one event
    mine["stretch"] = np.cumsum(changed | new) + int(len(after) > 0 and after[0] > 0)
    # a position that changed without a turn on the log began with its first use
    began = at.copy()
    logged = (after > 0) & (new | (np.arange(len(at)) == 0))
    began[logged] = turns[after[logged] - 1]
    mine["turned"] = pd.Series(began, index=mine.index).dt.tz_localize("UTC")
    mine["turned"] = mine.groupby("stretch")["turned"].transform("first")
    return mine


def cleaves_on_blade(cells: pd.DataFrame, use: pd.DataFrame, service: pd.DataFrame) -> pd.Series:
    """Cleaves on the blade position halfway through each cell; NaN where the turn is unknown.

    Parameters
    ----------
    cells : DataFrame
        ``cleaver``, ``first_at``, ``last_at``.
    """
    told = pd.Series(np.nan, index=cells.index)
    middle = cells["first_at"] + (cells["last_at"] - cells["first_at"]) / 2
    instants = middle.to_numpy(dtype="datetime64[us]")
    used = dict(list(use.groupby("cleaver")))
    for cleaver, mine in cells.groupby("cleaver"):
        if cleaver not in used:
            continue
        hours = _numbered(str(cleaver), used[cleaver], service)
        count = CLEAVES_A_SPLICE * hours.groupby("stretch")["splices"].cumsum()
        place = cells.index.get_indexer(mine.index)
        at = hours["at"].to_numpy(dtype="datetime64[us]")
        hour = np.searchsorted(at, instants[place], side="right") - 1
        known = (hour >= 0) & (hours["stretch"].to_numpy()[np.maximum(hour, 0)] > 0)
        values = count.to_numpy(dtype=np.float64)[np.maximum(hour, 0)]
        told.loc[mine.index] = np.where(known, values, np.nan)
    return told


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
    rows = []
    for label, mine in use.groupby("cleaver"):
        cleaver = str(label)
        state = blade_state(cleaver, mine, service, blade.cleaves_per_position)
        if state is None:
            continue
        recent = mine[mine["last"] > state.last - pd.Timedelta(days=PACE_DAYS)]
        worked = recent["at"].dt.floor("D").nunique()
        pace = CLEAVES_A_SPLICE * float(recent["splices"].sum()) / max(worked, 1)
        left = np.nan
        if state.cleaves is not None and pace > 0:
            left = (blade.cleaves_per_position - state.cleaves) / pace
        used = (
            CLEAVES_A_SPLICE * _numbered(cleaver, mine, service).groupby("stretch")["splices"].sum()
        )
        worn = int((used > blade.cleaves_per_position).sum())
        rows.append(
            {
                "cleaver": cleaver,
                "splicers": ", ".join(state.splicers),
                "position": state.position,
                "cleaves": state.cleaves,
                "cleaves_per_position": blade.cleaves_per_position,
                "since": state.since,
                "last": state.last,
                "cleaves_a_day": pace,
                "days_left": left,
                "worn_positions": worn,
                "positions_used": state.positions_used,
            }
        )
    return pd.DataFrame(rows, columns=COLUMNS)
