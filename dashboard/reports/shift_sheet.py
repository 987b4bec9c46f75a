"""All splicers on one page for the start of a day: verdict, setting, what is due."""

from typing import NamedTuple

from arcdrift.analysis.advice.advice import CAUTIONS
from arcdrift.instants import instant_text
from arcdrift.verdicts import Verdict
from arcdrift.wording import number_text
from dashboard.components import View
from dashboard.pages.cases.revisit import made_text, place_text
from dashboard.pages.shift.board import headline
from dashboard.pages.shift.shift_side import bad_today
from dashboard.pages.shift.splicer_states import SplicerNow, splicers_now
from dashboard.pages.upkeep.upkeep import POWER_OFF
from dashboard.reports.imprint import advised_at
from dashboard.reports.report import Asked, Contents

LONG_ENOUGH = 3600.0
"""Seconds for all advice: a sheet is printed when every splicer is on it."""
MOST_SPLICES = 8


class SplicerRow(NamedTuple):
    """One splicer on the sheet."""

    name: str
    site: str
    verdict: Verdict
    reason: str
    setting: str
    needed: str
    due: list[str]
    following: str


def shift_sheet(asked: Asked) -> Contents:
    """Return the contents of the sheet."""
    view = asked.view
    states = splicers_now(view.data, None, LONG_ENOUGH)
    here = advised_at(view).astimezone(view.data.zone())
    bad = bad_today(view)
    return Contents(
        f"{here:%A}, {instant_text(here)}",
        f"{headline(states)}.",
        f"{here:%Y-%m-%d}",
        {
            "rows": [_row(view, state) for state in states],
            "bad": [(place_text(row), made_text(view, row)) for row in bad[:MOST_SPLICES]],
            "more_bad": max(len(bad) - MOST_SPLICES, 0),
            "cautions": CAUTIONS,
        },
        of_now=True,
    )


def _row(view: View, state: SplicerNow) -> SplicerRow:
    advice, unit = state.advice, view.data.unit(state.splicer)
    known = view.data.crew.splicers.get(state.splicer)
    stored = None if advice is None else advice.setting
    needed = None if advice is None else advice.required
    tolerance = "" if advice is None or advice.tolerance is None else advice.tolerance
    items = () if advice is None else advice.start_of_day
    return SplicerRow(
        state.splicer,
        (known.home_site if known else None) or "",
        state.verdict,
        state.trouble or state.reason,
        "–" if stored is None else f"{stored:g} {unit}",
        "not known"
        if needed is None
        else f"{number_text(needed['value'], 1)} ± {number_text(float(tolerance or 0.0), 1)}",
        # the check is the verdict's own matter
        [
            f"{i.what}: {i.words.removesuffix(POWER_OFF)}"
            for i in items
            if i.state == "due" and i.what != "Arc check"
        ],
        state.service,
    )
