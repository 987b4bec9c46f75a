"""Findings about cleave angles that rose: a dull blade, or a hand."""

import math
from typing import Any

import pandas as pd

from arcdrift.analysis.common.episodes import severity
from arcdrift.analysis.maintenance.usage_hours import NO_TURNS, turns_by_cleaver
from arcdrift.analysis.people.cleave_angles.angle_shifts import AngleShift
from arcdrift.finding import Cause, Finding, Onset

HEAVY = 1.25
"""Factor on the angle from which a rise is severe (common practice, no source)."""
ONE_SIDED = 0.5
"""Share of a rise, on a log scale, by which the sides must differ to blame one side."""
TURN_DAYS = 14
"""Days after the last raised day in which a turn of the blade may have ended the rise."""
LISTED = 8
STEPS = {
    "cleaver": "Turn the blade to its next position, or replace it after the last; then watch the "
    "angles for a day.",
    "splicer": "Turn or replace the blade of the cleaver used with this splicer, and log which "
    "cleaver is used.",
    "technician": "Watch a few cleaves together, on a cleaver that others cleave well with.",
}


def angle_shift_findings(
    shifts: list[AngleShift], runs: pd.DataFrame, service: pd.DataFrame, life: float,
    now: pd.Timestamp,
) -> list[Finding]:  # fmt: skip
    """One finding for each rise.

    Parameters
    ----------
    runs : DataFrame
        Runs of bad cleaves that lie within rises of machines, with ``cleaver``, ``splicer``,
        ``began``.
    service : DataFrame
        Service events, for the turns of blades.
    life : float
        Cleaves that a blade position should last.
    """
    turns = turns_by_cleaver(service)
    return [
        _finding(shift, runs, _turns(shift, turns.get(shift.subject, NO_TURNS).when), life, now)
        for shift in shifts
    ]


def _turns(shift: AngleShift, when: Any) -> tuple[pd.Timestamp | None, pd.Timestamp | None]:
    """Last turn of the blade before the end of the rise, and the first one after it."""
    if shift.about_person:
        return None, None
    times = [pd.Timestamp(time).tz_localize("UTC") for time in when]
    before = [time for time in times if time <= shift.until_utc]
    after = [time for time in times if time > shift.until_utc]
    return (before[-1] if before else None), (after[0] if after else None)


def _finding(
    shift: AngleShift,
    runs: pd.DataFrame,
    turns: tuple[pd.Timestamp | None, pd.Timestamp | None],
    life: float,
    now: pd.Timestamp,
) -> Finding:
    onset = shift.onset_utc
    return Finding(
        kind="cleave-raised",
        subject_type=shift.subject_type,
        subject_id=shift.subject,
        since=shift.since_utc.to_pydatetime(),
        until=shift.until_utc.to_pydatetime(),
        onset=Onset(
            onset.to_pydatetime(),
            (onset - (shift.onset - shift.earliest)).to_pydatetime(),
            (onset + (shift.latest - shift.onset)).to_pydatetime(),
        ),
        severity=severity(shift.until_utc, now, heavy=shift.ratio >= HEAVY and not shift.ended),
        evidence=_evidence(shift, runs, turns, life),
        likely_causes=_causes(shift, turns, life),
        summary=_summary(shift),
        next_step=f"{STEPS[shift.subject_type]} Wear eye protection and collect every shard of "
        "glass.",
        assessed_on=now.to_pydatetime(),
    )


def _summary(shift: AngleShift) -> str:
    others = len(shift.hands)
    if shift.about_person:
        where = f"on all {others} cleavers used, whoever else cleaves well with them"
    elif shift.sole_hand is not None:
        where = (
            "in one pair of hands, which used no other meanwhile: hand and blade cannot be "
            "separated"
        )
    else:
        where = "in one pair of hands" if others == 1 else f"in all {others} pairs of hands"
    last = f" until {shift.until:%Y-%m-%d}" if shift.ended else ""
    return (
        f"{shift.subject}: cleave angles x{shift.ratio:.2f} since {shift.onset:%Y-%m-%d}{last}, "
        f"{where} ({shift.low:.2f} to {shift.high:.2f}, {shift.splices:,} splices; "
        f"x{shift.latest_ratio:.2f} at the end)."
    )


