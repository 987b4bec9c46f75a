"""Addresses that pages had before, which links in mails, bookmarks and messages still name."""

import re

from flask import Flask, redirect, request
from werkzeug.wrappers import Response

from dashboard.url_query import href, parse, search

MOVED = {"/prep": "/coaching", "/design": "/budget", "/today": "/"}
"""Pages that have another address and the same query."""
_FINDING = re.compile(r"[0-9a-zA-Z_-]{1,64}")
"""What the id of a finding may look like; anything else in an address leads to the list."""


def new_address(path: str, query: str) -> str | None:
    """Return where an old address leads, with its query; None for one that did not change.

    Parameters
    ----------
    path, query : str
        As in the address; the query with or without its question mark.
    """
    path = path.rstrip("/") or "/"
    if path in MOVED:
        return MOVED[path] + search(parse(query))
    asked = parse(query)
    if path == "/findings" and _FINDING.fullmatch(asked.get("finding", "")):
        # the page of its case, or its own: `dashboard.pages.cases.case_page`
        return f"/cases/{asked['finding']}"
    if path == "/findings":
        splicer = asked.get("splicer")
        return href("/cases", subject=f"splicer:{splicer}" if splicer else None)
    for before, now in (*MOVED.items(), ("/findings", "/cases")):
        if path.startswith(f"/csv{before}/"):
            return f"/csv{now}{path.removeprefix(f'/csv{before}')}{search(asked)}"
    return None


def register(server: Flask) -> None:
    """Lead requests for old addresses to the new ones."""

    @server.before_request
    def lead_to_new_address() -> Response | None:
        if request.method not in ("GET", "HEAD"):
            return None
        moved = new_address(request.path, request.query_string.decode("utf-8", "replace"))
        return None if moved is None else redirect(moved, 301)
