"""Who makes the present request, and whom they may see."""

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
    if not user.is_authenticated:
        return None
    found: SignedInUser = user._get_current_object()
    return found


def current_viewer() -> Viewer:
    """Return who sees the answer to this request: a lead where nobody needs to sign in.

    Raises
    ------
    PermissionError
        Where somebody needs to and has not; every route but a few refuses them before.
    """
    user = current_user()
    if user is not None:
        return user.viewer
    if has_request_context() and hasattr(current_app, "login_manager"):
        raise PermissionError("nobody is signed in")
    return LOCAL
