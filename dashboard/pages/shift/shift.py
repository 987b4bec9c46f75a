"""The Shift page: who must stop and check now, every splicer, what can still be mended today.

No word about people: what concerns one person is on the pages Cases and Coaching.
"""

from typing import Any

import pandas as pd
from dash import html

from arcdrift.instants import day_text, instant_text
from arcdrift.wording import count_text, span_text
from dashboard import ids
from dashboard.components import View, heading
from dashboard.my_splicer import my_splicer
from dashboard.pages.shift.board import choose_mine, headline, my_panel, tiles
from dashboard.pages.shift.shift_side import bad_splices, news
from dashboard.pages.shift.splicer_states import SplicerNow, splicers_now

OLD_HOURS = 4
"""Age of the newest record from which it is told as old: half a shift without a log."""


def render(view: View) -> html.Div:
    """Return the page."""
    board = shift_board(view)
    return html.Div(
        [
            board,
            html.Div([bad_splices(view), news(view)], className="shift-side"),
        ],
        className="shift",
    )


def shift_board(view: View, seconds: float | None = None) -> html.Div:
    """Return the splicers: the headline, one's own one, and a tile for each.

    Where advice is still worked out, the board loads itself again with all of it.

    Parameters
    ----------
    seconds : float, optional
        How long to work advice out (`splicers_now`).
    """
    mine = view.query.get("mine") or my_splicer(view.data)
    states = splicers_now(view.data, mine, seconds)
    own = next((state for state in states if state.splicer == mine), None)
    words = heading(headline(states), _line(view, states))
    content = [
        words,
        choose_mine(view) if own is None else my_panel(view, own),
        tiles(view, states, mine),
    ]
    pending = any(state.is_pending for state in states)
    slot: dict[str, Any] = {"id": ids.shift_slot(view.query.get("mine", ""))} if pending else {}
    return html.Div(html.Div(content, className="shift-now"), **slot)


def _line(view: View, states: list[SplicerNow]) -> str:
    """Say how many splices were made unchecked, what time it is there, how old the logs are."""
    unchecked = sum(state.unchecked for state in states)
    made = f"{count_text(unchecked, 'splice')} made unchecked. " if unchecked else ""
    return f"{made}{_data_age(view)}"


def _data_age(view: View) -> str:
    newest, now = view.data.newest_record(), view.data.present()
    zone = view.data.zone()
    if newest is None:
        return f"{instant_text(now.astimezone(zone))}. No splice or check is on record yet."
    at, here = newest.astimezone(zone), now.astimezone(zone)
    reach = f"{at:%H:%M} today" if at.date() == here.date() else instant_text(at)
    age = now - newest
    old = f", {span_text(pd.Timedelta(age))} ago" if age.total_seconds() > OLD_HOURS * 3600 else ""
    return f"{here:%A} {day_text(here)}. Logs reach {reach}{old}."
