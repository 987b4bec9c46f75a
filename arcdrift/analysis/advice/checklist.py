"""What to look at before the first splice of a day, from the splicer's own records.

The list says what is known: an item nobody logged is unknown, never fine.
"""

from dataclasses import dataclass
from typing import Any, Literal

import pandas as pd

from arcdrift.analysis.advice.splicer_state import Situation
from arcdrift.analysis.maintenance.electrode_life import WORN_SHARE, ElectrodeState, forecast_text
from arcdrift.analysis.maintenance.service_findings import BladeState, IntervalState
from arcdrift.settings import Crew
from arcdrift.wording import span_text

State = Literal["ok", "due", "unknown"]
NAMES = {
    "cleaned": "Cleaning",
    "v-grooves cleaned": "V-grooves",
    "factory service": "Factory service",
}


@dataclass(frozen=True)
class StartItem:
    """One line of the list.

    Attributes
    ----------
    what : str
        ``Arc check``, ``ElectrodeState``, ``Blade``, ``Cleaning``, ``V-grooves``,
        ``Factory service`` or ``Air``.
    words : str
        What is known of it, in a sentence.
    numbers : dict
        The same as numbers; the key carries the unit.
    """

    what: str
    state: State
    words: str
    numbers: dict[str, Any]


def start_of_day(
    situation: Situation,
    wear: ElectrodeState,
    blades: tuple[BladeState, ...],
    intervals: tuple[IntervalState, ...],
    crew: Crew,
) -> tuple[StartItem, ...]:
    """List what to look at before the first splice.

    Parameters
    ----------
    situation : Situation
        Where the splicer stands: its last check, the air then and now.
    wear : Electrodes
        From `arcdrift.analysis.maintenance.electrode_life.electrode_state`, with the arcs by now.
    blades : tuple of BladeState
        The cleavers used with it lately.
    intervals : tuple of Due
        Its service intervals.

    Returns
    -------
    tuple of StartItem
        In the order of the work, not of urgency.
    """
    return (
        _check(situation),
        _electrodes(wear),
        *(_blade(blade, crew) for blade in blades),
        *([] if blades else [_no_blade()]),
        *(_interval(state, crew) for state in intervals),
        _air(situation, crew),
    )


def _check(situation: Situation) -> StartItem:
    last = situation.last_check
    if last is None:
        return StartItem("Arc check", "due", "Due: none has ever passed on record.", {})
    age = situation.now - last.checked_at
    numbers = {"hours_since_check": round(age / pd.Timedelta(hours=1), 1)}
    if situation.failed_since:
        return StartItem("Arc check", "due", "Due: the latest one failed.", numbers)
    if last.checked_at < situation.day_started:
        text = f"Due: the last one passed {span_text(age)} ago."
        return StartItem("Arc check", "due", text, numbers)
    return StartItem("Arc check", "ok", f"Done {span_text(age)} ago.", numbers)


def _electrodes(wear: ElectrodeState) -> StartItem:
    left = wear.arcs_left
    numbers: dict[str, Any] = {"arcs_on_electrodes": wear.arcs, "electrode_life_arcs": wear.life}
    if wear.arcs is None or left is None:
        on = "" if wear.arcs is None else f"{wear.arcs:,.0f} arcs on them. "
        missing = wear.notes[0] if wear.notes else "Their end cannot be told."
        return StartItem("Electrodes", "unknown", f"{on}{missing}", numbers)
    numbers["arcs_left"] = round(left.value)
    words = [f"{left.value:,.0f} arcs left"]
    if left.value <= 0:
        words = [f"No arcs left: {wear.arcs:,.0f} on them"]
        words[0] += f", set to last {wear.life:,}" if wear.ends_by == "life" else ""
    elif wear.workdays_left is not None:
        days = wear.workdays_left
        numbers |= {
            "workdays_left_low": days.low,
            "workdays_left_high": days.high,
        }
        words.append(forecast_text(days, "workdays"))
    share = wear.share
    worn = share is not None and share >= WORN_SHARE
    rest = ". Power off before touching them." if worn else "."
    return StartItem("Electrodes", "due" if worn else "ok", f"{', '.join(words)}{rest}", numbers)


def _blade(blade: BladeState, crew: Crew) -> StartItem:
    life = crew.blade.cleaves_per_position
    where = f"{blade.cleaver}, position {blade.position}" if blade.position else blade.cleaver
    numbers: dict[str, Any] = {
        "cleaver": blade.cleaver,
        "blade_position": blade.position,
        "cleaves_on_position": blade.cleaves,
        "cleaves_per_position": life,
    }
    if blade.cleaves is None:
        words = f"{where}: no turn of its blade is on record, so its cleaves are not known."
        return StartItem("Blade", "unknown", words, numbers)
    words = f"{where}: about {blade.cleaves:,} cleaves of {life:,}."
    return StartItem("Blade", "due" if blade.cleaves >= life else "ok", words, numbers)


def _no_blade() -> StartItem:
    return StartItem("Blade", "unknown", "No cleaver was logged with the latest splices.", {})


def _interval(state: IntervalState, crew: Crew) -> StartItem:
    name, interval = NAMES[state.action], crew.service.by_action[state.action]
    numbers: dict[str, Any] = {
        "days_since": None if state.days is None else round(state.days, 1),
        "splices_since": state.splices,
        "interval_days": interval.days,
        "interval_splices": interval.splices,
    }
    if state.share is None or state.days is None or state.splices is None:
        if state.done_at is not None:
            return StartItem(name, "unknown", "No interval is set in crew.toml.", numbers)
        return StartItem(name, "unknown", "None on record.", numbers)
    said = [
        f"{state.days:.0f} of {interval.days:g} days" if interval.days is not None else "",
        f"{state.splices:,} of {interval.splices:,} splices" if interval.splices else "",
    ]
    words = f"{', '.join(filter(None, said))} since the last."
    return StartItem(name, "due" if state.share >= 1 else "ok", words, numbers)


def _air(situation: Situation, crew: Crew) -> StartItem:
    last, air, rules = situation.last_check, situation.air, crew.rules
    if air is None:
        return StartItem("Air", "unknown", "No reading is recent enough.", {})
    if last is None:
        return StartItem("Air", "unknown", "No passed check to compare with.", {})
    moves = (
        ("temperature_change_c", air.temperature_c, last.temperature_c,
         rules.temperature_moved_c, "°C"),
        ("pressure_change_hpa", air.pressure_hpa, last.pressure_hpa,
         rules.pressure_moved_hpa, "hPa"),
        ("humidity_change_pct", air.humidity_pct, last.humidity_pct,
         rules.humidity_moved_pct, "points of humidity"),
    )  # fmt: skip
    numbers: dict[str, Any] = {}
    said, moved = [], False
    for key, value, before, limit, unit in moves:
        change = None if value is None or before is None else value - before
        numbers[key] = change
        if change is not None:
            said.append(f"{change:+z.0f} {unit}")
            moved |= abs(change) >= limit
    if not said:
        return StartItem("Air", "unknown", "No air is known from the last check.", numbers)
    words = f"{', '.join(said)} since the last check."
    if moved:
        return StartItem("Air", "due", words, numbers)
    # a part that is not known may have moved
    state: State = "ok" if len(said) == len(moves) else "unknown"
    return StartItem("Air", state, words, numbers)
