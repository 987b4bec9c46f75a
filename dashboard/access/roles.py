"""The least role that a page, a callback or a route needs; what states none is for leads only."""

from collections.abc import Callable
from typing import Any, TypeVar, cast

from dash import Dash
from flask import Flask

from arcdrift.people import Role, Viewer

_ATTRIBUTE = "least_role"
ANYBODY = "anybody"
"""Stated by routes that answer before anybody has signed in."""
F = TypeVar("F", bound=Callable[..., Any])

DASH_ROUTES: dict[str, Role | str] = {
    "_dash_assets.static": ANYBODY,
    "/_dash-component-suites/<string:package_name>/<path:fingerprinted_path>": ANYBODY,
    "/_favicon.ico": ANYBODY,
    "/_dash-layout": "technician",
    "/_dash-dependencies": "technician",
    "/_dash-update-component": "technician",  # each callback states its own
    "/_reload-hash": "technician",
    "/": "technician",  # the empty frame; the page is what a callback fills in
    "/<path:path>": "technician",
    "static": "lead",  # Flask's folder, of which there is none
}
"""Least role of routes that Dash and Flask add, by endpoint."""


def for_role(least: Role | str) -> Callable[[F], F]:
    """State the least role that a function serves: a callback, a page or a route.

    The innermost decorator of a callback: ``@app.callback(...)`` above, ``@for_role(...)`` below.
    """

    def state(function: F) -> F:
        setattr(function, _ATTRIBUTE, least)
        return function

    return state


def least_role(function: Any) -> Role | str | None:
    """Return the least role that a function states; None where it states none."""
    found: Role | str | None = getattr(function, _ATTRIBUTE, None)
    return found


def may(viewer: Viewer, least: Role | str | None) -> bool:
    """Whether a viewer has a role or a higher one; where none is stated, whether they lead."""
    if least == ANYBODY:
        return True
    return viewer.has_role(cast("Role", least or "lead"))


def role_of_route(server: Flask, endpoint: str | None) -> Role | str | None:
    """Return the least role of a route; an address without one says only that there is nothing."""
    if endpoint is None:
        return "technician"
    return DASH_ROUTES.get(endpoint) or least_role(server.view_functions[endpoint])


def role_of_callback(app: Dash, output: Any) -> Role | str | None:
    """Return the least role of the callback with this output; None for an unknown one."""
    known = app.callback_map.get(output) if isinstance(output, str) else None
    return least_role(known["callback"]) if known and "callback" in known else None
