"""Cause and subject of each finding: findings that share both are one case."""

import re

from arcdrift.case import Key
from arcdrift.finding import Cause, Finding

CAUSES: dict[str, str] = {
    "arc": "the arc: electrodes, their holder or the v-grooves",
    "loss": "the splices: dust, lenses, electrodes, fiber or the way they are made",
    "cleave": "the cleaver: its blade, holder or clamp",
    "hand": "the hand: how fiber is prepared",
    "checks": "daily checks missed or late",
    "failed-check": "splices made after a failed check",
    "doubtful-check": "a doubtful check",
    "electrodes": "the age of the electrodes",
    "service": "service due",
    "clock": "the splicer's clock",
    "readings": "air readings",
    "program": "the program in use",
    "estimate": "the splicer's own estimate of loss",
    "air": "today's air",
    "better": "better than before",
}
"""Causes by key, in words."""
CAUSE_OF_KIND: dict[str, str] = {
    "check-missed": "checks",
    "check-late": "checks",
    "check-failed": "failed-check",
    "check-doubtful": "doubtful-check",
    "arc-step": "arc",
    "arc-drift": "arc",
    "electrodes-worn": "electrodes",
    "electrodes-early": "electrodes",
    "electrodes-late": "electrodes",
    "replacement-not-logged": "electrodes",
    "conditions-moved": "air",
    "loss-raised": "loss",
    "loss-lowered": "better",
    "loss-scattered": "loss",
    "loss-dirty": "loss",
    "first-time-lowered": "loss",
    "errors-raised": "loss",
    "loss-over-limit": "loss",
    "cleave-raised": "cleave",
    "cleave-run": "cleave",
    "cleave-uneven": "cleave",
    "prep-inconsistent": "hand",
    "program-unexpected": "program",
    "service-due": "service",
    "estimate-optimistic": "estimate",
    "clock-wrong": "clock",
    "readings-gap": "readings",
}
ARC_CAUSES = ("arc:", "worn electrodes")
"""How the likely causes of a risen loss begin that speak of the arc."""
CLEAVER_CAUSE = "cleaving:"
"""How those begin that speak of a cleaver."""
LEADING = 0.5
"""Weight from which the first of the likely causes decides."""
_NAMED = re.compile(r"(?:one technician's splices|a change of hands|the hand): (?P<name>.+)")


def cause_text(cause: str) -> str:
    """A cause in words."""
    return CAUSES[cause.split(":")[0]]


def is_revisit_finding(finding: Finding) -> bool:
    """Whether a finding is about single splices over the limit, which are a list of their own."""
    return finding.kind == "loss-over-limit" and "single_limit_db" in finding.evidence


def leading_cause(finding: Finding) -> Cause | None:
    """The first of the likely causes, if it outweighs all others together."""
    causes = finding.likely_causes
    return causes[0] if causes and causes[0].weight >= LEADING else None


def case_key(finding: Finding) -> Key:
    """Cause and subject of a finding; those of a stream are those of its splicer.

    A rise of loss that is one person's, or of the hands that took over, is told of that person.
    """
    cause = CAUSE_OF_KIND[finding.kind]
    if cause == "service":
        cause = f"{cause}: {finding.evidence['service']}"
    subject_type, subject = finding.subject_type, finding.subject_id
    if subject_type == "stream":
        subject_type, subject = "splicer", subject.split(" / ")[0]
    leading = leading_cause(finding)
    named = None if leading is None else _NAMED.fullmatch(leading.cause)
    if cause in ("loss", "cleave") and named is not None:
        return "hand", "technician", named["name"]
    if cause in ("loss", "cleave", "hand") and subject_type == "technician":
        return "hand", "technician", subject
    if cause == "loss" and subject_type == "cleaver":
        return "cleave", "cleaver", subject
    return cause, subject_type, subject


def speaks_of_arc(finding: Finding) -> bool:
    """Whether the first likely cause of a finding is the arc or the electrodes."""
    leading = leading_cause(finding)
    return leading is not None and leading.cause.startswith(ARC_CAUSES)


def speaks_of_cleaver(finding: Finding) -> bool:
    """Whether the first likely cause of a finding is a cleaver."""
    leading = leading_cause(finding)
    return leading is not None and leading.cause.startswith(CLEAVER_CAUSE)
