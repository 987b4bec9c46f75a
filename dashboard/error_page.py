"""Errors: a sentence or a reference number on the screen, the detail in the log."""

import logging
import secrets
from typing import Any

from dash import html, set_props
from flask import Response

from arcdrift.errors import ArcdriftError
from dashboard import ids

log = logging.getLogger("arcdrift.dashboard")


def sentence(problem: Exception) -> str:
    """Return what a person is told; anything unforeseen is logged under a reference number."""
    if isinstance(problem, ArcdriftError):
        return str(problem)
    reference = secrets.token_hex(4).upper()
    log.error("reference %s", reference, exc_info=problem)
    return (
        f"Something went wrong here, reference {reference}. The detail is in the server's log "
        "under that number. Your records are untouched; try again, or go on with another page."
    )


def panel(text: str) -> html.Div:
    """Return the message as it stands above the page."""
    return html.Div([html.Strong("This did not work"), html.P(text)], className="trouble")


def on_callback_error(problem: Exception) -> Any:
    """Show the trouble on the screen of the session it happened in; leave the rest as it is."""
    set_props(ids.TROUBLE, {"children": panel(sentence(problem))})


def on_request_error(problem: Exception) -> Response:
    """Answer a plain request (a download) that failed."""
    code = getattr(problem, "code", None)
    if isinstance(code, int) and code < 500:
        return Response("There is nothing at this address.\n", status=code, mimetype="text/plain")
    return Response(sentence(problem) + "\n", status=500, mimetype="text/plain")
