"""Sign-ins: begun with a password, kept in a signed cookie, ended by time or by somebody.

The cookie says who signed in, when, and when they were last seen. Each request looks the user up
in the store, so that a new password or the user's removal ends the sign-in at once; signing out
ends it on the server, too, so that a copy of the cookie is worth nothing.
"""

import logging
import secrets
import time
from datetime import UTC, datetime, timedelta
from threading import Lock

import flask_login
from flask import Flask, session
from sqlalchemy import Engine

from arcdrift.errors import StoreTrouble
from arcdrift.settings import Access
from arcdrift.store.accounts.ended_sign_ins import end_sign_ins
from arcdrift.store.accounts.user_accounts import UserAccount, signed_in_user
from dashboard.access.current_user import SignedInUser
from dashboard.access.served_address import ServedAddress

_SEEN_STEP_SECONDS = 60
log = logging.getLogger("arcdrift.access")


class Sessions:
    """The sign-ins of one dashboard, to which it adds what `flask_login` needs."""

    def __init__(
        self, server: Flask, engine: Engine, address: ServedAddress, key: bytes, times: Access
    ) -> None:
        self._engine = engine
        self._idle = timedelta(hours=times.idle_hours)
        self._longest = timedelta(days=times.longest_days)
        self._ended: dict[str, datetime] = {}  # also those that the store could not take yet
        self._unsaved: set[str] = set()
        self._lock = Lock()
        server.secret_key = key
        server.config.update(
            # a browser takes a cookie of this prefix only from this host, and only through TLS
            SESSION_COOKIE_NAME="__Host-arcdrift" if address.is_https else "arcdrift",
            SESSION_COOKIE_SECURE=address.is_https,
            SESSION_COOKIE_HTTPONLY=True,
            SESSION_COOKIE_SAMESITE="Lax",
            SESSION_COOKIE_PATH="/",
            SESSION_REFRESH_EACH_REQUEST=False,
            PERMANENT_SESSION_LIFETIME=self._longest,
        )
        manager = flask_login.LoginManager()
        manager.session_protection = None  # a phone changes its address while it drives
        manager.init_app(server)
        manager.user_loader(self._user)

    def begin(self, account: UserAccount) -> None:
        """Sign a user in, in a session that is new: what was in the old one is dropped."""
        session.clear()
        flask_login.login_user(SignedInUser(account))
        session.permanent = True
        now = int(time.time())
        session.update(sign_in=secrets.token_urlsafe(32), started=now, seen=now)

    def note_seen(self) -> None:
        """Note that the user is there; at most once a minute, since it sets the cookie anew."""
        now = int(time.time())
        if now - session.get("seen", now) >= _SEEN_STEP_SECONDS:
            session["seen"] = now

    def end(self) -> None:
        """Sign the user of this request out, for good: the cookie no longer counts anywhere."""
        sign_in = session.get("sign_in")
        if isinstance(sign_in, str):
            with self._lock:
                self._ended[sign_in] = datetime.now(UTC) + self._longest
                self._unsaved.add(sign_in)
            self.save_ended()
        flask_login.logout_user()
        session.clear()

    def save_ended(self) -> None:
        """Write ended sign-ins to the store, for after a restart; those it cannot take are kept."""
        now = datetime.now(UTC)
        with self._lock:
            self._ended = {key: last for key, last in self._ended.items() if last > now}
            self._unsaved &= self._ended.keys()
            unsaved = {key: self._ended[key] for key in self._unsaved}
        if not unsaved:
            return
        try:
            end_sign_ins(self._engine, unsaved)
        except StoreTrouble as problem:  # an import writes; the next one who signs out tries again
            log.warning("ended sign-ins are kept in memory for now: %s", problem)
            return
        with self._lock:
            self._unsaved -= unsaved.keys()

    def _user(self, session_key: str) -> SignedInUser | None:
        sign_in, started, seen = (session.get(name) for name in ("sign_in", "started", "seen"))
        if not (isinstance(sign_in, str) and isinstance(started, int) and isinstance(seen, int)):
            return None
        now = time.time()
        if now - started > self._longest.total_seconds():
            return None
        if now - seen > self._idle.total_seconds():
            return None
        if sign_in in self._ended:
            return None
        account = signed_in_user(self._engine, session_key, sign_in)
        return None if account is None else SignedInUser(account)
