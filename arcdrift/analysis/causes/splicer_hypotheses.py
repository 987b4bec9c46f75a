"""Stories of one machine: the splicer itself, its arc, electrodes, service, and the cleaver."""

from functools import partial

import numpy as np
import pandas as pd

from arcdrift.analysis.causes.hypothesis import APART, SURE, Story, View
from arcdrift.analysis.common.days import DAY
from arcdrift.analysis.common.service_actions import LAG, LEAD, ROUTINE_ACTIONS
from arcdrift.analysis.loss.technician_days import NO_CLEAVER
from arcdrift.arrays import Bools, Floats

ARC_DAYS = pd.Timedelta(days=10)
BEFORE_DAYS = pd.Timedelta(days=45)
SERVICE_SURE, MENDS = 2.5, 6.0
"""Most a service's date says; and how much likelier service is to mend than to harm."""
UNEVEN_MOVED = 0.25
"""Change of right against left angle (log) that speaks of one side."""
ALARMED, UNCHECKED, SILENT = 2.5, 2.0, -2.0
"""What an arc alarm near the onset, days without a check, and neither of them say of the arc."""
OFF, OFF_MOST, OFF_SHARE = 2.5, 4.0, 0.3
"""Repeatabilities of a check from which a setting that is off is a sign, and what its square says.
"""
WORN_AT, WORN_STEEP, WORN_SURE = 1.02, 40.0, 4.0
"""Share of their life from which electrodes are a sign, what each further unit of it says, and the
most it says: a pair that is changed in time reaches its life, too."""


def machine_stories(view: View) -> list[Story]:
    """Stories of each splicer and cleaver with a fair part of the subject's splices."""
    found = []
    numbers = view.values("splicer")
    for number in numbers:
        mask, name = view.mask("splicer", number), view.name("splicer", number)
        base = view.loss(mask) - float(np.log(len(numbers)))
        found.append(
            Story(
                "the splicer itself: dust in the v-grooves or on the lenses, or its electrodes"
                if view.sign > 0
                else "the splicer itself: cleaned or mended",
                partial(_whole, view, mask, name),
                base + view.prior("splicer"),
            )
        )
        found.append(_arc(view, name, base))
        found += _worn(view, name, base)
        found += _served(view, name, base)
    cleavers = [one for one in view.values("cleaver") if view.name("cleaver", one) != NO_CLEAVER]
    for number in cleavers:
        found += _cleaver(view, number, len(cleavers))
    return found


def _whole(view: View, mask: Bools, name: str) -> str:
    hands = view.parts(mask, "technician")
    said = f"{name} moved as a whole ({view.parts(mask, 'program')}"
    return (
        said
        + f"; in the hands of {hands})" * bool(hands)
        + view.changed(~mask, ", the other splicers by {}")
    )


def _arc(view: View, name: str, base: float) -> Story:
    changes, signs, score = view.changes, [], 0.0
    missed, worked = changes.unchecked(name, view.onset, view.until + DAY)
    unchecked = missed >= max(2, 0.5 * worked)
    # a change that no check has met yet shows at the first one after it
    last = view.until if unchecked else view.onset
    alarm = changes.alarm(name, view.onset - ARC_DAYS, last + ARC_DAYS)
    if alarm is not None:
        score += ALARMED
        signs.append(f"the setting moved unexplained on {alarm:%Y-%m-%d}")
    if unchecked and view.sign > 0:
        score += UNCHECKED
        signs.append(f"no arc check passed on {missed} of {worked} workdays since the onset")
    off = changes.mismatches(name)
    if off is not None:
        # local days carry no zone: the midnight nearest the onset is the one meant
        start, stop = ((at + DAY / 2).floor("D") for at in (view.onset, view.until))
        then = _mean(off.square, off.n, _between(off.at, start - BEFORE_DAYS, start))
        now = _mean(off.square, off.n, _between(off.at, start, stop + DAY))
        if then is not None and now is not None:
            worse, better = (now, then) if view.sign > 0 else (then, now)
            if worse > max(OFF**2, 2.0 * better):
                score += min(OFF_SHARE * (worse - better), OFF_MOST)
                signs.append(
                    f"the setting was off by {np.sqrt(now):.1f} times a check's repeatability "
                    f"since, {np.sqrt(then):.1f} times before"
                )
    score = min(score, ALARMED + UNCHECKED) if signs else SILENT
    words = f"{name}: " + ("; ".join(signs) or "nothing in its arc checks speaks for it")
    cause = "arc: the setting does not suit the air or the electrodes"
    if view.sign < 0:
        cause = "arc: the setting suits the air and the electrodes again"
    return Story(cause, partial(str, words), base + view.prior("arc") + score)


