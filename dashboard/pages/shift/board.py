"""Part of the Shift page: who must stop, one's own splicer, and a tile for each splicer."""

from collections.abc import Sequence
from typing import Any

from dash import dcc, html

from arcdrift.wording import count_text
from dashboard.components import LONG_NAME, View, notice, verdict_line, verdict_mark
from dashboard.pages.shift.splicer_states import SplicerNow
from dashboard.pages.splicer.advice_words import one_reason
from dashboard.url_query import href

DENSE_FROM = 17
"""Splicers from which tiles are small, so that those of a large crew stand in one screen."""


def headline(states: Sequence[SplicerNow]) -> str:
    """Say who must stop and check."""
    stopped = [state.splicer for state in states if state.must_stop]
    if not states:
        return "No splicer yet"
    if not stopped:
        waiting = any(state.is_pending for state in states)
        return "Nobody has to stop so far" if waiting else "No splicer has to stop"
    if len(stopped) > 2 or max(map(len, stopped)) >= LONG_NAME:
        return f"{count_text(len(stopped), 'splicer')} must stop and check"
    return f"{' and '.join(stopped)} must stop and check"


def my_panel(view: View, state: SplicerNow, *, is_only: bool = False) -> html.Section:
    """Return one's own splicer, first on a phone: its verdict, the reason, one thing to do.

    Parameters
    ----------
    is_only : bool
        Whether the crew has no other, so that it stands on every screen.
    """
    verdict, advice = state.verdict, state.advice
    reason = one_reason(advice) if advice else state.trouble
    return html.Section(
        [
            html.Div([html.H2(state.splicer), _change(view, state.splicer)], className="mine-head"),
            html.P("working it out", className="muted advice-pending")
            if state.is_pending
            else verdict_line(verdict.code),
            html.P(reason, className="lead") if reason else None,
            html.P(["Next: ", state.service], className="muted")
            if is_only and state.service
            else None,
            dcc.Link(
                "Log the check" if verdict.stops_work else "Open its page",
                href=href("/splicer", splicer=state.splicer)
                + ("#log-check" if verdict.stops_work else ""),
                className="button big primary go",
            ),
        ],
        className=f"card mine role-{verdict.color_role}{'' if is_only else ' phone-only'}",
        **{"aria-label": "My splicer"},
    )


def choose_mine(view: View) -> html.Section | None:
    """Return the question which splicer is the visitor's; None where there is only one."""
    names = view.data.splicers()
    if len(names) < 2:
        return None
    return html.Section(
        html.Details(
            [html.Summary("Which splicer is yours? It then stands here first."), _chips(names)]
        ),
        className="card mine phone-only",
    )


def _change(view: View, splicer: str) -> html.Details | None:
    others = [name for name in view.data.splicers() if name != splicer]
    if not others:
        return None
    return html.Details([html.Summary("Not yours?"), _chips(others)], className="change-mine")


def _chips(names: Sequence[str]) -> html.Ul:
    return html.Ul(
        [html.Li(dcc.Link(name, href=href("/", mine=name), className="chip")) for name in names],
        className="chips",
    )


def tiles(view: View, states: Sequence[SplicerNow], mine: str | None) -> Any:
    """Return a tile for each splicer, the most urgent first; rows on a phone."""
    if not states:
        return notice(
            "No splicer is known yet. Import the logs of one with `arcdrift import FILE`, "
            "or name it in crew.toml."
        )
    dense = " dense" if len(states) >= DENSE_FROM else ""
    stopped = [state for state in states if state.must_stop]
    others = [state for state in states if not state.must_stop]
    return html.Div(
        [
            html.Ul(
                [_tile(view, state, state.splicer == mine) for state in group],
                className=f"{name}{dense}",
                **{"aria-label": label},
            )
            for group, name, label in (
                (stopped, "board stop-board", "Must stop and check"),
                (others, "board", "The other splicers"),
            )
            if group
        ],
        className="boards",
    )


def _tile(view: View, state: SplicerNow, is_mine: bool) -> html.Li:
    verdict, known = state.verdict, view.data.crew.splicers.get(state.splicer)
    classes = ["tile", f"role-{verdict.color_role}"]
    classes += ["stops"] if state.must_stop else []
    classes += ["is-mine"] if is_mine else []
    service = state.service
    home = known.home_site if known else None
    return html.Li(
        [
            verdict_mark(verdict),
            html.Div(
                [
                    dcc.Link(
                        state.splicer,
                        href=href("/splicer", splicer=state.splicer),
                        className="tile-name",
                    ),
                    html.Span(home, className="muted tile-site") if home else None,
                ],
                className="tile-head",
            ),
            html.Div(
                "…" if state.is_pending else verdict.short,
                className="tile-verdict advice-pending" if state.is_pending else "tile-verdict",
            ),
            html.Div(state.reason, className="tile-reason"),
            html.Div(["Next: ", service], className="tile-service muted") if service else None,
        ],
        className=" ".join(classes),
    )
