"""Titles and chart addresses of subjects: streams, splicers, people, sites and the crew."""

from collections.abc import Mapping
from typing import Any

from dashboard.url_query import href

MEASURES: dict[str, dict[str, str]] = {
    "level": {"up": "Loss has risen", "down": "Loss has fallen"},
    "spread": {"up": "Losses scatter more"},
    "dirty": {"up": "More dirty splices"},
    "redo": {"up": "More splices made again"},
    "arc": {"up": "Arc setting drifts up", "down": "Arc setting drifts down"},
    "doubtful": {"up": "Arc check doubtful", "down": "Arc check doubtful"},
    "cleave": {"up": "Cleave angles have risen"},
}
TITLES = {
    "level": "Loss",
    "spread": "Scatter of losses",
    "dirty": "Dirty splices",
    "redo": "Splices made again",
}
MEASURE_OF_KIND = {
    "loss-raised": "level",
    "loss-lowered": "level",
    "loss-scattered": "spread",
    "loss-dirty": "dirty",
    "redo-raised": "redo",
}

CHARTED = ("stream", "splicer", "technician", "site", "crew")
"""Types of subjects that have charts; findings may also be about a cleaver or a program."""


def subject_title(kind: str, name: str) -> str:
    """Return the title of a subject: its name, and what its chart includes."""
    if kind == "crew":
        return "The whole crew"
    extra = {"splicer": "all programs", "site": "all splicers"}.get(kind)
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
