"""Names people mistype: refused with the nearest known ones."""

import difflib
from collections.abc import Iterable

from arcdrift.errors import UsageError

LISTED = 12


def require_known(name: str, known: Iterable[str], what: str) -> str:
    """Return the name when it is known.

    Raises
    ------
    UsageError
        With the nearest known names, or else with the known ones.
    """
    names = sorted(set(known))
    if name in names:
        return name
    if not names:
        raise UsageError(f"There is no {what} {name!r}; none is on record yet.")
    by_lower = {candidate.lower(): candidate for candidate in names}
    near = difflib.get_close_matches(name.lower(), by_lower, n=3, cutoff=0.6)
    if near:
        raise UsageError(
            f"There is no {what} {name!r}; did you mean {_either([by_lower[n] for n in near])}?"
        )
    more = f" and {len(names) - LISTED} more" if len(names) > LISTED else ""
    raise UsageError(f"There is no {what} {name!r}; known are {', '.join(names[:LISTED])}{more}.")


def _either(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"
