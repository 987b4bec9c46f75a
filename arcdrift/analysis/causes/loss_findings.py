"""Findings from attributed alarms of the loss charts."""

from collections.abc import Callable
from typing import Any

import pandas as pd

from arcdrift.analysis.causes.alarm_attribution import AttributedAlarms
from arcdrift.analysis.common.episodes import severity
from arcdrift.analysis.loss.alarm_episodes import Episode
from arcdrift.finding import Cause, Finding, Onset
from arcdrift.wording import holding_text

Causes = Callable[[AttributedAlarms, pd.Timestamp, pd.Timestamp], tuple[Cause, ...]]
"""Likely causes of attributed alarms, from onset and last alarm (UTC)."""
Instant = Callable[[Episode, pd.Timestamp], pd.Timestamp]
"""UTC start of a local day of an episode's subject."""

LISTED = 8
"""Largest number of other charts of the same cause that a finding lists."""
HEAVY = 1.25
"""Ratio after to before from which a rise is urgent; smaller ones are watched."""
KINDS = {
    ("level", "up"): "loss-raised",
    ("level", "down"): "loss-lowered",
    ("spread", "up"): "loss-scattered",
    ("dirty", "up"): "loss-dirty",
    ("first_time", "up"): "first-time-lowered",
    ("errors", "up"): "errors-raised",
}
STEPS = {
    "loss-raised": "Look at the likely causes in order; recheck the arc, then cleaver and "
    "cleaning.",
    "loss-lowered": "Good news worth understanding: note what changed, so that it can be kept.",
    "loss-scattered": "Watch a few splices from strip to load: a scatter comes from the hand, dirt "
    "or a worn clamp sooner than from the arc.",
    "loss-dirty": "Clean v-grooves, clamps and the bench; then watch stripping and cleaning.",
    "first-time-lowered": "Watch some places from strip to heat and note why they are made again; "
    "then look at cleaver, cleaning and arc.",
    "errors-raised": "Note what the splicer says when it stops; then look at how the fibers are "
    "held and cleaved, and clean v-grooves and lenses.",
}
PARTS = {
    "splicer": "all programs", "technician": "whichever splicer", "cleaver": "all splices",
    "program": "all splicers", "holding": "all splicers", "site": "all splicers",
}  # fmt: skip
"""What a subject includes."""
RIVALS = {
    "stream": "{name}", "splicer": "{name}, all programs", "technician": "{name}",
    "cleaver": "cleaver {name}", "program": "program {name}", "holding": "{name}, all splicers",
    "site": "{name}, all splicers",
    "crew": "the whole crew",
}  # fmt: skip
UNPROVEN_PERSON = "one person's splices there, which none on other splicers confirm"
SEEN = {
    "level": "loss", "spread": "scatter", "dirty": "share of dirty splices",
    "first_time": "share of places not right first time", "errors": "errors per attempt",
}  # fmt: skip
SHARE_SENTENCES = {
    "dirty": "{:.1%} of the splices were dirty",
    "first_time": "{:.1%} of the places were not right first time",
    "errors": "{:.1%} of the attempts ended with an error",
}
COUNTS = {"first_time": "places_since", "errors": "attempts_since"}
"""Evidence that says of how many a share is, where it is not of splices."""


def loss_findings(
    attributed: list[AttributedAlarms], causes: Causes, instant: Instant, now: pd.Timestamp
) -> list[Finding]:
    """One finding per group of attributed alarms.

    Parameters
    ----------
    attributed : list of AttributedAlarms
        From `arcdrift.analysis.causes.alarm_attribution.attribute_alarms`.
    causes, instant : callable
        Functions that give likely causes and UTC instants.
    """
    return [_finding(alarms, causes, instant, now) for alarms in attributed]


def _finding(
    alarms: AttributedAlarms, causes: Causes, instant: Instant, now: pd.Timestamp
) -> Finding:
    main = alarms.main
    kind = KINDS[main.measure, main.side]
    ratio = main.after / main.before if main.before > 0 else float("inf")
    ends = [main.last]
    if alarms.named is None:
        ends += [episode.last for episode in alarms.also]
    last = instant(main, max(ends))
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
        evidence=_evidence(alarms, ratio),
        likely_causes=causes(alarms, onset, last),
        summary=f"{_subject_text(main)}: {_change_text(main, ratio)} since {main.onset:%Y-%m-%d}.",
        next_step=STEPS[kind],
        assessed_on=now.to_pydatetime(),
    )


def _evidence(alarms: AttributedAlarms, ratio: float) -> dict[str, Any]:
    main = alarms.main
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
        COUNTS.get(main.measure, "splices_since"): main.splices,
        "alarms": main.alarms + sum(episode.alarms for episode in alarms.also),
        "days_from_onset_to_alarm": main.days_to_alarm,
    }
    if alarms.named is not None:
        evidence["probability"] = round(alarms.named.probability, 2)
        rivals = [
            f"{_rival_text(kind, name)} ({probability:.0%})"
            for kind, name, probability in alarms.named.rivals
        ]
        evidence |= {"may_also_be": rivals} if rivals else {}
    if alarms.also:
        seen = [
            f"{_subject_text(episode)}: {SEEN[episode.measure]}, since {episode.onset:%Y-%m-%d}"
            for episode in alarms.also[:LISTED]
        ]
        more = len(alarms.also) - LISTED
        evidence["also_seen"] = [*seen, f"and {more} more"] if more > 0 else seen
    return evidence


def _rival_text(kind: str, name: str) -> str:
    if kind == "technician" and not name:
        return UNPROVEN_PERSON
    if kind == "holding":
        name = holding_text(name)
    return RIVALS[kind].format(name=name.replace(" / ", ", ", 1))


def _subject_text(episode: Episode) -> str:
    if episode.subject_type == "stream":
        return episode.subject_id.replace(" / ", ", ", 1)
    if episode.subject_type == "crew":
        return "The whole crew"
    if episode.subject_type == "holding":
        return f"{holding_text(episode.subject_id)}, {PARTS['holding']}"
    return f"{episode.subject_id}, {PARTS[episode.subject_type]}"


def _change_text(episode: Episode, ratio: float) -> str:
    change = f"({ratio - 1:+.0%})"
    if episode.measure == "level":
        verb = "has risen" if episode.side == "up" else "has fallen"
        if episode.subject_type == "stream":
            return (
                f"loss {verb} from {episode.before:.3f} to {episode.after:.3f} dB a splice {change}"
            )
        against = "against what the same splicers and programs usually lose"
        return f"loss {verb} by {abs(ratio - 1):.0%} {against},"
    if episode.measure == "spread" and episode.subject_type == "stream":
        return f"losses of a day scatter more than they did {change}"
    if episode.measure == "spread":
        times = f"{episode.after:.2f} times as far"
        return f"losses of a day scatter {times} as the same splicers' and programs' did"
    expected = f"{episode.before:.1%} were to be expected,"
    return SHARE_SENTENCES[episode.measure].format(episode.after) + f", {expected}"
