"""Checking a typed name against the known names, with suggestions when it is unknown."""

import difflib
from collections.abc import Iterable

from arcdrift.errors import UsageError

LISTED = 12
"""Most names that an error message lists, unless a caller asks for more."""


def require_known(name: str, known: Iterable[str], label: str, *, listed: int = LISTED) -> str:
    """Return `name` if it is among the `known` names.

    Parameters
    ----------
    label : str
        What the name is called in the error message, such as "splicer".
    listed : int
        Most known names that the message lists.

    Raises
    ------
    UsageError
        If it is not; the message lists similar names, or else the known ones.
    """
    names = sorted(set(known))
    if name in names:
        return name
    if not names:
        raise UsageError(f"There is no {label} {name!r}; none is on record yet.")
    by_lower = {candidate.lower(): candidate for candidate in names}
    near = difflib.get_close_matches(name.lower(), by_lower, n=3, cutoff=0.6)
    if near:
        suggestions = _join_with_or([by_lower[lower] for lower in near])
        raise UsageError(f"There is no {label} {name!r}; did you mean {suggestions}?")
    more = f" and {len(names) - listed} more" if len(names) > listed else ""
    raise UsageError(f"There is no {label} {name!r}; known are {', '.join(names[:listed])}{more}.")


def _join_with_or(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"
