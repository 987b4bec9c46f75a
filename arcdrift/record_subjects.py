"""What records are about, by name: by this it is told whom a new record concerns."""

from typing import NamedTuple


class Subjects(NamedTuple):
    """Splicers and cleavers, sites and weather stations, by name."""

    assets: frozenset[str] = frozenset()
    sites: frozenset[str] = frozenset()
    stations: frozenset[str] = frozenset()

    def meets(self, others: "Subjects") -> bool:
        """Whether anything is in both."""
        return any(mine & theirs for mine, theirs in zip(self, others, strict=True))
