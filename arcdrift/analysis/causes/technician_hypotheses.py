"""Stories of one pair of hands: a person's splices changed, or other hands took over."""

from functools import partial

import numpy as np

from arcdrift.analysis.causes.hypothesis import ANGLE_MOVED, SURE, Story, View
from arcdrift.analysis.loss.technician_days import NOBODY
from arcdrift.arrays import Bools

TAKEOVER, MORE = 0.5, 0.25
"""Rise in a person's share of the splices that is a change of hands, or may be one."""
CAME = 1.0
"""What a change of hands at the onset says: people change often."""
NEW, NEW_DAYS, OLD_DAYS = 2.0, 30, 30
"""What it says that a person is new: began so many days before the onset at most, and so many
after the records did."""
ANGLES_TOO = 0.5
"""Chance that hands that raise the loss raise the cleave angles, too."""
FAIR = "may be the work, the fiber or the place rather than the person"
DAY_US = 86_400_000_000


def hand_stories(view: View) -> list[Story]:
    """Stories of each technician with a fair part of the subject's splices."""
    window = view.window
    people = window.code("technician")
    if len(np.unique(people[window.after])) < 2:
        return []
    numbers = [one for one in view.values("technician") if view.name("technician", one) != NOBODY]
    streams = np.isin(window.code("stream"), np.unique(window.code("stream")[view.own]))
    usual = streams & ~window.after
    found = []
    for number in numbers:
        mask = view.mask("technician", number)
        now, then = (
            float(window.n[part & mask].sum() / max(window.n[part].sum(), 1.0))
            for part in (view.own, usual)
        )
        hint = CAME if now - then >= TAKEOVER and not view.of_person else 0.0
        new = _is_new(view, number)
        hint += NEW if new else 0.0
        prior = hint - float(np.log(len(numbers)))
        name = view.name("technician", number)
        found.append(
            Story(
                f"one technician's splices: {name}",
                partial(_person, view, name, mask, streams, now, new),
                view.loss(mask) + prior + view.prior("person")
                + _perhaps(view.angles[("technician", number)]),
                who=name,
            )
        )  # fmt: skip
        if now - then >= MORE and not view.of_person:
            angle = view.angle(mask, standing=True)
            size = view.sign * angle.size
            term = min(angle.evidence, SURE) if size >= ANGLE_MOVED else -SURE
            found.append(
                Story(
                    f"a change of hands: {name}",
                    partial(_took_over, view, name, mask & ~streams, now, then, new),
                    view.standing(mask) + prior + view.prior("hands") + _perhaps(term),
                    who=name,
                )
            )
    return found


def _perhaps(term: float) -> float:
    """Evidence of a sign that only some of such causes give."""
    return float(np.logaddexp(np.log(ANGLES_TOO) + term, np.log(1.0 - ANGLES_TOO)))


def _is_new(view: View, number: int) -> bool:
    cells = view.window.cells
    first = int(cells.at[np.argmax(cells.code["technician"] == number)])
    onset = view.onset.value // 1000
    return first >= cells.at[0] + OLD_DAYS * DAY_US and onset - first <= NEW_DAYS * DAY_US


def _person(view: View, name: str, mask: Bools, streams: Bools, now: float, new: bool) -> str:
    change = view.change(mask)
    said = "seen wherever this person worked"
    if not view.of_person:
        said = f"{name} made {now:.0%} of the splices"
    if new:
        said += f", and {name} is new (first on record {_first(view, name)})"
    if change is not None:
        said += f"; on all splicers {name}'s losses changed by {change:+.0%}"
    said += view.changed(streams & ~mask, ", those of others here by {}")
    shift = view.angle(mask)
    if view.sign * shift.size >= ANGLE_MOVED:
        said += f", {name}'s cleave angles by {np.expm1(shift.size):+.0%}"
    return f"{said}; {FAIR}"


def _took_over(view: View, name: str, elsewhere: Bools, now: float, then: float, new: bool) -> str:
    said = f"{name} made {then:.0%} of the splices before and {now:.0%} since"
    if new:
        said += f", and is new (first on record {_first(view, name)})"
    level = view.level(elsewhere)
    if level is not None:
        said += f"; elsewhere {name}'s losses are {level:+.0%} against what is usual there"
    return f"{said}; {FAIR}"


def _first(view: View, name: str) -> str:
    cells = view.window.cells
    place = int(np.argmax(cells.code["technician"] == cells.number("technician", name)))
    return str(cells.names["day"][cells.code["day"][place]])[:10]
