"""Which splicer a visitor called theirs on this device.

The name is kept in a cookie, percent-encoded, because a splicer may have any name. The server and
`assets/arcdrift.js` both set it.
"""

from urllib.parse import quote, unquote

from flask import has_request_context, request

from dashboard.reading.data import CrewData

COOKIE = "arcdrift-splicer"
COOKIE_SECONDS = 400 * 24 * 3600


def cookie_value(splicer: str) -> str:
    """Return a splicer's name as it is kept in the cookie."""
    return quote(splicer, safe="")


def my_splicer(data: CrewData) -> str | None:
    """Return the visitor's splicer: as chosen on this device, else where they worked last.

    None where neither is known, or the splicer is on record no longer.
    """
    mine = unquote(request.cookies.get(COOKIE, "")) if has_request_context() else ""
    splicer = mine or last_splicer(data)
    return splicer if splicer in data.splicers() else None


def last_splicer(data: CrewData) -> str | None:
    """Return the splicer that a technician worked on last; None for others and newcomers."""
    technician = data.viewer.technician
    if technician is None or data.run() is None:
        return None
    worked = data.worked_by(data.people.shown(technician)).sort_values("day")
    return None if worked.empty else str(worked["splicer"].iloc[-1])
