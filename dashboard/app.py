"""Creating the dashboard, and serving it."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

from dash import Dash
from flask import Flask, has_request_context, request

from arcdrift.errors import UsageError
from arcdrift.figures.theme import Scheme
from arcdrift.store.accounts.user_accounts import has_users
from dashboard import callbacks, downloads, error_page, moved_addresses, pocket_page
from dashboard.access import request_guard, sign_in
from dashboard.access.current_user import current_user, current_viewer
from dashboard.access.secret_key import secret_key
from dashboard.access.served_address import ServedAddress
from dashboard.access.sessions import Sessions
from dashboard.first_screen import first_screen_html
from dashboard.pages.records import clock_callbacks, records_callbacks
from dashboard.reading.data import CrewData
from dashboard.reading.viewers import Viewers, data_for_request
from dashboard.reports import report_routes
from dashboard.serving import health, isolated_names, request_log, sent_files
from dashboard.serving.graceful_server import GracefulServer
from dashboard.serving.warm_pages import WarmPages
from dashboard.shell import shell
from dashboard.uploads import upload_routes
from dashboard.uploads.uploads import Uploads

UPLOADS, VIEWERS = "arcdrift.uploads", "arcdrift.viewers"
"""Keys of the files sent in, and of the data by viewer, among the extensions of the server."""
ASSETS_APART = r"(sign-in\.css|forget\.js|pocket-worker\.js|plotly-.*\.js)"
"""Files of pages that are not Dash's, and Plotly, which charts ask for; Dash must not load them."""
INDEX = """<!DOCTYPE html>
<html lang="en">
<head>
{%metas%}
<title>{%title%}</title>
<link rel="icon" type="image/svg+xml" href="/assets/mark.svg">
<link rel="manifest" href="/manifest.webmanifest">
<link rel="apple-touch-icon" href="/assets/mark-192.png">
{%css%}
</head>
<body>
{%app_entry%}
<footer>{%config%}{%scripts%}{%renderer%}</footer>
</body>
</html>"""


def saved_scheme() -> Scheme:
    """Return light or dark as last chosen in this browser."""
    cookie = request.cookies.get("arcdrift-scheme") if has_request_context() else None
    return "dark" if cookie == "dark" else "light"


def create_app(
    crew_folder: Path, address: ServedAddress | None = None, everything: CrewData | None = None
) -> Dash:
    """Build the dashboard of one crew folder.

    Parameters
    ----------
    address : ServedAddress, optional
        From where it is reached, which decides whether people sign in; by default from this
        computer only.
    everything : CrewData, optional
        What the folder holds, where whoever calls goes on using it.

    Raises
    ------
    BadInput, StoreTrouble
        When the folder or its store cannot be used.
    UsageError
        When a sign-in is needed and there are no users.
    """
    address = address or ServedAddress()
    everything = everything or CrewData(crew_folder)
    app = Dash(
        __name__,
        title="arcdrift",
        update_title=None,
        index_string=INDEX,
        on_error=error_page.on_callback_error,
        assets_ignore=ASSETS_APART,
        meta_tags=[
            {"name": "viewport", "content": "width=device-width, initial-scale=1"},
            *(
                [{"name": pocket_page.SIGN_IN_META, "content": "yes"}]
                if address.needs_sign_in
                else []
            ),
        ],
    )
    server: Flask = app.server
    sent_files.install(server)
    isolated_names.install(server)
    sessions = None
    if address.needs_sign_in:
        _require_users(everything, crew_folder, address)
        sessions = Sessions(
            server, everything.engine, address, secret_key(crew_folder), everything.crew.access
        )
    request_log.install(
        server, behind_proxy=bool(address.proxies), log_requests=address.needs_sign_in
    )
    request_guard.install(app, address, sessions)
    moved_addresses.register(server)
    viewers = server.extensions[VIEWERS] = Viewers(everything)
    data = data_for_request(viewers, current_viewer)
    _insert_first_screen(app, data)

    def layout() -> Any:
        now = viewers.everything()
        return shell(now.crew, saved_scheme(), now.version(), user=current_user())

    app.layout = layout
    server.register_error_handler(Exception, error_page.on_request_error)
    health.register(server, everything)
    downloads.register(server, data)
    report_routes.register(server, data, address)
    callbacks.register(app, data)
    uploads = Uploads(crew_folder, everything.engine, lambda: viewers.everything().crew)
    server.extensions[UPLOADS] = uploads
    upload_routes.register(server, data, uploads)
    records_callbacks.register(app, data, uploads)
    clock_callbacks.register(app, data, uploads)
    if sessions is not None:
        sign_in.register(
            server, lambda: viewers.everything().crew.name, everything.engine, sessions
        )
    pocket_page.register(server, data, address)
    return app


def _require_users(data: CrewData, crew_folder: Path, address: ServedAddress) -> None:
    if not has_users(data.engine):
        raise UsageError(
            f"Others could open the dashboard at {address.url}, and nobody can sign in yet. Add a "
            f"user first: arcdrift user add NAME --role lead --crew {crew_folder}"
        )


def _insert_first_screen(app: Dash, data: CrewData) -> None:
    """Insert the first screen into the page as first sent."""
    interpolate_page = app.interpolate_index

    def interpolate_with_screen(**parts: str) -> str:
        query = request.query_string.decode("utf-8", "replace")
        first = first_screen_html(data, request.path, query, saved_scheme())
        return str(interpolate_page(**{**parts, "app_entry": first + parts["app_entry"]}))

    app.interpolate_index = interpolate_with_screen


def serve(crew_folder: Path, address: ServedAddress, *, listening: Callable[[], None]) -> None:
    """Serve the dashboard until interrupted or told to stop (SIGTERM).

    Parameters
    ----------
    listening : callable
        Called once, when the dashboard can be reached.

    Raises
    ------
    UsageError
        When others than this computer could reach it and there are no users.
    """
    data = CrewData(crew_folder)
    app = create_app(crew_folder, address, data)
    pages = WarmPages(app.server.extensions[VIEWERS].everything)

    def make_room() -> None:
        data.stop_prefetching()
        pages.stop()

    server = GracefulServer(app.server, address.host, address.port, stopping=make_room)
    data.keep_advice_ready()
    pages.start()
    listening()
    server.run()
