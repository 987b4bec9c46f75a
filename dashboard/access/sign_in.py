"""The routes to sign in and out."""

import logging
from collections.abc import Callable
from math import ceil
from threading import BoundedSemaphore

from flask import Flask, Response, redirect, request
from sqlalchemy import Engine
from werkzeug.wrappers import Response as AnyResponse

from arcdrift.store.accounts.passwords import MOST_CHARACTERS, password_matches
from arcdrift.store.accounts.user_accounts import MOST_NAME_CHARACTERS, find_user, name_key
from dashboard.access.attempt_limits import AttemptLimits
from dashboard.access.current_user import current_user
from dashboard.access.roles import ANYBODY, for_role
from dashboard.access.sessions import Sessions
from dashboard.access.sign_in_page import sign_in_page

SIGN_IN, SIGN_OUT = "/sign-in", "/sign-out"
WRONG = "This name and password do not belong together. Try again."
MOST_FORM_BYTES = 16 * 1024
_AT_ONCE = 2
"""Passwords that are compared at the same time, since each takes 64 MiB of memory."""
log = logging.getLogger("arcdrift.access")


def register(
    server: Flask, crew_name: Callable[[], str], engine: Engine, sessions: Sessions
) -> None:
    """Attach the routes."""
    limits = AttemptLimits()
    comparing = BoundedSemaphore(_AT_ONCE)

    def page(status: int = 200, **parts: str) -> Response:
        scheme = request.cookies.get("arcdrift-scheme", "light")
        response = Response(
            sign_in_page(crew_name(), scheme=scheme, **parts), status, mimetype="text/html"
        )
        response.headers["Cache-Control"] = "no-store"
        return response

    @server.get(SIGN_IN)
    @for_role(ANYBODY)
    def show_sign_in() -> AnyResponse:
        wanted = own_address(request.args.get("next", ""))
        return page(wanted=wanted) if current_user() is None else redirect(wanted)

    @server.post(SIGN_IN)
    @for_role(ANYBODY)
    def sign_in() -> AnyResponse:
        request.max_content_length = MOST_FORM_BYTES
        name = request.form.get("name", "")[:MOST_NAME_CHARACTERS]
        password = request.form.get("password", "")[: MOST_CHARACTERS + 1]
        wanted = own_address(request.form.get("next", ""))
        key, address = name_key(name), request.remote_addr or ""
        wait = limits.begin(key, address)
        if wait:
            log.warning("sign-in refused, too many attempts: %r from %s", name, address)
            minutes = ceil(wait / 60)
            words = f"Too many wrong passwords. Try again in {minutes} min."
            response = page(429, wanted=wanted, name=name, message=words)
            response.headers["Retry-After"] = str(ceil(wait))
            return response
        account = find_user(engine, name)
        with comparing:
            matches = password_matches(password, account and account.password_hash)
        if account is None or not matches:
            log.warning("sign-in refused, wrong name or password: %r from %s", name, address)
            return page(401, wanted=wanted, name=name, message=WRONG)
        limits.succeeded(key, address)
        sessions.begin(account)
        log.info("signed in: %r from %s", account.name, address)
        return redirect(wanted, 303)

    @server.post(SIGN_OUT)
    @for_role(ANYBODY)
    def sign_out() -> AnyResponse:
        user = current_user()
        sessions.end()
        if user is not None:
            log.info("signed out: %r", user.name)
        response = redirect(SIGN_IN, 303)
        # also what the service worker kept for the road
        response.headers["Clear-Site-Data"] = '"cache", "storage"'
        return response


def own_address(wanted: str) -> str:
    """Return an address to go to after the sign-in: within this server, or else the first page."""
    within = wanted.startswith("/") and not wanted.startswith(("//", "/\\"))
    if not within or len(wanted) > 2000 or not wanted.isprintable() or "\\" in wanted:
        return "/"
    return "/" if wanted.startswith((SIGN_IN, SIGN_OUT)) else wanted
