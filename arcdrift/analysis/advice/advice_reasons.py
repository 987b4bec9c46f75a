"""Reasons for a verdict that need no model: unchecked splices, checks, plain rules, missing air."""

from collections.abc import Sequence

import pandas as pd

from arcdrift.analysis.advice.splicer_state import OpenArcFinding, SplicerState
from arcdrift.analysis.common.service_actions import RESTART_ACTIONS
from arcdrift.settings import Crew
from arcdrift.verdicts import VerdictCode
from arcdrift.wording import count_text, number_text, span_text

FAILED = "The latest arc check failed and none has passed since."
SHORT_FINDINGS = {
    "arc-step": "arc setting has jumped",
    "arc-drift": "arc setting is creeping",
    "electrodes-worn": "electrodes nearly used up",
}
"""Open findings in a few words, by kind."""


def unchecked_text(state: SplicerState) -> str:
    """Write how many splices were made on an unchecked arc, and since when in local time."""
    unchecked = state.unchecked
    if unchecked is None:
        return ""
    since = f"{unchecked.since.tz_convert(state.time_zone):%H:%M}"
    word = "at" if unchecked.splices == 1 else "since"
    check = "a check that passed" if state.failed_since else "a check"
    return f"{count_text(unchecked.splices, 'splice')} made {word} {since} without {check}."


def check_reasons(state: SplicerState) -> list[str]:
    """Why the daily check is due; nothing if one has passed since this workday began."""
    if state.passed_today:
        return []
    if state.last_check is None:
        reasons = ["No passed arc check is on record for this splicer."]
    else:
        reasons = ["No arc check has passed since this workday began."]
    return reasons + ([FAILED] if state.failed_since else [])


def plain_rules(state: SplicerState, crew: Crew) -> list[str]:
    """Reasons to renew the last passed check that need no model, the most important first."""
    return [reason for reason, _ in _broken_rules(state, crew)]


def _broken_rules(state: SplicerState, crew: Crew) -> list[tuple[str, str]]:
    """Plain rules that are broken: each as a sentence, and in a few words for a tile."""
    last, rules = state.last_check, crew.rules
    if last is None:
        return []
    broken = []
    if state.failed_since and state.passed_today:
        broken.append((FAILED, "latest check failed"))
    replaced = [action for action in state.service_since if action in RESTART_ACTIONS]
    if replaced:
        broken.append(
            (f"Since the last check: {', '.join(replaced)}.", f"{replaced[-1]} since the check")
        )
    if state.site and last.site and state.site != last.site:
        broken.append(
            (
                f"It was checked at {last.site}; {state.site} would be another site."
                if state.asked_elsewhere
                else f"The splicer moved from {last.site} to {state.site} since the check.",
                "checked at another site",
            )
        )
    air = state.air
    if air is not None:
        changes = (
            ("Temperature", air.temperature_c, last.temperature_c, rules.temperature_moved_c, "°C"),
            ("Pressure", air.pressure_hpa, last.pressure_hpa, rules.pressure_moved_hpa, "hPa"),
            ("Humidity", air.humidity_pct, last.humidity_pct, rules.humidity_moved_pct, "points"),
        )
        for label, value, before, limit, unit in changes:
            if value is not None and before is not None and abs(value - before) >= limit:
                change = f"{number_text(value - before, signed=True)} {unit}"
                text = (
                    f"{label} there would be {change} from that at the check"
                    if state.asked_elsewhere
                    else f"{label} moved {change} since the check"
                )
                broken.append(
                    (f"{text} (rule: {limit:g} {unit}).", f"{label.lower()} moved {change}")
                )
    return broken


def short_reason(
    verdict: VerdictCode,
    state: SplicerState,
    crew: Crew,
    required: float | None,
    pressing: Sequence[OpenArcFinding] = (),
) -> str:
    """Write the main reason for a verdict in about five words, for a tile.

    Parameters
    ----------
    required : float, optional
        The setting that the model asks for, in the splicer's unit; None without a model.
    pressing : sequence of OpenArcFinding
        What is open on the arc and not at rest.
    """
    last, unchecked = state.last_check, state.unchecked
    if verdict == "run-check":
        if unchecked is not None:
            since = f"{unchecked.since.tz_convert(state.time_zone):%H:%M}"
            return f"{count_text(unchecked.splices, 'splice')} unchecked since {since}"
        if last is None:
            return "no check on record"
        return "latest check failed" if state.failed_since else "no check yet today"
    if verdict == "recalibrate":
        rules = _broken_rules(state, crew)
        if rules:
            return rules[0][1]
        if required is not None and last is not None and last.arc_setting is not None:
            return f"needs {number_text(required)}, set to {last.arc_setting:g}"
    if verdict == "inspect" and pressing:
        return SHORT_FINDINGS.get(pressing[0].kind, "something else is wrong")
    if verdict == "keep-working" and last is not None:
        at = f"checked {last.checked_at.tz_convert(state.time_zone):%H:%M}"
        return f"{at}, setting fits" if required is not None else at
    if verdict == "cannot-tell":
        return "no recent air reading" if state.air is None else "air not comparable"
    return ""


def _is_air_comparable(state: SplicerState) -> bool:
    """Whether some quantity of the air is known both now and of the last check."""
    last, air = state.last_check, state.air
    if last is None or air is None:
        return False
    return any(
        getattr(air, name) is not None and getattr(last, name) is not None
        for name in ("temperature_c", "pressure_hpa", "humidity_pct")
    )


def doubt_text(state: SplicerState) -> str:
    """Why the plain rules cannot say whether the setting is right; empty if they can."""
    if state.air is None:
        return f"{_no_air_note(state)}, so nobody can say what the air has done."
    if not _is_air_comparable(state):
        return (
            "What is known of the air now is not known of the last check, so nobody can say how "
            "far it has moved since."
        )
    return ""


def _no_air_note(state: SplicerState) -> str:
    newest = state.newest_reading
    if newest is None:
        return "There is no air reading of its site on record"
    return f"The newest air reading is {_reading_age(state.now - newest)} old"


def newest_reading_note(state: SplicerState) -> str:
    """Age of the newest reading as a sentence, with a space before it; empty without one."""
    newest = state.newest_reading
    return "" if newest is None else f" The newest is {_reading_age(state.now - newest)} old."


def _reading_age(span: pd.Timedelta) -> str:
    return span_text(span, minutes_below=120)
