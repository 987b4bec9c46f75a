"""The least role that opens each page and downloads its tables."""

from arcdrift.people import Role, Viewer

LEAST_ROLES: dict[str, Role] = {
    "/": "technician",
    "/week": "technician",
    "/upkeep": "technician",
    "/cases": "technician",
    "/cases/revisit": "technician",
    "/cases/*": "technician",
    "/loss": "technician",
    "/splicer": "technician",
    "/checks": "technician",
    "/coaching": "technician",
    "/person": "technician",
    "/records": "technician",
    "/budget": "trainer",
}
"""By address; a page that is not listed is a lead's.

What a technician may open shows figures about no other person: `dashboard.reading` drops them.
"""


def may_open(viewer: Viewer, path: str) -> bool:
    """Whether a viewer may open a page and download its tables."""
    return viewer.has_role(LEAST_ROLES.get(path, "lead"))
