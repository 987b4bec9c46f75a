"""Stories beyond one machine and one person: a program or its fiber, a place, the whole crew."""

from functools import partial

import numpy as np

from arcdrift.analysis.causes.hypothesis import FEWEST, Story, View
from arcdrift.arrays import Bools

NEW_FIBERS, NEW_FIBERS_SAY = 0.15, 3.0
"""Rise in the share of a pair of fibers that is a change of fibers, and what it says."""
AIR_MOVED = 1.5
"""Spreads of the days before by which air is unlike them."""


def wide_stories(view: View) -> list[Story]:
    """Stories of programs and fibers, sites and the crew."""
    return [*_streams(view), *_programs(view), *_sites(view), *_crew(view)]


def _streams(view: View) -> list[Story]:
    found = []
    numbers = view.values("stream")
    for number in numbers:
        mask, name = view.mask("stream", number), view.name("stream", number)
        splicer = int(view.window.code("splicer")[mask][0])
        rest = view.mask("splicer", splicer) & ~mask
        found += _fibers(view, mask, name, len(numbers))
        moved = view.change(rest)
        if moved is None:
            # nothing else is done on this splicer, so its program cannot be told from itself
            continue
        why = (
            f"{name} changed by {view.change(mask) or 0.0:+.0%}, "
            f"the other programs of {view.name('splicer', splicer)} by {moved:+.0%}"
        )
        found.append(
            Story("this program or the fiber it is used on", partial(str, why),
                  view.loss(mask) + view.prior("program here", len(numbers)))
        )  # fmt: skip
    return found


def _fibers(view: View, mask: Bools, name: str, among: int) -> list[Story]:
    window, code = view.window, view.window.code("fibers")
    size = len(window.cells.names["fibers"])
    now, then = (
        np.bincount(code[part], window.n[part], minlength=size) / max(window.n[part].sum(), 1.0)
        for part in (mask & window.after, mask & ~window.after)
    )
    came = int(np.argmax(now - then))
    if now[came] - then[came] < NEW_FIBERS or then[came] > 0.5 * now[came]:
        return []
    cells = mask & (code == came)
    why = (
        f"{view.name('fibers', came)} was {then[came]:.0%} of {name} before and "
        f"{now[came]:.0%} since"
    )
    level = view.level(cells & window.after)
    if level is not None:
        why += f", with losses {level:+.0%} against what is usual with this program"
    score = view.loss(cells) + view.prior("fibers", among) + NEW_FIBERS_SAY
    return [Story("other fibers joined with this program", partial(str, why), score)]


def _programs(view: View) -> list[Story]:
    found = []
    numbers = view.values("program")
    for number in numbers:
        mask, name = view.mask("program", number), view.name("program", number)
        if len(np.unique(view.window.code("splicer")[mask & view.window.after])) < 2:
            continue
        found.append(
            Story(
                "a program on all splicers, or a batch of the fiber it is used on",
                partial(_on_every_splicer, view, mask, name),
                view.loss(mask) + view.prior("program", len(numbers)),
            )
        )
    return found


def _sites(view: View) -> list[Story]:
    found = []
    numbers = view.values("site")
    for number in numbers:
        mask, name = view.mask("site", number), view.name("site", number)
        here = len(np.unique(view.window.code("splicer")[mask & view.window.after]))
        if not 2 <= here < view.splicers:
            continue
        found.append(
            Story(
                f"the place: weather, dust or work at {name}",
                partial(_at_one_site, view, mask, name),
                view.loss(mask) + view.prior("site", len(numbers)),
            )
        )
    return found


def _crew(view: View) -> list[Story]:
    if view.splicers < 3:
        return []
    everything = np.ones(len(view.own), dtype=bool)
    return [
        Story(
            "the whole crew: weather, a batch of fiber or the work",
            partial(_everywhere, view, everything),
            view.loss(everything) + view.prior("crew"),
        )
    ]


def _on_every_splicer(view: View, mask: Bools, name: str) -> str:
    said = f"{name} moved on every splicer ({view.parts(mask, 'splicer')})"
    return said + view.changed(~mask, ", other programs by {}")


def _at_one_site(view: View, mask: Bools, name: str) -> str:
    said = f"every splicer at {name} moved ({view.parts(mask, 'splicer')})"
    return said + view.changed(~mask, ", those elsewhere by {}") + _air(view, mask)


def _everywhere(view: View, mask: Bools) -> str:
    return f"the whole crew moved ({view.parts(mask, 'splicer')})" + _air(view, mask)


def _air(view: View, mask: Bools) -> str:
    """Air of a set since the onset where it was unlike the days before."""
    told = []
    for column, word, unit, digits in (
        ("density", "air density", "kg/m³", 3), ("vapor", "vapor pressure", "hPa", 0),
    ):  # fmt: skip
        means, spread = [], 0.0
        for part in (mask & view.window.after, mask & ~view.window.after):
            known = view.window.sums("density_n")[part]
            if known.sum() < FEWEST:
                return ""
            values = view.window.sums(column)[part] / np.maximum(known, 1.0)
            means.append(float(np.average(values, weights=known)))
            spread = float(np.sqrt(np.average((values - means[-1]) ** 2, weights=known)))
        now, then = means
        if abs(now - then) > AIR_MOVED * max(spread, 1e-9):
            told.append(f"{word} {then:.{digits}f} {unit} before and {now:.{digits}f} since")
    return "; " + ", ".join(told) if told else ""
