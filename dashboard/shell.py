"""The frame around every page: crew name, navigation, light and dark, who has signed in."""

from typing import NamedTuple

import dash_mantine_components as dmc
from dash import dcc, html

from arcdrift.figures.theme import FONT, Scheme
from arcdrift.people import LOCAL, Role
from arcdrift.settings import Crew
from dashboard import ids
from dashboard.access.current_user import SignedInUser
from dashboard.access.page_roles import may_open


class Place(NamedTuple):
    """A page in the navigation."""

    path: str
    text: str
    icon: str


PLACES = (
    Place("/", "Shift", "shift"),
    Place("/splicer", "Splicer", "splicer"),
    Place("/cases", "Cases", "cases"),
    Place("/week", "Week", "week"),
    Place("/loss", "Loss", "loss"),
    Place("/checks", "Checks", "checks"),
    Place("/upkeep", "Upkeep", "upkeep"),
    Place("/coaching", "Coaching", "coaching"),
    Place("/records", "Records", "records"),
    Place("/budget", "Alarm budget", "budget"),
)
TABS: dict[Role, tuple[str, ...]] = {
    "technician": ("/", "/splicer", "/cases", "/checks"),
    "trainer": ("/", "/splicer", "/cases", "/coaching"),
    "lead": ("/", "/splicer", "/cases", "/week"),
}
"""Pages at the foot of a phone by role; the others are one tap further, under More."""
ROLE_WORDS: dict[Role, str] = {
    "technician": "Technician: you see the splicers, and figures about yourself.",
    "trainer": "Trainer: you see everybody's figures and write in the coaching log.",
    "lead": "Lead: you see everything, and may change what is usual and the alarm budget.",
}
REFRESH_MS = 60_000
UPLOADS_MS = 700
"""How often a page asks how far files are that were sent in, while one is on its way."""
THEME = {
    "fontFamily": FONT,
    "headings": {"fontFamily": FONT, "fontWeight": "650"},
    "primaryColor": "fiber",
    "primaryShade": {"light": 7, "dark": 4},
    "colors": {
        "fiber": [
            "#eaf5fc",
            "#d3e9f7",
            "#a5d2ef",
            "#7fc0ea",
            "#56b4e9",
            "#3b9bd4",
            "#1f86c4",
            "#0072b2",
            "#005d92",
            "#004872",
        ],
        "dark": [
            "#e6eaee",
            "#a3afb9",
            "#8a97a2",
            "#64717c",
            "#414c56",
            "#323c45",
            "#222a31",
            "#1b2127",
            "#12171c",
            "#0d1115",
        ],
    },
    "defaultRadius": "md",
    "respectReducedMotion": True,
}


def _link(place: Place, name: str) -> dmc.NavLink:
    return dmc.NavLink(
        label=place.text,
        href=place.path,
        active="exact",
        leftSection=_icon(place.icon),
        className=name,
    )


def _icon(name: str) -> html.Span:
    return html.Span(className=f"icon icon-{name}", **{"aria-hidden": "true"})


def _phone_tabs(places: list[Place], role: Role) -> html.Nav:
    """Return the tabs at the foot of a phone: what this role opens most, and a sheet of the rest.

    `assets/arcdrift.js` closes the sheet when a page was chosen, and at Escape.
    """
    first = [place for place in places if place.path in TABS[role]]
    rest = [place for place in places if place.path not in TABS[role]]
    sheet = html.Details(
        [
            html.Summary([_icon("more"), html.Span("More")], className="tab-link"),
            html.Div([_link(place, "sheet-link") for place in rest], className="tab-sheet"),
        ],
        className="more-tabs",
    )
    return html.Nav(
        [*(_link(place, "tab-link") for place in first), sheet],
        className="tabs",
        **{"aria-label": "Pages"},
    )


def _user_menu(user: SignedInUser) -> html.Details:
    """Return who has signed in, and the button to sign out."""
    return html.Details(
        [
            html.Summary(
                [html.Span(className="icon icon-user", **{"aria-hidden": "true"}),
                 html.Span(user.name, className="user-name")],
                title="Your sign-in",
            ),
            html.Div(
                [
                    html.P([html.Strong(user.name), html.Br(), ROLE_WORDS[user.viewer.role]]),
                    html.A("My splicer", href="/pocket", className="button"),
                    html.Form(
                        html.Button("Sign out", type="submit", className="button"),
                        action="/sign-out",
                        method="post",
                    ),
                ],
                className="user-box",
            ),
        ],
        className="user-menu",
    )  # fmt: skip


def shell(
    crew: Crew, scheme: Scheme, version: str, user: SignedInUser | None = None
) -> dmc.MantineProvider:
    """Return the whole screen without its page; `user` is None where nobody signs in."""
    viewer = LOCAL if user is None else user.viewer
    places = [place for place in PLACES if may_open(viewer, place.path)]
    header = html.Div(
        [
            dcc.Link(
                [html.Span(className="mark", **{"aria-hidden": "true"}), html.Span("arcdrift")],
                href="/",
                className="brand",
                title="To the start page",
            ),
            html.Span(crew.name, id=ids.CREW_NAME, className="crew-name"),
            html.Span(
                "invented data",
                className="invented",
                title="This crew, its people and its numbers are made up for demonstration.",
            )
            if crew.invented
            else None,
            html.Button(
                html.Span(className="icon icon-scheme", **{"aria-hidden": "true"}),
                id=ids.SCHEME_BUTTON,
                className="scheme-button",
                title="Light or dark",
                **{"aria-label": "Switch between light and dark"},
            ),
            None if user is None else _user_menu(user),
        ],
        className="header",
    )
    return dmc.MantineProvider(
        id=ids.PROVIDER,
        theme=THEME,
        forceColorScheme=scheme,
        children=[
            dcc.Location(id=ids.URL, refresh="callback-nav"),
            dcc.Store(id=ids.SCHEME, data=scheme),
            dcc.Store(id=ids.RESULTS_VERSION, data=version),
            dcc.Store(id=ids.DRAWN),
            dcc.Store(id=ids.WRITTEN),
            dcc.Store(id=ids.CASE_SAID),
            dcc.Store(id=ids.REVISIT_PRESSED),
            dcc.Store(id=ids.UPLOADS_SENT, data=0),
            dcc.Interval(id=ids.UPLOADS_TIMER, interval=UPLOADS_MS, disabled=True),
            dcc.Interval(id=ids.RESULTS_TIMER, interval=REFRESH_MS),
            html.A("Skip to the page", href=f"#{ids.PAGE}", className="skip"),
            dmc.AppShell(
                [
                    dmc.AppShellHeader(header),
                    dmc.AppShellNavbar(
                        html.Div(
                            [_link(place, "side-link") for place in places], className="side-links"
                        ),
                        **{"aria-label": "Pages"},
                    ),
                    dmc.AppShellMain(
                        [
                            html.Div(id=ids.TROUBLE, role="alert"),
                            html.Div(id=ids.PAGE, tabIndex="-1"),
                        ]
                    ),
                    dmc.AppShellFooter(
                        _phone_tabs(places, viewer.role),
                        hiddenFrom="sm",
                    ),
                ],
                header={"height": 56},
                navbar={"width": 190, "breakpoint": "sm", "collapsed": {"mobile": True}},
                footer={"height": {"base": 60, "sm": 0}},
                padding={"base": "sm", "sm": "lg"},
            ),
        ],
    )