def _worn(view: View, name: str, base: float) -> list[Story]:
    wear = view.changes.wear(name, view.until)
    if wear is None or view.sign < 0:
        return []
    arcs, life = wear
    score = float(np.clip(WORN_STEEP * (arcs / life - WORN_AT), -WORN_SURE, WORN_SURE))
    why = f"{name}: {arcs:,.0f} arcs on the electrodes, of {life:,} they are good for"
    return [Story("worn electrodes", partial(str, why), base + view.prior("worn") + score)]


def _served(view: View, name: str, base: float) -> list[Story]:
    found = []
    for action, when in view.changes.served(name, view.onset - LEAD, view.onset + LAG):
        if action in ROUTINE_ACTIONS:
            continue
        rate = view.changes.often(action) * (LEAD / DAY + 1.0)
        score = float(np.clip(-np.log(max(rate, 1e-9)), 0.0, SERVICE_SURE))
        score += float(np.log(MENDS)) if view.sign < 0 else 0.0
        why = f"done on {when:%Y-%m-%d} at {name}, near the onset"
        found.append(
            Story(f"service: {action}", partial(str, why), base + view.prior("service") + score)
        )
    return found


def _cleaver(view: View, number: int, among: int) -> list[Story]:
    name, mask = view.name("cleaver", number), view.mask("cleaver", number)
    base = view.loss(mask) - float(np.log(among)) + view.angles[("cleaver", number)]
    shift = view.angle(mask)
    uneven = max(
        (view.angle(mask, "uneven", side) for side in (1.0, -1.0)), key=lambda one: one.evidence
    )
    cap = SURE + abs(uneven.size) / UNEVEN_MOVED
    split = float(np.clip(uneven.evidence - np.log(2.0), -APART, cap))
    if abs(uneven.size) < UNEVEN_MOVED:
        split = min(split, 0.0) - SURE
    cleaves = view.changes.cleaves(name, view.until)
    life = view.changes.crew.blade.cleaves_per_position
    use, said = 0.0, f"cleave angles with {name} changed by {np.expm1(shift.size):+.0%}"
    if cleaves is not None and view.sign > 0:
        use = 1.5 if cleaves > 1.2 * life else -1.0 if cleaves < 0.6 * life else 0.0
        said += f"; {cleaves:,.0f} cleaves on the blade's position, of {life:,} it is good for"
    for action, when in view.changes.served(name, view.onset - LEAD, view.onset + LAG):
        use += 1.0 if view.sign < 0 else 0.0
        said += f"; {action} on {when:%Y-%m-%d}"
    # the side whose angle went the way the loss went
    side = "right" if uneven.size * view.sign > 0 else "left"
    one_side = (
        f"with {name} the {side} angle changed by {view.sign * np.expm1(abs(uneven.size)):+.0%} "
        "against the other"
    )
    return [
        Story("cleaving: the blade, in all hands", partial(str, said),
              base + view.prior("blade") + use),
        Story(f"cleaving: the {side} side only, its holder or clamp", partial(str, one_side),
              base + view.prior("one side") + split),
    ]  # fmt: skip


def _between(at: np.ndarray, begin: pd.Timestamp, end: pd.Timestamp) -> Bools:
    low, high = (moment.tz_localize(None).value // 1000 for moment in (begin, end))
    return np.asarray((at >= low) & (at < high))


def _mean(values: Floats, n: Floats, rows: Bools) -> float | None:
    return float(np.average(values[rows], weights=n[rows])) if n[rows].sum() > 0 else None
