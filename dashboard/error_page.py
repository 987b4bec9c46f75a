"""Error messages on the screen; details of unexpected errors go to the log."""

import logging
import secrets
from typing import Any

from dash import html, set_props
from flask import Response

from arcdrift.errors import ArcdriftError
from dashboard import ids

log = logging.getLogger("arcdrift.dashboard")


def sentence(problem: Exception) -> str:
    """Return the message for an error; an unexpected one is logged under a reference number."""
    if isinstance(problem, ArcdriftError):
        return str(problem)
    reference = secrets.token_hex(4).upper()
    log.error("reference %s", reference, exc_info=problem)
    return (
        f"Something went wrong here, reference {reference}. The detail is in {_log_place()} under "
        "that number. Your records are untouched; try again, or go on with another page."
    )


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
        return Response("There is nothing at this address.\n", status=code, mimetype="text/plain")
    return Response(sentence(problem) + "\n", status=500, mimetype="text/plain")
