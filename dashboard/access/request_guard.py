"""Checks that every request passes before anything else looks at it.

In this order: is it asked for under a name of this server, does a change come from a page of this
server, is somebody signed in, and does their role allow it. Answers carry the headers that tell a
browser what these pages may do.
"""

from functools import cache
from typing import Any
from urllib.parse import quote, urlsplit

from dash import Dash
from flask import Flask, Response, abort, redirect, request
from werkzeug.exceptions import HTTPException
from werkzeug.middleware.proxy_fix import ProxyFix
from werkzeug.wrappers import Response as AnyResponse

from dashboard.access.current_user import current_user
from dashboard.access.roles import ANYBODY, may, role_of_callback, role_of_route
from dashboard.access.served_address import ServedAddress
from dashboard.access.sessions import Sessions

MAX_REQUEST_BYTES = 32 * 1024 * 1024
"""Largest request that is taken: a few months of one crew's logs."""
CALLBACK_ROUTE = "/_dash-update-component"
_FORWARDED = ("Forwarded", "X-Forwarded-For", "X-Forwarded-Host", "X-Forwarded-Proto", "Via")
_SAFE_METHODS = ("GET", "HEAD", "OPTIONS")
_HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    # with "no-referrer" a form of our own would be sent with the origin "null"
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}


def install(app: Dash, address: ServedAddress, sessions: Sessions | None) -> None:
    """Attach the checks to an app, before any route of its own.

    Parameters
    ----------
    sessions : Sessions, optional
        None where nobody needs to sign in.
    """
    server: Flask = app.server
    server.config["MAX_CONTENT_LENGTH"] = MAX_REQUEST_BYTES
    server.config["MAX_FORM_MEMORY_SIZE"] = 64 * 1024
    if address.proxies:
        hops = address.proxies
        server.wsgi_app = ProxyFix(server.wsgi_app, x_for=hops, x_proto=hops, x_host=hops)  # type: ignore[method-assign]

    @server.before_request
    def check() -> AnyResponse | None:
        _require_own_name(address)
        if request.method not in _SAFE_METHODS:
            _require_own_origin()
        if sessions is None:
            return None
        least = role_of_route(server, request.endpoint)
        if least == ANYBODY:
            return None
        user = current_user()
        if user is None:
            return _sign_in_first()
        callback = _callback_body() if request.endpoint == CALLBACK_ROUTE else {}
        if not may(user.viewer, least):
            abort(403)
        if request.endpoint == CALLBACK_ROUTE and not may(
            user.viewer, role_of_callback(app, callback.get("output"))
        ):
            abort(403)
        if not _is_timer(callback):
            sessions.note_seen()
        return None

    policy = cache(lambda: _content_policy(app))

    @server.after_request
    def harden(response: Response) -> Response:
        headers = {**_HEADERS, "Content-Security-Policy": policy()}
        for name, value in headers.items():
            response.headers.setdefault(name, value)
        if sessions is not None and role_of_route(server, request.endpoint) != ANYBODY:
            # what one person saw stays in no cache for the next who uses the device
            response.headers["Cache-Control"] = "no-store"
        if address.is_https:
            response.headers.setdefault("Strict-Transport-Security", "max-age=31536000")
        return response


def _require_own_name(address: ServedAddress) -> None:
    try:
        host = urlsplit(f"//{request.host}").hostname or ""
    except (ValueError, HTTPException):
        host = ""
    if not address.is_own_name(host):
        abort(403)
    if not address.needs_sign_in and any(name in request.headers for name in _FORWARDED):
        # a proxy hands requests of others to a dashboard that takes everybody for its owner
        abort(403)


def _require_own_origin() -> None:
    """Take a change only from a page of this very address.

    Browsers name the page's origin with every POST, and no page can make up another. One that
    names none must say that the request stays within one origin.
    """
    origin = request.headers.get("Origin")
    if origin is None:
        if request.headers.get("Sec-Fetch-Site") != "same-origin":
            abort(403)
    elif origin.lower() != f"{request.scheme}://{request.host}".lower():
        abort(403)


def _sign_in_first() -> AnyResponse:
    """Send a person to the sign-in; tell a script of the page that it has ended."""
    is_page = request.method == "GET" and "text/html" in request.headers.get("Accept", "text/html")
    if not is_page:
        return Response("Sign in first.\n", status=401, mimetype="text/plain")
    query = request.query_string.decode("ascii", "replace")
    wanted = request.path + (f"?{query}" if query else "")
    return redirect("/sign-in" if wanted == "/" else f"/sign-in?next={quote(wanted)}")


def _callback_body() -> dict[str, Any]:
    try:
        body = request.get_json(silent=True)
    except RecursionError:  # nested deeper than anything that a page sends
        abort(400)
    return body if isinstance(body, dict) else {}


def _is_timer(callback: dict[str, Any]) -> bool:
    """Whether an open page asks by itself, which says nothing about a person being there."""
    changed = callback.get("changedPropIds")
    return bool(changed) and all(str(name).endswith(".n_intervals") for name in changed or [])


def _content_policy(app: Dash) -> str:
    """Return what a page may load: only from here, and only the inline scripts that Dash writes.

    Styles may stand inline: charts and components set them on single elements.
    """
    scripts = " ".join(["'self'", *app.csp_hashes()])
    return (
        f"default-src 'self'; script-src {scripts}; style-src 'self' 'unsafe-inline'; "
        "img-src 'self' data: blob:; font-src 'self' data:; connect-src 'self'; "
        "worker-src 'self'; manifest-src 'self'; object-src 'none'; "
        "frame-ancestors 'none'; base-uri 'none'; form-action 'self'"
    )
