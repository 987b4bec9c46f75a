"""Error messages on the screen; details of unexpected errors go to the log."""

import logging
import re
import secrets
from typing import Any

from dash import html, set_props
from flask import Response, current_app, has_request_context

from arcdrift.errors import ArcdriftError, StoreDamaged
from dashboard import ids

log = logging.getLogger("arcdrift.dashboard")
_PATH = re.compile(r"(?<![\w.])(?:/[\w.~-]+){2,}|\b[A-Za-z]:\\|\w+://")
"""A file's path or a store's address, which is no business of whoever signed in from elsewhere."""
DAMAGED = (
    "The file that holds the records is damaged, so that nothing can be shown or written down. "
    "Tell whoever runs this dashboard: its log says what to do."
)
REFUSALS = {
    401: "Sign in first.",
    403: "This was refused. Open the dashboard at its own address and try again; if it stays so, "
    "your role does not open it.",
    405: "This address cannot be asked for in that way.",
    413: "This is larger than the dashboard takes at once. Send less, or import the file with "
    "arcdrift import.",
    429: "Too many tries. Wait a quarter of an hour.",
}


def sentence(problem: Exception) -> str:
    """Return the message for an error; an unexpected one is logged under a reference number."""
    if isinstance(problem, ArcdriftError) and not (_others_look() and _PATH.search(str(problem))):
        return str(problem)
    if isinstance(problem, StoreDamaged):
        log.error("%s", problem)
        return DAMAGED
    reference = secrets.token_hex(4).upper()
    log.error("reference %s", reference, exc_info=problem)
    where = (
        "Tell whoever runs this dashboard that number."
        if _others_look()
        else f"The detail is in {_log_place()} under that number."
    )
    return (
        f"Something went wrong here, reference {reference}. {where} Your records are untouched; "
        "try again, or go on with another page."
    )


def _others_look() -> bool:
    """Whether the message may reach somebody who signed in from elsewhere."""
    return has_request_context() and hasattr(current_app, "login_manager")


def _log_place() -> str:
    """Words for where the log of this server is."""
    files = (
        handler.baseFilename
        for handler in logging.getLogger().handlers
        if isinstance(handler, logging.FileHandler)
    )
    return next(files, "what the server printed")


def panel(text: str) -> html.Div:
    """Return the panel that shows a message above the page."""
    return html.Div([html.Strong("This did not work"), html.P(text)], className="trouble")


def on_callback_error(problem: Exception) -> Any:
    """Show the message in the session where the callback failed; leave its page unchanged."""
    set_props(ids.TROUBLE, {"children": panel(sentence(problem))})


def on_request_error(problem: Exception) -> Response:
    """Return the response to a plain request (a download) that failed."""
    code = getattr(problem, "code", None)
    if isinstance(code, int) and code < 500:
        words = REFUSALS.get(code, "There is nothing at this address.")
        return Response(f"{words}\n", status=code, mimetype="text/plain")
    return Response(sentence(problem) + "\n", status=500, mimetype="text/plain")
