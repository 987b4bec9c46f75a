"""The Shift page: who must stop and check now, every splicer, what can still be mended today.

No word about people: what concerns one person is on the pages Cases and Coaching.
"""

from typing import Any

import pandas as pd
from dash import dcc, html

from arcdrift.instants import day_text, instant_text
from arcdrift.wording import count_text, span_text
from dashboard import ids
from dashboard.components import View, heading, paper_card, report_button
from dashboard.my_splicer import my_splicer
from dashboard.pages.shift.board import choose_mine, headline, my_panel, tiles
from dashboard.pages.shift.shift_side import bad_splices, news
from dashboard.pages.shift.splicer_states import SplicerNow, splicers_now

ASK_AGAIN_MS = 1500
"""How often a page asks for more of the advice while it is worked out in the background."""
OLD_HOURS = 4
"""Age of the newest record from which it is told as old: half a shift without a log."""


def render(view: View) -> html.Div:
    """Return the page."""
    board, is_pending = shift_board(view)
    return html.Div(
        [
            _filled_later(view, board) if is_pending else board,
            html.Div(
                [
                    bad_splices(view),
                    news(view),
                    paper_card(report_button("All splicers on one page", "shift", {})),
                ],
                className="shift-side",
            ),
        ],
        className="shift",
    )


def _filled_later(view: View, board: html.Div) -> html.Div:
    """Return a board that asks again until all advice is worked out."""
    mine = view.query.get("mine", "")
    return html.Div(
        [
            html.Div(board, id=ids.shift_slot(mine)),
            dcc.Interval(id=ids.shift_timer(mine), interval=ASK_AGAIN_MS),
        ]
    )


def shift_board(view: View, seconds: float | None = None) -> tuple[html.Div, bool]:
    """Return the splicers, and whether some of their advice is still worked out.

    The board is the headline, one's own splicer, and a tile for each.

    Parameters
    ----------
    seconds : float, optional
        How long to work advice out (`splicers_now`).
    """
    mine = view.query.get("mine") or my_splicer(view.data)
    states = splicers_now(view.data, mine, seconds)
    own = next((state for state in states if state.splicer == mine), None)
    content: list[Any] = [heading(headline(states), _line(view, states))]
    if len(states) == 1:
        content.append(my_panel(view, states[0], is_only=True))
    else:
        content.append(choose_mine(view) if own is None else my_panel(view, own))
        content.append(tiles(view, states, mine))
    board = html.Div(content, className="shift-now")
    return board, any(state.is_pending for state in states)


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
