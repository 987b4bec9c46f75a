"""Findings: what an analysis found that a person should look at, and their JSON."""

import hashlib
from dataclasses import asdict, dataclass, field
from datetime import datetime
from typing import Any, Literal

Severity = Literal["note", "watch", "act"]

KINDS: dict[str, str] = {
    "check-missed": "Daily arc check missed",
    "check-late": "Daily arc check late",
    "check-failed": "Arc check failed",
    "check-doubtful": "Arc check doubtful",
    "arc-step": "Arc setting jumped",
    "arc-drift": "Arc setting is drifting",
    "electrodes-worn": "Electrodes near their limit",
    "electrodes-early": "Electrodes replaced early",
    "electrodes-late": "Electrodes replaced late",
    "replacement-not-logged": "Replacement not logged",
    "conditions-moved": "Air changed since the check",
    "loss-raised": "Loss has risen",
    "loss-lowered": "Loss has fallen",
    "loss-scattered": "Loss scatters more",
    "loss-dirty": "More dirty splices",
    "first-time-lowered": "Fewer places right first time",
    "errors-raised": "More errors",
    "loss-over-limit": "Loss over the limit",
    "cleave-raised": "Cleave angles have risen",
    "cleave-run": "Run of bad cleaves",
    "cleave-uneven": "One side cleaves worse",
    "prep-inconsistent": "Preparation is uneven",
    "program-unexpected": "Unexpected program",
    "service-due": "Service due",
    "estimate-optimistic": "Estimated loss is optimistic",
    "clock-wrong": "Splicer clock is wrong",
    "readings-gap": "Air readings missing",
}
FORMER_KINDS = {"redo-raised": "first-time-lowered"}
"""Kinds that had another name: splices made again were counted, and are places now."""
NO_CAUSE = "cannot tell"
"""Cause that stands for chance, in the list of likely ones."""
SEVERITY_ORDER: dict[str, int] = {"act": 0, "watch": 1, "note": 2}


@dataclass(frozen=True)
class Onset:
    """When the change began: best estimate and the range it may lie in (UTC)."""

    estimate: datetime
    earliest: datetime | None = None
    latest: datetime | None = None


@dataclass(frozen=True)
class Cause:
    """A likely cause, why it is likely, and its weight from 0 to 1 among the causes listed."""

    cause: str
    why: str
    weight: float


@dataclass(frozen=True)
class Finding:
    """One thing that a person should look at.

    Attributes
    ----------
    kind : str
        One of `KINDS`.
    subject_type, subject_id : str
        Kind and name of the subject; kinds are ``splicer``, ``stream`` (named ``splicer /
        program``), ``site``, ``crew`` ...
    since, until : datetime
        First and latest evidence, UTC. A repeated alarm moves ``until``; it is no new finding.
    evidence : dict
        Numbers; the key carries the unit (``loss_db``, ``days``).
    case_id : str or None
        The case that it is evidence of; None where single splices are to be revisited instead.
    """

    kind: str
    subject_type: str
    subject_id: str
    since: datetime
    until: datetime
    severity: Severity
    evidence: dict[str, Any]
    next_step: str
    assessed_on: datetime
    onset: Onset | None = None
    likely_causes: tuple[Cause, ...] = ()
    case_id: str | None = None
    import_ids: tuple[int, ...] = ()
    summary: str = field(default="")

    def __post_init__(self) -> None:
        """Refuse a kind that is not in `KINDS`."""
        if self.kind not in KINDS:
            raise ValueError(f"unknown finding kind {self.kind!r}")

    @property
    def id(self) -> str:
        """Identifier, the same in every analysis while kind, subject and first evidence are."""
        key = f"{self.kind}|{self.subject_type}|{self.subject_id}|{self.since.isoformat()}"
        return hashlib.sha256(key.encode()).hexdigest()[:12]

    def to_json(self) -> dict[str, Any]:
        """Return the JSON object that scripts may rely on."""

        def stamp(value: datetime | None) -> str | None:
            return None if value is None else value.isoformat().replace("+00:00", "Z")

        onset = self.onset
        return {
            "id": self.id,
            "kind": self.kind,
            "subject": {"type": self.subject_type, "id": self.subject_id},
            "since": stamp(self.since),
            "until": stamp(self.until),
            "onset": None
            if onset is None
            else {
                "estimate": stamp(onset.estimate),
                "earliest": stamp(onset.earliest),
                "latest": stamp(onset.latest),
            },
            "severity": self.severity,
            "summary": self.summary,
            "evidence": self.evidence,
            "likely_causes": [asdict(cause) for cause in self.likely_causes],
            "next_step": self.next_step,
            "assessed_on": stamp(self.assessed_on),
            "case_id": self.case_id,
            "import_ids": list(self.import_ids),
        }
