"""Findings about the air: it moved since the check, or nobody read it."""

import pandas as pd

from arcdrift.analysis.advice.advice import Advice
from arcdrift.analysis.advice.splicer_state import Situation
from arcdrift.analysis.common.episodes import episodes, severity
from arcdrift.finding import Finding

GAP_HOURS = 12
"""Hours without an airless event after which a new gap begins."""
MIN_EVENTS = 3


def conditions_finding(advice: Advice, situation: Situation, now: pd.Timestamp) -> Finding | None:
    """Air moved since the last check, for a splicer checked today and at work."""
    last, air = situation.last_check, situation.air
    if advice.verdict != "recalibrate" or last is None or air is None:
        return None
    if last.checked_at < situation.day_started or situation.service_since:
        return None  # the missed check or the service is the story, not the air
    moved = [reason for reason in advice.reasons if " moved " in reason or "should be" in reason]
    if not moved:
        return None
    evidence: dict[str, object] = {"hours_since_check": _hours(now - last.checked_at)}
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
        subject_id=situation.splicer,
        since=last.checked_at.to_pydatetime(),
        until=now.to_pydatetime(),
        severity="watch",
        evidence=evidence,
        summary=f"{situation.splicer}: {moved[0]}",
        next_step="Run the arc check again before the next splice.",
        assessed_on=now.to_pydatetime(),
    )


def gap_findings(airless: pd.DataFrame, now: pd.Timestamp) -> list[Finding]:
    """Stretches in which a site's work had no air reading near it.

    Parameters
    ----------
    airless : DataFrame
        ``site``, ``at`` (UTC): checks and splices without air, all splicers.
    """
    found = []
    for site, mine in airless.groupby("site"):
        for rows in episodes(mine["at"], pd.Timedelta(hours=24 + GAP_HOURS)):
            part = mine["at"].loc[rows]
            if len(part) < MIN_EVENTS:
                continue
            first, last = part.min(), part.max()
            found.append(
                Finding(
                    kind="readings-gap",
                    subject_type="site",
                    subject_id=str(site),
                    since=first.to_pydatetime(),
                    until=last.to_pydatetime(),
                    severity=severity(last, now, heavy=False),
                    evidence={
                        "checks_and_splices_without_air": len(part),
                        "hours": _hours(last - first),
                    },
                    summary=(
                        f"{site}: {len(part)} checks and splices have no air reading near them, "
                        f"{first:%Y-%m-%d} to {last:%Y-%m-%d}."
                    ),
                    next_step="Look at the site's logger (battery, clock, cable), and import its "
                    "file if it was only forgotten.",
                    assessed_on=now.to_pydatetime(),
                )
            )
    return found


def _hours(span: pd.Timedelta) -> float:
    return round(span.total_seconds() / 3600, 1)
