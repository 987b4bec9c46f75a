"""Titles and chart addresses of subjects: streams, splicers, people, programs, sites, the crew."""

from collections.abc import Mapping
from typing import Any

from arcdrift.wording import holding_text
from dashboard.url_query import href

MEASURES: dict[str, dict[str, str]] = {
    "level": {"up": "Loss has risen", "down": "Loss has fallen"},
    "spread": {"up": "Losses scatter more"},
    "dirty": {"up": "More dirty splices"},
    "first_time": {"up": "Fewer places right first time"},
    "errors": {"up": "More errors"},
    "arc": {"up": "Arc setting drifts up", "down": "Arc setting drifts down"},
    "doubtful": {"up": "Arc check doubtful", "down": "Arc check doubtful"},
    "cleave": {"up": "Cleave angles have risen"},
}
TITLES = {
    "level": "Loss",
    "spread": "Scatter of losses",
    "dirty": "Dirty splices",
    "first_time": "Not right first time",
    "errors": "Errors per attempt",
}
MEASURE_OF_KIND = {
    "loss-raised": "level",
    "loss-lowered": "level",
    "loss-scattered": "spread",
    "loss-dirty": "dirty",
    "first-time-lowered": "first_time",
    "errors-raised": "errors",
}
FORMER_MEASURES = {"redo": "first_time"}
"""Charts that addresses had another name for."""

CHARTED = ("stream", "splicer", "technician", "site", "crew")
"""Types of subjects that have charts of loss; findings may also be about a cleaver or others."""
OF_ATTEMPTS = ("program", "holding")
"""Types of subjects that have charts of attempts alone: of first time right and of errors."""
SHARES_OF_ATTEMPTS = ("first_time", "errors")
PARTS = {
    "splicer": "all programs", "site": "all splicers", "program": "all splicers",
    "holding": "all splicers",
}  # fmt: skip


def subject_title(kind: str, name: str) -> str:
    """Return the title of a subject: its name, and what its chart includes."""
    if kind == "crew":
        return "The whole crew"
    name = holding_text(name) if kind == "holding" else name
    extra = PARTS.get(kind)
    return f"{name}, {extra}" if extra else name


def chart_address(alarm: Mapping[Any, Any]) -> str:
    """Return the address of an alarm's chart: ``measure``, ``subject_type``, ``subject_id``."""
    kind, name = str(alarm["subject_type"]), str(alarm["subject_id"])
    if alarm["measure"] in ("arc", "doubtful"):
        return href("/splicer", splicer=name)
    if alarm["measure"] == "cleave":
        return href("/person", technician=name) if kind == "technician" else href("/coaching")
    if kind == "stream" and alarm["measure"] == "level":
        splicer, _, program = name.partition(" / ")
        return href("/loss", splicer=splicer, program=program)
    return href("/loss", subject=f"{kind}:{name}", measure=alarm["measure"])
