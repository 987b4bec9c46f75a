"""Checklist before the first splice of a day, from the splicer's own records.

An item without records is "unknown", never "ok".
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Literal

import pandas as pd

from arcdrift.analysis.advice.splicer_state import SplicerState
from arcdrift.analysis.maintenance.blade_left import (
    blade_text,
    cleaves_left,
    is_last_position,
    position_text,
)
from arcdrift.analysis.maintenance.electrode_life import ElectrodeState, arcs_left_text
from arcdrift.analysis.maintenance.service_findings import BladeState, IntervalState
from arcdrift.settings import Crew
from arcdrift.wording import capitalized, count_text, number_text, span_text

State = Literal["ok", "due", "unknown"]
NAMES = {
    "cleaned": "Cleaning",
    "v-grooves cleaned": "V-grooves",
    "factory service": "Factory service",
}


@dataclass(frozen=True)
class ChecklistItem:
    """One line of the checklist.

    Attributes
    ----------
    what : str
        ``Arc check``, ``Electrodes``, ``Blade``, ``Cleaning``, ``V-grooves``,
        ``Factory service`` or ``Air``.
    words : str
        State of the item as a sentence.
    numbers : dict
        The same as numbers; each key contains the unit.
    """

    what: str
    state: State
    words: str
    numbers: dict[str, Any]


def daily_checklist(
    state: SplicerState,
    wear: ElectrodeState,
    blades: tuple[BladeState, ...],
    intervals: tuple[IntervalState, ...],
    crew: Crew,
    *,
    worn: bool = False,
) -> tuple[ChecklistItem, ...]:
    """Build the checklist of one splicer.

    Parameters
    ----------
    state : SplicerState
        Its last check, the air then and now.
    wear : ElectrodeState
        From `arcdrift.analysis.maintenance.electrode_life.electrode_state`, with the arcs by now.
    blades : tuple of BladeState
        The cleavers used with it lately.
    intervals : tuple of IntervalState
        Its service intervals.
    worn : bool
        Whether the electrodes are worn
        (`arcdrift.analysis.maintenance.worn_electrodes.worn_since`).

    Returns
    -------
    tuple of ChecklistItem
        In the order of the work, not by urgency.
    """
    return (
        _check(state),
        _electrodes(wear, worn=worn),
        *(_blade(blade, crew) for blade in blades),
        *([] if blades else [_no_blade()]),
        *(_interval(service_interval, crew) for service_interval in intervals),
        _air(state, crew),
    )


def _check(state: SplicerState) -> ChecklistItem:
    last_check = state.last_check
    if last_check is None:
        return ChecklistItem("Arc check", "due", "Due: none has ever passed on record.", {})
    age = state.now - last_check.checked_at
    numbers = {"hours_since_check": round(age / pd.Timedelta(hours=1), 1)}
    if state.failed_since:
        return ChecklistItem("Arc check", "due", "Due: the latest one failed.", numbers)
    if last_check.checked_at < state.day_started:
        text = f"Due: the last one passed {span_text(age)} ago."
        return ChecklistItem("Arc check", "due", text, numbers)
    return ChecklistItem("Arc check", "ok", f"Done {span_text(age)} ago.", numbers)


def _electrodes(wear: ElectrodeState, *, worn: bool) -> ChecklistItem:
    arcs_left = wear.arcs_left
    numbers: dict[str, Any] = {"arcs_on_electrodes": wear.arcs, "electrode_life_arcs": wear.life}
    if wear.arcs is None or arcs_left is None:
        on = "" if wear.arcs is None else f"{wear.arcs:,.0f} arcs on them. "
        missing = wear.notes[0] if wear.notes else "Their end is not known."
        return ChecklistItem("Electrodes", "due" if worn else "unknown", f"{on}{missing}", numbers)
    numbers["arcs_left"] = round(arcs_left.value)
    if arcs_left.value > 0 and wear.workdays_left is not None:
        days = wear.workdays_left
        numbers |= {"workdays_left_low": days.low, "workdays_left_high": days.high}
    text = arcs_left_text(wear)
    ending = ". Power off before touching them." if worn else "."
    return ChecklistItem(
        "Electrodes", "due" if worn else "ok", f"{capitalized(text)}{ending}", numbers
    )


def _blade(blade: BladeState, crew: Crew) -> ChecklistItem:
    life = crew.blade.cleaves_per_position
    last = is_last_position(blade.position, blade.positions_used, crew.blade)
    numbers: dict[str, Any] = {
        "cleaver": blade.cleaver,
        "blade_position": blade.position,
        "last_position": last,
        "cleaves_on_position": blade.cleaves,
        "cleaves_per_position": life,
        "cleaves_left": cleaves_left(blade.cleaves, crew.blade),
    }
    if blade.cleaves is None:
        where = f"{blade.cleaver}, {position_text(blade.position, crew.blade)}"
        text = f"{where}: no turn of its blade is on record, so its cleaves are not known."
        return ChecklistItem("Blade", "unknown", text, numbers)
    left = blade_text(blade.cleaves, blade.position, blade.positions_used, crew.blade)
    state: State = "due" if blade.cleaves >= life else "ok"
    return ChecklistItem("Blade", state, f"{blade.cleaver}, {left}.", numbers)


def _no_blade() -> ChecklistItem:
    return ChecklistItem("Blade", "unknown", "No cleaver was logged with the latest splices.", {})


def _interval(service_interval: IntervalState, crew: Crew) -> ChecklistItem:
    name, interval = NAMES[service_interval.action], crew.service.by_action[service_interval.action]
    numbers: dict[str, Any] = {
        "days_since": None if service_interval.days is None else round(service_interval.days, 1),
        "splices_since": service_interval.splices,
        "interval_days": interval.days,
        "interval_splices": interval.splices,
    }
    if (
        service_interval.share is None
        or service_interval.days is None
        or service_interval.splices is None
    ):
        if service_interval.done_at is not None:
            return ChecklistItem(name, "unknown", "No interval is set in crew.toml.", numbers)
        return ChecklistItem(name, "unknown", "None on record.", numbers)
    parts = [
        f"{service_interval.days:.0f} of {interval.days:g} days"
        if interval.days is not None
        else "",
        f"{service_interval.splices:,} of {interval.splices:,} splices" if interval.splices else "",
    ]
    text = f"{', '.join(filter(None, parts))} since the last."
    return ChecklistItem(name, "due" if service_interval.share >= 1 else "ok", text, numbers)


def _air(state: SplicerState, crew: Crew) -> ChecklistItem:
    last, air, rules = state.last_check, state.air, crew.rules
    if air is None:
        return ChecklistItem("Air", "unknown", "No reading is recent enough.", {})
    if last is None:
        return ChecklistItem("Air", "unknown", "No passed check to compare with.", {})
    quantities = (
        ("temperature_change_c", air.temperature_c, last.temperature_c,
         rules.temperature_moved_c, "°C"),
        ("pressure_change_hpa", air.pressure_hpa, last.pressure_hpa,
         rules.pressure_moved_hpa, "hPa"),
        ("humidity_change_pct", air.humidity_pct, last.humidity_pct,
         rules.humidity_moved_pct, "points of humidity"),
    )  # fmt: skip
    numbers: dict[str, Any] = {}
    parts, any_changed = [], False
    for key, value, before, limit, unit in quantities:
        change = None if value is None or before is None else value - before
        numbers[key] = change
        if change is not None:
            parts.append(f"{number_text(change, signed=True)} {unit}")
            any_changed |= abs(change) >= limit
    if not parts:
        return ChecklistItem("Air", "unknown", "No air is known from the last check.", numbers)
    text = f"{', '.join(parts)} since the last check."
    if any_changed:
        return ChecklistItem("Air", "due", text, numbers)
    # an unknown quantity may have changed
    item_state: State = "ok" if len(parts) == len(quantities) else "unknown"
    return ChecklistItem("Air", item_state, text, numbers)


def next_service(items: Iterable[ChecklistItem]) -> str:
    """Say in a few words what service comes next: what is due, else what is due soonest.

    Parameters
    ----------
    items : iterable of ChecklistItem
        A splicer's `daily_checklist`; the arc check and the air are not service.
    """
    service = [item for item in items if item.what not in ("Arc check", "Air")]
    due = [item for item in service if item.state == "due"]
    if due:
        more = f", {len(due) - 1} more" if len(due) > 1 else ""
        return f"{due[0].what} due{more}"
    ahead = [(days, item) for item in service if (days := _days_ahead(item)) is not None]
    if not ahead:
        return ""
    days, item = min(ahead, key=lambda pair: pair[0])
    if days < 1:
        return f"{item.what} due today"
    return f"{item.what} in {count_text(int(days), 'day')}"


def _days_ahead(item: ChecklistItem) -> float | None:
    """Days until an item is due by its records; None where they cannot tell.

    Of electrodes the earlier end of the interval in workdays, so that it is never told too late.
    """
    numbers = item.numbers
    if numbers.get("workdays_left_low") is not None:
        return float(numbers["workdays_left_low"])
    interval, since = numbers.get("interval_days"), numbers.get("days_since")
    return None if interval is None or since is None else float(interval) - float(since)
