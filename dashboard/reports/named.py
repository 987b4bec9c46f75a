"""Whom or what a report is about, as its address names it."""

from arcdrift.errors import UsageError
from dashboard.components import View
from dashboard.url_query import shown


def asked_splicer(view: View) -> str:
    """Return the splicer in the address.

    Raises
    ------
    UsageError
        Where none is named, or none has that name.
    """
    splicer = view.query.get("splicer", "")
    if splicer not in view.data.splicers():
        raise UsageError(
            f"No splicer is called {shown(splicer)}." if splicer else "Say which splicer is meant."
        )
    return splicer
