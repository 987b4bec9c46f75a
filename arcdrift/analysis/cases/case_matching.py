"""Finds the kept case of each group of findings, so that a case has one id for ever."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from hashlib import sha256

from arcdrift.analysis.cases.case_groups import CaseGroup, comes_back_within
from arcdrift.case import KeptCase, Key


@dataclass(frozen=True)
class MatchedCase:
    """A group of findings with the id of its case.

    Attributes
    ----------
    kept : KeptCase
        What is to be kept of it from now on.
    absorbed : tuple of str
        Ids of kept cases that turned out to be the same one.
    """

    group: CaseGroup
    kept: KeptCase
    absorbed: tuple[str, ...] = ()


def match_cases(groups: Sequence[CaseGroup], kept: Sequence[KeptCase]) -> list[MatchedCase]:
    """Match groups of findings to kept cases by cause, subject and overlap in time.

    Each kept case goes to the group of one of its causes and subjects that it overlaps most, or is
    nearest to within the time in which a fault that comes back is the same case. A group to which
    several go keeps the id of the one that a person spoke about, or else of the first seen. A
    group to which none goes gets a new id.

    Returns
    -------
    list of MatchedCase
        One a group, in their order; all ids differ.
    """
    by_key: dict[Key, list[int]] = defaultdict(list)
    for place, group in enumerate(groups):
        for key in group.keys:
            by_key[key].append(place)
    own: dict[int, list[KeptCase]] = defaultdict(list)
    for case in kept:
        places = sorted({place for key in case.keys for place in by_key.get(key, ())})
        near = [
            (_apart(case, groups[place]), place)
            for place in places
            if _apart(case, groups[place]) <= comes_back_within(groups[place].key[0])
        ]
        if near:
            own[min(near)[1]].append(case)
    taken = {case.id for case in kept}
    matched = []
    for place, group in enumerate(groups):
        cases = sorted(own[place], key=lambda case: (not case.spoken, case.first_seen, case.id))
        if cases:
            first = cases[0]
            keys = tuple(dict.fromkeys([*first.keys, *group.keys]))
            case = KeptCase(
                first.id, keys, group.began, group.until, first.first_seen, first.spoken,
                first.title,
            )  # fmt: skip
        else:
            new = new_id(group.key, group.began, taken)
            case = KeptCase(new, group.keys, group.began, group.until, group.seen)
        taken.add(case.id)
        absorbed = tuple(sorted(other.id for other in cases[1:]))
        matched.append(MatchedCase(group, case, absorbed))
    return matched


def new_id(key: Key, began: datetime, taken: set[str]) -> str:
    """Id of a case that was never seen before; the same for the same records in a new store."""
    text = "|".join([*key, began.isoformat()])
    found = sha256(text.encode()).hexdigest()[:12]
    while found in taken:
        text += "+"
        found = sha256(text.encode()).hexdigest()[:12]
    return found


def _apart(case: KeptCase, group: CaseGroup) -> timedelta:
    """Time between a kept case and a group, negative by their overlap."""
    return max(case.began, group.began) - min(case.until, group.until)
