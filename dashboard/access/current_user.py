"""Who makes the present request."""

import flask_login
from flask import current_app, has_request_context

from arcdrift.people import LOCAL, Viewer
from arcdrift.store.accounts.user_accounts import UserAccount


class SignedInUser(flask_login.UserMixin):  # type: ignore[misc]  # it has no types
    """A user as the sign-in sees them."""

    def __init__(self, account: UserAccount) -> None:
        self.name = account.name
        self.viewer = Viewer(account.role, account.technician)
        self._session_key = account.session_key

    def get_id(self) -> str:
        """Return what the session keeps: it no longer counts after a password reset."""
        return self._session_key


def current_user() -> SignedInUser | None:
    """Return the user who makes this request; None where nobody needs to sign in.

    ``name`` is the name to write beside what they say; ``viewer`` says whom they may see.
    """
    if not has_request_context() or not hasattr(current_app, "login_manager"):
        return None
    user = flask_login.current_user
    if not isinstance(user, SignedInUser):
        return None
    return user


def current_viewer() -> Viewer:
    """Return whose eyes see the answer to this request; without sign-in, a lead's."""
    user = current_user()
    return LOCAL if user is None else user.viewer
