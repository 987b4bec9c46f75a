"""Findings grouped to cases: one cause on one subject within one stretch of time."""

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from arcdrift.analysis.cases.case_keys import (
    case_key,
    is_revisit_finding,
    speaks_of_arc,
    speaks_of_cleaver,
)
from arcdrift.case import Key
from arcdrift.finding import Finding

COMES_BACK = timedelta(days=60)
"""A fault that comes back within this time is the same case, later it is another (common practice,
no source)."""
SHORTER = {
    "service": timedelta(days=3),
    "electrodes": timedelta(days=14),
    "air": timedelta(days=1),
    "readings": timedelta(days=14),
}
"""The same for causes that come back in the ordinary course of work, where each time is a case."""
JOIN = timedelta(days=10)
"""Findings of two causes are one case if they are at most this far apart in time."""
EPISODE = timedelta(days=7)
"""Findings of a case further apart than this are episodes of it."""
Cleavers = Callable[[Finding], Iterable[str]]
"""Cleavers that were used in a finding's time with its splicer, or by its person."""


@dataclass(frozen=True)
class Episode:
    """A stretch of time in which a case showed: onset, first alarm and latest evidence (UTC)."""

    began: datetime
    seen: datetime
    until: datetime


@dataclass(frozen=True)
class CaseGroup:
    """Findings that are one case.

    Attributes
    ----------
    keys : tuple of Key
        Causes and subjects of its findings; the first is the case's own.
    findings : tuple of Finding
        In order of their onset.
    """

    keys: tuple[Key, ...]
    findings: tuple[Finding, ...]

    @property
    def key(self) -> Key:
        """Cause and subject of the case."""
        return self.keys[0]

    @property
    def began(self) -> datetime:
        """Earliest onset of its findings."""
        return onset_of(self.findings[0])

    @property
    def seen(self) -> datetime:
        """First alarm."""
        return min(finding.since for finding in self.findings)

    @property
    def until(self) -> datetime:
        """Latest evidence."""
        return max(finding.until for finding in self.findings)

    @property
    def episodes(self) -> tuple[Episode, ...]:
        """Stretches of time in which it showed, in order."""
        found: list[Episode] = []
        for finding in self.findings:
            began, seen, until = onset_of(finding), finding.since, finding.until
            if found and began - found[-1].until <= EPISODE:
                last = found[-1]
                found[-1] = Episode(last.began, min(last.seen, seen), max(last.until, until))
            else:
                found.append(Episode(began, seen, until))
        return tuple(found)


def onset_of(finding: Finding) -> datetime:
    """Estimated onset of a finding, or else its first evidence."""
    onset = finding.since if finding.onset is None else finding.onset.estimate
    return min(onset, finding.since)


def comes_back_within(cause: str) -> timedelta:
    """Time within which a cause that comes back is the same case."""
    return SHORTER.get(cause.split(":")[0], COMES_BACK)


def case_groups(findings: Iterable[Finding], cleavers: Cleavers) -> list[CaseGroup]:
    """Group findings to cases; those of single splices over the limit belong to none.

    Parameters
    ----------
    findings : iterable of Finding
    cleavers : callable
        Cleavers that were used in a finding's time.
    """
    listed = [finding for finding in findings if not is_revisit_finding(finding)]
    own = [case_key(finding) for finding in listed]
    joined = _Joining(listed, own, cleavers)
    members: dict[Key, list[tuple[Finding, Key]]] = defaultdict(list)
    for finding, key in zip(listed, own, strict=True):
        members[joined.key(finding, key)].append((finding, key))
    groups = [group for key, found in members.items() for group in _stretches(key, found)]
    return sorted(groups, key=lambda group: (group.began, group.key))


def _stretches(key: Key, members: list[tuple[Finding, Key]]) -> list[CaseGroup]:
    ordered = sorted(members, key=lambda member: (onset_of(member[0]), member[0].id))
    parts: list[list[tuple[Finding, Key]]] = []
    until = None
    for member in ordered:
        if until is None or onset_of(member[0]) - until > comes_back_within(key[0]):
            parts.append([])
            until = member[0].until
        parts[-1].append(member)
        until = max(until, member[0].until)
    return [
        CaseGroup(
            tuple(dict.fromkeys([key, *(own for _, own in part)])),
            tuple(finding for finding, _ in part),
        )
        for part in parts
    ]


class _Joining:
    """Findings whose cause is that of another finding of the same time."""

    def __init__(
        self, findings: Sequence[Finding], keys: Sequence[Key], cleavers: Cleavers
    ) -> None:
        self._cleavers = cleavers
        self._by_key: dict[Key, list[Finding]] = defaultdict(list)
        for finding, key in zip(findings, keys, strict=True):
            self._by_key[key].append(finding)

    def key(self, finding: Finding, own: Key) -> Key:
        """Cause and subject of the case that a finding belongs to."""
        cause, subject_type, subject = own
        if subject_type == "splicer":
            arc = ("arc", "splicer", subject)
            if (cause == "electrodes" or (cause == "loss" and speaks_of_arc(finding))) and (
                self._near(arc, finding)
            ):
                return arc
            if cause == "better":
                for mended in ("loss", "arc", "cleave"):
                    key = (mended, "splicer", subject)
                    if self._near(key, finding):
                        return self.key_of_rise(key, finding)
        run_alone = finding.kind == "cleave-run" and not self._other_hand_findings(finding, own)
        at_cleaver = cause == "cleave" and subject_type == "splicer"
        if at_cleaver or run_alone or (cause in ("loss", "hand") and speaks_of_cleaver(finding)):
            for cleaver in sorted(self._cleavers(finding)):
                key = ("cleave", "cleaver", cleaver)
                if self._near(key, finding):
                    return key
        return own

    def key_of_rise(self, key: Key, finding: Finding) -> Key:
        """Case of the latest rise of a key near a finding that it fell again."""
        rises = [rise for rise in self._by_key[key] if _apart(rise, finding) <= JOIN]
        return self.key(max(rises, key=onset_of), key)

    def _near(self, key: Key, finding: Finding) -> bool:
        return any(
            _apart(other, finding) <= JOIN
            for other in self._by_key.get(key, ())
            if other is not finding
        )

    def _other_hand_findings(self, finding: Finding, own: Key) -> bool:
        return any(
            other.kind != "cleave-run" and _apart(other, finding) <= JOIN
            for other in self._by_key[own]
        )


def _apart(one: Finding, other: Finding) -> timedelta:
    """Time between two findings, negative by their overlap."""
    return max(onset_of(one), onset_of(other)) - min(one.until, other.until)
