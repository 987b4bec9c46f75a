"""What a reader was told, so that the next message tells what is new and nothing is lost.

Times alone cannot tell that: a log that is imported late brings a check of last week that nobody
was told of, and a case closes itself on a day before the analysis that saw it.
"""

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

LOOKS_BACK_DAYS = 62
"""Days for which single checks and splices are remembered; older ones that are added are old."""
SETTLED = ("cured", "better", "no-change", "worse")
"""Results that say something; `arcdrift.analysis.cases.outcome` has all."""


@dataclass(frozen=True)
class CaseMark:
    """Where a case stood.

    Attributes
    ----------
    result : str
        Result of the last action, empty while there is none to tell.
    said, acted, showed : int
        Number of statements of people, of actions, and of stretches of time in which it showed.
    """

    state: str
    result: str = ""
    said: int = 0
    acted: int = 0
    showed: int = 1


@dataclass(frozen=True)
class Told:
    """What a reader was told, by the last message that reached them.

    Attributes
    ----------
    at : datetime
        The instant it spoke of (UTC).
    cases : mapping of CaseMark
        By id.
    checks : frozenset of tuple
        Day, splicer and status of checks that were not in time.
    splices : frozenset of str
        `splice_mark` of the splices to revisit.
    since_day : date
        First day for which `checks` and `splices` are remembered.
    data_old : bool
        Whether they were told that the records are old.
    """

    at: datetime
    since_day: date
    cases: Mapping[str, CaseMark] = field(default_factory=dict)
    checks: frozenset[tuple[str, str, str]] = frozenset()
    splices: frozenset[str] = frozenset()
    data_old: bool = False

    def to_json(self) -> str:
        """Return it as the store keeps it."""
        return json.dumps(
            {
                "at": self.at.isoformat(),
                "since_day": self.since_day.isoformat(),
                "cases": {
                    name: [mark.state, mark.result, mark.said, mark.acted, mark.showed]
                    for name, mark in self.cases.items()
                },
                "checks": sorted(self.checks),
                "splices": sorted(self.splices),
                "data_old": self.data_old,
            },
            separators=(",", ":"),
        )

    @classmethod
    def from_json(cls, text: str) -> "Told":
        """Read it as the store keeps it."""
        document = json.loads(text)
        return cls(
            at=datetime.fromisoformat(document["at"]),
            since_day=date.fromisoformat(document["since_day"]),
            cases={name: CaseMark(*values) for name, values in document["cases"].items()},
            checks=frozenset(
                (str(day), str(splicer), str(status)) for day, splicer, status in document["checks"]
            ),
            splices=frozenset(document["splices"]),
            data_old=bool(document["data_old"]),
        )


def case_mark(case: Mapping[str, Any]) -> CaseMark:
    """Where a case stands now."""
    verdict = "" if case["result"] is None else str(case["result"]["verdict"])
    return CaseMark(
        state=str(case["state"]),
        result=verdict if verdict in SETTLED else "",
        said=int(case["version"]),
        acted=len(case["actions"]),
        showed=sum(row["what"] in ("seen", "came-back") for row in case["history"]),
    )


def known_mark(case: Mapping[str, Any], known: Mapping[str, CaseMark]) -> CaseMark | None:
    """Where a case stood, under its id or one that it has absorbed; None if it was not told."""
    names: Iterable[str] = (case["id"], *case["absorbed"])
    return next((known[name] for name in names if name in known), None)


def splice_mark(row: Mapping[str, Any]) -> str:
    """Short text by which a splice is known, whatever number a repeated import gives it."""
    parts = (row["splicer"], row["spliced_at"].isoformat(), row["location"], repr(row["loss_db"]))
    return hashlib.blake2b("\0".join(map(str, parts)).encode(), digest_size=6).hexdigest()
