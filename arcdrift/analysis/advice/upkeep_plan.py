"""Upkeep of a whole crew: what is left of each part, about when it is due, and what to order.

The figures are those of the list for the start of a day (`arcdrift.analysis.advice.checklist`) and
of the blades (`arcdrift.analysis.maintenance.blade_positions`); here they become dates.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import ceil, floor
from typing import Any, Literal

import pandas as pd

from arcdrift.analysis.advice.checklist import NAMES, ChecklistItem
from arcdrift.analysis.maintenance.blade_left import (
    cleaves_left_text,
    is_last_position,
    position_text,
    positions_left,
)
from arcdrift.settings import Crew, Splicer
from arcdrift.wording import capitalized

PACE_DAYS = 28
"""Calendar days over which the pace of work is averaged."""
SOON_DAYS = 7
"""What is due within a week is due soon."""
ORDER_DAYS = 56
"""What is needed within eight weeks is ordered now (common practice, no source)."""
IDLE = f"no work in the last {PACE_DAYS} days"

State = Literal["due", "soon", "later", "unknown"]


@dataclass(frozen=True)
class Pace:
    """Work of one splicer a calendar day: share of days with work, and splices."""

    workdays: float
    splices: float


@dataclass(frozen=True)
class UpkeepItem:
    """One piece of upkeep of one splicer or cleaver.

    Attributes
    ----------
    asset, asset_type : str
        Its name, and ``splicer`` or ``cleaver``.
    what : str
        ``Electrodes``, ``Turn the blade``, ``New blade``, ``Cleaning``, ``V-grooves`` or
        ``Factory service``.
    words : str
        What is left, or why that is not known.
    used : float or None
        Used share of its life, over 1 once it is overdue.
    due, due_latest : date or None
        First and last day on which it is likely due; None if not known. For what is overdue both
        are the day asked about.
    state : str
    part : str
        What has to be ordered for it; empty for none.
    count : int
        How many of it are needed within `ORDER_DAYS`.
    """

    asset: str
    asset_type: Literal["splicer", "cleaver"]
    what: str
    words: str
    used: float | None
    due: date | None
    due_latest: date | None
    state: State
    part: str = ""
    count: int = 0


def work_paces(check_days: pd.DataFrame, today: date) -> dict[str, Pace]:
    """Estimate each splicer's work a calendar day, over the latest `PACE_DAYS` days before today.

    Parameters
    ----------
    check_days : DataFrame
        Rows of ``result_check_days``: ``splicer``, ``day`` (ISO), ``splices``.
    """
    first = (today - timedelta(days=PACE_DAYS)).isoformat()
    recent = check_days[(check_days["day"] >= first) & (check_days["day"] < today.isoformat())]
    recent = recent[recent["splices"] > 0]
    found = recent.groupby("splicer").agg(days=("day", "nunique"), splices=("splices", "sum"))
    return {
        str(name): Pace(row["days"] / PACE_DAYS, row["splices"] / PACE_DAYS)
        for name, row in found.iterrows()
    }


def upkeep_plan(
    lists: Mapping[str, Sequence[ChecklistItem]],
    blades: Iterable[Mapping[Any, Any]],
    paces: Mapping[str, Pace],
    crew: Crew,
    today: date,
) -> list[UpkeepItem]:
    """Plan the upkeep of a crew, in order of the day on which it is due; what is unknown last.

    Parameters
    ----------
    lists : mapping
        Each splicer's list for the start of a day, by its name.
    blades : iterable of mapping
        Rows of ``result_blades``; cleaves counted later by a list take precedence.
    paces : mapping
        From `work_paces`.
    today : date
        Local day.
    """
    items: list[UpkeepItem] = []
    counted: dict[str, Mapping[str, Any]] = {}
    services = {name: action for action, name in NAMES.items()}
    for splicer, lines in lists.items():
        pace = paces.get(splicer)
        for line in lines:
            if line.what == "Electrodes":
                items.append(_electrodes(splicer, line, pace, crew, today))
            elif line.what in services:
                items.append(_service(splicer, line, pace, today))
            elif line.what == "Blade" and "cleaver" in line.numbers:
                counted[str(line.numbers["cleaver"])] = line.numbers
    known = {str(row["cleaver"]): row for row in blades}
    items += [
        _blade(name, known.get(name, {}), counted.get(name, {}), paces, crew, today)
        for name in sorted(known.keys() | counted.keys())
    ]
    return sorted(items, key=lambda item: (item.due or date.max, item.asset, item.what))


def parts_to_order(items: Iterable[UpkeepItem]) -> dict[str, tuple[int, tuple[str, ...]]]:
    """Count the parts that are needed within `ORDER_DAYS`, with the assets they are for."""
    found: dict[str, tuple[int, tuple[str, ...]]] = {}
    for item in items:
        if item.part and item.count:
            count, assets = found.get(item.part, (0, ()))
            found[item.part] = (count + item.count, (*assets, item.asset))
    return dict(sorted(found.items()))


def _electrodes(
    splicer: str, line: ChecklistItem, pace: Pace | None, crew: Crew, today: date
) -> UpkeepItem:
    numbers = line.numbers
    model = crew.splicers.get(splicer, Splicer()).model
    part = "Pair of electrodes" + (f" for {model}" if model != "unknown" else "")
    left, arcs = numbers.get("arcs_left"), numbers.get("arcs_on_electrodes")
    if left is None or arcs is None:
        return _unknown(splicer, "splicer", "Electrodes", line.words)
    used = arcs / (arcs + left) if arcs + left > 0 else 1.0
    if left <= 0:
        return UpkeepItem(
            splicer, "splicer", "Electrodes", line.words, max(used, 1.0), today, today, "due",
            part, 1,
        )  # fmt: skip
    low, high = numbers.get("workdays_left_low"), numbers.get("workdays_left_high")
    if low is None or pace is None:
        why = "" if pace is not None or low is None else f" When is not known: {IDLE}."
        return UpkeepItem(
            splicer, "splicer", "Electrodes", f"{line.words}{why}", used, None, None, "unknown",
            part,
        )  # fmt: skip
    first = _after(today, low / pace.workdays)
    last = None if high is None else _after(today, high / pace.workdays)
    life = numbers.get("electrode_life_arcs")
    count = 0
    if first is not None and (first - today).days <= ORDER_DAYS:
        workdays_a_pair = low * life / left if life and left else 0.0
        spare = ORDER_DAYS * pace.workdays - low
        count = 1 + (floor(spare / workdays_a_pair) if workdays_a_pair > 0 else 0)
    return UpkeepItem(
        splicer, "splicer", "Electrodes", line.words, used, first, last, _state(first, today),
        part, count,
    )  # fmt: skip


def _service(splicer: str, line: ChecklistItem, pace: Pace | None, today: date) -> UpkeepItem:
    numbers = line.numbers
    days, splices = numbers.get("days_since"), numbers.get("splices_since")
    every_days, every_splices = numbers.get("interval_days"), numbers.get("interval_splices")
    if days is None or splices is None or (every_days is None and every_splices is None):
        return _unknown(splicer, "splicer", line.what, line.words)
    shares = [days / every_days] if every_days else []
    ends = [every_days - days] if every_days else []
    if every_splices:
        shares.append(splices / every_splices)
        left = every_splices - splices
        if left <= 0:
            ends.append(0.0)
        elif pace is not None and pace.splices > 0:
            ends.append(left / pace.splices)
    part = "Factory service" if line.what == "Factory service" else ""
    if not ends:
        return UpkeepItem(
            splicer, "splicer", line.what, f"{line.words} When is not known: {IDLE}.",
            max(shares), None, None, "unknown", part,
        )  # fmt: skip
    due = _after(today, min(ends))
    needed = part and due is not None and (due - today).days <= ORDER_DAYS
    return UpkeepItem(
        splicer, "splicer", line.what, line.words, max(shares), due, due, _state(due, today),
        part, int(bool(needed)),
    )  # fmt: skip


def _blade(
    cleaver: str,
    stored: Mapping[Any, Any],
    counted: Mapping[str, Any],
    paces: Mapping[str, Pace],
    crew: Crew,
    today: date,
) -> UpkeepItem:
    life = crew.blade.cleaves_per_position
    position = counted.get("blade_position", stored.get("position"))
    used_positions = stored.get("positions_used")
    last = bool(counted.get("last_position")) or is_last_position(
        position, used_positions, crew.blade
    )
    what = "New blade" if last else "Turn the blade"
    cleaves = counted.get("cleaves_on_position", stored.get("cleaves"))
    if cleaves is None:
        return _unknown(
            cleaver, "cleaver", what,
            "No turn of its blade is on record, so its cleaves are not known.",
        )  # fmt: skip
    where = f"{position_text(position, crew.blade)}{', the last' if last else ''}"
    words = f"{capitalized(where)}: {cleaves_left_text(cleaves, crew.blade)}."
    used = cleaves / life
    left = max(life - cleaves, 0)
    if left == 0:
        return UpkeepItem(
            cleaver, "cleaver", what, words, used, today, today, "due", "Cleaver blade", int(last)
        )
    a_day = float(stored.get("cleaves_a_day") or 0.0)
    users = [name for name in str(stored.get("splicers") or "").split(", ") if name in paces]
    share = max((paces[name].workdays for name in users), default=0.0)
    if a_day <= 0 or share <= 0:
        return UpkeepItem(
            cleaver, "cleaver", what, f"{words} When is not known: {IDLE}.", used, None, None,
            "unknown", "Cleaver blade",
        )  # fmt: skip
    due = _after(today, left / a_day / share)
    more = positions_left(position, used_positions, crew.blade)
    blade_ends = None if more is None else _after(today, (left + more * life) / a_day / share)
    needed = blade_ends is not None and (blade_ends - today).days <= ORDER_DAYS
    return UpkeepItem(
        cleaver, "cleaver", what, words, used, due, due, _state(due, today), "Cleaver blade",
        int(needed),
    )  # fmt: skip


def _unknown(
    asset: str, asset_type: Literal["splicer", "cleaver"], what: str, words: str
) -> UpkeepItem:
    return UpkeepItem(asset, asset_type, what, words, None, None, None, "unknown")


def _after(today: date, days: float) -> date | None:
    """Return the day after some calendar days; None beyond a century, where nothing is due."""
    return None if days > 36500 else today + timedelta(days=max(ceil(days - 1e-9), 0))


def _state(due: date | None, today: date) -> State:
    if due is None:
        return "later"
    if due <= today:
        return "due"
    return "soon" if due <= today + timedelta(days=SOON_DAYS) else "later"
