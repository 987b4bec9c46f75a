"""Creating the dashboard, and serving it to this machine only."""

import ipaddress
from collections.abc import Callable
from pathlib import Path
from urllib.parse import urlsplit

import waitress
from dash import Dash
from flask import Flask, Response, abort, has_request_context, request

from arcdrift.errors import UsageError
from arcdrift.figures.theme import Scheme
from dashboard import callbacks, downloads, error_page
from dashboard.reading.data import CrewData
from dashboard.server_rendered_advice import advice_html
from dashboard.shell import shell

THREADS = 8
INDEX = """<!DOCTYPE html>
<html lang="en">
<head>
{%metas%}
<title>{%title%}</title>
<link rel="icon" type="image/svg+xml" href="/assets/mark.svg">
{%css%}
</head>
<body>
{%app_entry%}
<footer>{%config%}{%scripts%}{%renderer%}</footer>
</body>
</html>"""
HEADERS = {
    "Content-Security-Policy": (
        "default-src 'self'; script-src 'self' 'unsafe-inline' 'unsafe-eval'; "
        "style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; font-src 'self' data:; "
        "frame-ancestors 'none'; base-uri 'self'; form-action 'self'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
}


def is_loopback(host: str) -> bool:
    """Return whether a host name or address can only mean this machine."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def saved_scheme() -> Scheme:
    """Return light or dark as last chosen in this browser."""
    cookie = request.cookies.get("arcdrift-scheme") if has_request_context() else None
    return "dark" if cookie == "dark" else "light"


def create_app(crew_folder: Path, *, prefetch_advice: bool = False) -> Dash:
    """Build the dashboard of one crew folder.

    Parameters
    ----------
    prefetch_advice : bool
        Whether to start working out every splicer's advice before a page asks for it.

    Raises
    ------
    BadInput, StoreTrouble
        When the folder or its store cannot be used.
    """
    data = CrewData(crew_folder)
    app = Dash(
        __name__,
        title="arcdrift",
        update_title=None,
        index_string=INDEX,
        on_error=error_page.on_callback_error,
        meta_tags=[{"name": "viewport", "content": "width=device-width, initial-scale=1"}],
    )
    _insert_advice(app, data)
    app.layout = lambda: shell(data.crew, saved_scheme(), data.version())
    server: Flask = app.server

    @server.before_request
    def only_this_machine() -> None:
        # a foreign page cannot reach a loopback server under a name of its own (DNS rebinding)
        if not is_loopback(urlsplit(f"//{request.host}").hostname or ""):
            abort(403)

    @server.after_request
    def harden(response: Response) -> Response:
        for name, value in HEADERS.items():
            response.headers.setdefault(name, value)
        return response

    server.register_error_handler(Exception, error_page.on_request_error)
    downloads.register(server, data)
    callbacks.register(app, data)
    if prefetch_advice:
        data.prefetch_advice()
    return app


def _insert_advice(app: Dash, data: CrewData) -> None:
    """Insert a splicer's advice into the page as first sent."""
    interpolate_page = app.interpolate_index

    def interpolate_with_advice(**parts: str) -> str:
        query = request.query_string.decode("utf-8", "replace")
        advice = advice_html(data, request.path, query, saved_scheme())
        return str(interpolate_page(**{**parts, "app_entry": advice + parts["app_entry"]}))

    app.interpolate_index = interpolate_with_advice


def serve(crew_folder: Path, host: str, port: int, *, listening: Callable[[], None]) -> None:
    """Serve the dashboard until interrupted.

    Parameters
    ----------
    listening : callable
        Called once, when the dashboard can be reached.

    Raises
    ------
    UsageError
        When the host is any other than this machine: there is no sign-in.
    """
    if not is_loopback(host):
        raise UsageError(
            f"arcdrift serves to this machine only and refuses {host}: there is no sign-in yet. "
            "Use --host 127.0.0.1, and reach it from elsewhere through a tunnel of your own."
        )
    app = create_app(crew_folder, prefetch_advice=True)
    server = waitress.create_server(app.server, host=host, port=port, threads=THREADS, ident=None)
    listening()
    server.run()
