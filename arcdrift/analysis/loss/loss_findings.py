"""Findings from the loss charts: what rose, scattered or got dirty, whose, and since when."""

from collections.abc import Callable
from typing import Any

import pandas as pd

from arcdrift.analysis.common.episodes import severity
from arcdrift.analysis.loss.alarm_attribution import Cluster, Episode
from arcdrift.finding import Cause, Finding, Onset

Causes = Callable[[str, str, pd.Timestamp, pd.Timestamp, str], tuple[Cause, ...]]
"""Likely causes by subject type, subject, onset and latest sign (UTC), and side."""
Instant = Callable[[Episode, pd.Timestamp], pd.Timestamp]
"""UTC instant at which a local day of an episode's subject began."""

LISTED = 8
"""Other charts of the same cause that a finding names."""
HEAVY = 1.25
"""Rise that presses; smaller ones are watched."""
KINDS = {
    ("level", "up"): "loss-raised",
    ("level", "down"): "loss-lowered",
    ("spread", "up"): "loss-scattered",
    ("dirty", "up"): "loss-dirty",
    ("redo", "up"): "redo-raised",
}
STEPS = {
    "loss-raised": "Look at the likely causes in order; recheck the arc, then cleaver and "
    "cleaning.",
    "loss-lowered": "Good news worth understanding: note what changed, so that it can be kept.",
    "loss-scattered": "Watch a few splices from strip to load: a scatter comes from the hand, dirt "
    "or a worn clamp sooner than from the arc.",
    "loss-dirty": "Clean v-grooves, clamps and the bench; then watch stripping and cleaning.",
    "redo-raised": "Ask what made people splice again; then look at cleaver, cleaning and arc.",
}
SEEN = {
    "level": "loss", "spread": "scatter", "dirty": "share of dirty splices",
    "redo": "share of splices made again",
}  # fmt: skip


def loss_findings(
    told: list[Cluster], causes: Causes, instant: Instant, now: pd.Timestamp
) -> list[Finding]:
    """One finding a cluster of alarms.

    Parameters
    ----------
    told : list of Cluster
        From `arcdrift.analysis.loss.alarm_attribution.clusters`.
    causes, instant : callable
        Where likely causes and instants come from.
    """
    return [_finding(one, causes, instant, now) for one in told]


def _finding(cluster: Cluster, causes: Causes, instant: Instant, now: pd.Timestamp) -> Finding:
    main = cluster.main
    kind = KINDS[main.measure, main.side]
    ratio = main.after / main.before if main.before > 0 else float("inf")
    last = instant(main, max([main.last, *(one.last for one in cluster.also)]))
    onset = instant(main, main.onset)
    return Finding(
        kind=kind,
        subject_type=main.subject_type,
        subject_id=main.subject_id,
        since=instant(main, main.first).to_pydatetime(),
        until=last.to_pydatetime(),
        onset=Onset(
            onset.to_pydatetime(),
            instant(main, main.earliest).to_pydatetime(),
            instant(main, main.latest).to_pydatetime(),
        ),
        severity=severity(last, now, heavy=ratio >= HEAVY) if main.side == "up" else "note",
        evidence=_evidence(cluster, ratio),
        likely_causes=causes(main.subject_type, main.subject_id, onset, last, main.side),
        summary=f"{_whose(main)}: {_what(main, ratio)} since {main.onset:%Y-%m-%d}.",
        next_step=STEPS[kind],
        assessed_on=now.to_pydatetime(),
    )


def _evidence(cluster: Cluster, ratio: float) -> dict[str, Any]:
    main = cluster.main
    digits = 4
    if main.measure == "level" and main.subject_type == "stream":
        values = {"loss_before_db": main.before, "loss_since_db": main.after}
    elif main.measure == "level":
        values = {"loss_against_expected": main.after}
    elif main.measure == "spread" and main.subject_type != "stream":
        values = {"scatter_against_expected": main.after}
    elif main.measure == "spread":
        values = {"spread_before": main.before, "spread_since": main.after}
    else:
        values = {"share_expected": main.before, "share_since": main.after}
    evidence: dict[str, Any] = {name: round(value, digits) for name, value in values.items()}
    evidence |= {
        "ratio": round(ratio, 2),
        "splices_since": main.splices,
        "alarms": main.alarms + sum(one.alarms for one in cluster.also),
        "days_from_onset_to_alarm": main.days_to_alarm,
    }
    if cluster.also:
        seen = [
            f"{_whose(one)}: {SEEN[one.measure]}, since {one.onset:%Y-%m-%d}"
            for one in cluster.also[:LISTED]
        ]
        more = len(cluster.also) - LISTED
        evidence["also_seen"] = [*seen, f"and {more} more"] if more > 0 else seen
    return evidence


def _whose(one: Episode) -> str:
    if one.subject_type == "stream":
        return one.subject_id.replace(" / ", ", ", 1)
    if one.subject_type == "crew":
        return "The whole crew"
    kind = {"splicer": "all programs", "technician": "whichever splicer", "site": "all splicers"}
    return f"{one.subject_id}, {kind[one.subject_type]}"


def _what(one: Episode, ratio: float) -> str:
    change = f"({ratio - 1:+.0%})"
    if one.measure == "level":
        verb = "has risen" if one.side == "up" else "has fallen"
        if one.subject_type == "stream":
            return f"loss {verb} from {one.before:.3f} to {one.after:.3f} dB a splice {change}"
        return f"loss {verb} to {one.after:.2f} times what the same splicers and programs lost"
    if one.measure == "spread" and one.subject_type == "stream":
        return f"losses of a day scatter more than they did {change}"
    if one.measure == "spread":
        return f"losses of a day scatter {one.after:.2f} times as far as the same streams' did"
    what = "dirty" if one.measure == "dirty" else "made again"
    return f"{one.after:.1%} of the splices were {what}, {one.before:.1%} were to be expected,"