def _evidence(
    shift: AngleShift,
    runs: pd.DataFrame,
    turns: tuple[pd.Timestamp | None, pd.Timestamp | None],
    life: float,
) -> dict[str, Any]:
    evidence: dict[str, Any] = {
        "signature": "angles rose in this hand, whatever the cleaver"
        if shift.about_person
        else "angles rose on this machine, whoever cleaved",
        "angle_change_pct": 100 * (shift.ratio - 1),
        "angle_change_low_pct": 100 * (shift.low - 1),
        "angle_change_high_pct": 100 * (shift.high - 1),
        "angle_change_latest_pct": 100 * (shift.latest_ratio - 1),
        "splices": shift.splices,
        "days": shift.days,
        "days_from_onset_to_alarm": shift.days_to_alarm,
        "on_cleavers" if shift.about_person else "in_hands": [
            f"{name} x{ratio:.2f} ({splices:,} splices)"
            for name, ratio, splices in shift.hands[:LISTED]
        ],
        "ended": shift.ended,
    }
    if not shift.about_person:
        before, after = turns
        evidence |= {
            "blade_turned_before": None if before is None else f"{before:%Y-%m-%d}",
            "blade_turned_after": None if after is None else f"{after:%Y-%m-%d}",
            "cleaves_on_position": None if shift.cleaves != shift.cleaves else round(shift.cleaves),
            "cleaves_per_position": round(life),
        }
        key = "cleaver" if shift.subject_type == "cleaver" else "splicer"
        if len(runs):
            evidence["runs_of_bad_cleaves"] = int((runs[key] == shift.subject).sum())
    return evidence


def _causes(
    shift: AngleShift, turns: tuple[pd.Timestamp | None, pd.Timestamp | None], life: float
) -> tuple[Cause, ...]:
    if shift.about_person:
        others = ", ".join(name for name, _, _ in shift.hands[:LISTED])
        return (
            Cause(
                f"the hand: {shift.subject}",
                f"Angles rose on {others}, and not in other hands there.", 0.8,
            ),
        )  # fmt: skip
    before, after = turns
    causes = []
    side = shift.side_ratio
    # a rise of one side alone moves right over left by twice the mean of both
    if abs(math.log(side)) > ONE_SIDED * 2.0 * math.log(shift.ratio):
        name = "right" if side > 1 else "left"
        causes.append(
            Cause(
                f"the {name} holder or clamp",
                f"The {name} angle rose by x{max(side, 1 / side):.2f} against the other side; a "
                "blade raises both.",
                0.7,
            )
        )
    turned = "" if before is None else f", last turned on {before:%Y-%m-%d}"
    if shift.cleaves > life:
        why = (
            f"{shift.cleaves:,.0f} cleaves on one position{turned}; {life:,.0f} is its life "
            "(crew.toml)."
        )
        causes.append(Cause("the blade: overdue for a turn", why, 0.6))
    else:
        why = f"Angles rose on this machine{turned}, before the position was used up."
        causes.append(Cause("the blade: damaged or dirty before its time", why, 0.5))
    if shift.ended and after is not None and (after - shift.until_utc).days <= TURN_DAYS:
        causes[-1] = Cause(
            causes[-1].cause,
            f"{causes[-1].why} It was turned on {after:%Y-%m-%d}, and the angles came down.",
            0.9,
        )
    if shift.sole_hand is not None:
        causes.append(
            Cause(
                f"the hand: {shift.sole_hand}",
                "Nobody else used this machine meanwhile, and this person no other.", 0.5,
            )
        )  # fmt: skip
    total = sum(cause.weight for cause in causes)
    scaled = [Cause(cause.cause, cause.why, round(cause.weight / total, 2)) for cause in causes]
    return tuple(sorted(scaled, key=lambda cause: -cause.weight))
