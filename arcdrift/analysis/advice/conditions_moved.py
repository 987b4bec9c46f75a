"""Finding that the air has changed since a splicer's last arc check."""

import pandas as pd

from arcdrift.analysis.advice.advice import OFF_FROM, Advice
from arcdrift.analysis.advice.splicer_state import SplicerState
from arcdrift.finding import Finding


def conditions_moved_finding(
    advice: Advice, state: SplicerState, now: pd.Timestamp
) -> Finding | None:
    """Finding if the air has changed since a check that passed today; None if it has not."""
    last, air = state.last_check, state.air
    if advice.verdict != "recalibrate" or last is None or air is None:
        return None
    if last.checked_at < state.day_started or state.service_since:
        return None  # then the missed check or the service is the reason, not the air
    off = advice.probability is not None and advice.probability >= OFF_FROM
    change_reasons = [
        reason
        for reason in advice.reasons
        if " moved " in reason or (off and "should be" in reason)
    ]
    if not change_reasons:
        return None
    evidence: dict[str, object] = {
        "hours_since_check": round((now - last.checked_at) / pd.Timedelta(hours=1), 1)
    }
    for name, value, before in (
        ("temperature_c", air.temperature_c, last.temperature_c),
        ("pressure_hpa", air.pressure_hpa, last.pressure_hpa),
        ("humidity_pct", air.humidity_pct, last.humidity_pct),
    ):
        if value is not None and before is not None:
            evidence[f"{name}_at_check"] = round(before, 1)
            evidence[f"{name}_now"] = round(value, 1)
    if advice.probability is not None:
        evidence["probability_off"] = round(advice.probability, 2)
    return Finding(
        kind="conditions-moved",
        subject_type="splicer",
        subject_id=state.splicer,
        since=last.checked_at.to_pydatetime(),
        until=now.to_pydatetime(),
        severity="watch",
        evidence=evidence,
        summary=f"{state.splicer}: {change_reasons[0]} As of "
        f"{now.tz_convert(state.time_zone):%Y-%m-%d %H:%M}.",
        next_step="Run the arc check again before the next splice.",
        assessed_on=now.to_pydatetime(),
    )
