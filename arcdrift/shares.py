"""How a crew's false-alarm budget is divided among its charts, in files of any version."""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from pydantic import BaseModel, ConfigDict, Field, model_validator

SHARES_TOLERANCE = 0.005
"""How far the sum of the shares may be from 1, as they are written with few digits."""


class Shares(BaseModel):
    """How the false-alarm budget is divided among the charts; the shares must add to 1."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    loss_raised: float = Field(0.40, gt=0, lt=1)
    """Daily level of a stream, upward."""
    loss_lowered: float = Field(0.04, gt=0, lt=1)
    """The same, downward: better than before, reported as a note; nothing is lost if it is late."""
    rolled_up: float = Field(0.10, gt=0, lt=1)
    """Daily level of a splicer, technician, site or the crew, upward."""
    scattered: float = Field(0.04, gt=0, lt=1)
    """Spread within a day of a stream, splicer, technician, site or the crew."""
    dirty: float = Field(0.06, gt=0, lt=1)
    """Share of dirty splices of a stream, splicer, technician, site or the crew."""
    first_time: float = Field(0.04, gt=0, lt=1)
    """Share of places not right first time, of a stream, splicer, technician, program, way of
    holding the fibers, site or the crew."""
    errors: float = Field(0.02, gt=0, lt=1)
    """Errors per attempt, of all these."""
    arc: float = Field(0.22, gt=0, lt=1)
    """Drift of a splicer's arc setting."""
    doubtful: float = Field(0.03, gt=0, lt=1)
    """Single arc checks that the next one does not confirm."""
    cleave: float = Field(0.05, gt=0, lt=1)
    """Cleave angles of a cleaver (or splicer, where no cleaver is logged) or technician, upward."""

    @model_validator(mode="after")
    def _add_to_one(self) -> "Shares":
        shares = self.model_dump()
        if not _whole(shares):
            raise ValueError(f"the shares must add to 1, not to {sum(shares.values()):g}")
        return self


class FormerVersion(NamedTuple):
    """Shares of an earlier version: which it did not have, and defaults where they differed."""

    lacking: tuple[str, ...]
    defaults: Mapping[str, float]


FORMER_VERSIONS = (
    FormerVersion(("errors",), {"loss_lowered": 0.05, "scattered": 0.05}),
    FormerVersion(
        ("doubtful", "cleave", "errors"), {"loss_lowered": 0.10, "scattered": 0.05, "arc": 0.25}
    ),
)
"""The latest first."""
FORMER_NAMES = {"redo": "first_time"}
"""Shares that had another name: splices made again were counted, and are places now."""


def with_added_shares(given: dict[str, Any]) -> tuple[dict[str, Any], tuple[str, ...]]:
    """Shares as they were written, by their present names and completed if from an earlier version.

    Returns
    -------
    shares : dict
        The same; or, where they add to 1 without the shares that an earlier version lacked, all of
        them scaled to make room.
    added : tuple of str
        Those shares, where they were scaled.
    """
    given = {
        FORMER_NAMES[name]
        if name in FORMER_NAMES and FORMER_NAMES[name] not in given
        else name: share
        for name, share in given.items()
    }
    present = Shares().model_dump() | given
    if not all(isinstance(share, (int, float)) for share in present.values()) or _whole(present):
        return given, ()
    for version in FORMER_VERSIONS:
        former = {
            name: given.get(name, version.defaults.get(name, field.default))
            for name, field in Shares.model_fields.items()
            if name not in version.lacking
        }
        if given.keys() <= former.keys() and _whole(former):
            room = 1.0 - sum(Shares.model_fields[name].default for name in version.lacking)
            scaled = {name: round(room * share, 6) for name, share in former.items()}
            return scaled, version.lacking
    return given, ()


ADDED_WORDS = {
    "doubtful": "doubtful arc checks", "cleave": "cleave angles", "errors": "splicers' errors",
}  # fmt: skip


def added_notice(added: Sequence[str], file: str) -> str:
    """Say that shares were added to those in a file, and how.

    Parameters
    ----------
    added : sequence of str
        Keys of `ADDED_WORDS`.
    """
    new = [100 * Shares.model_fields[name].default for name in added]
    words = _listed([ADDED_WORDS[name] for name in added])
    return (
        f"The [shares] in {file} say nothing of {words}, which give alarms too. They get "
        f"{_listed([f'{share:.0f} %' for share in new])} of the budget now, and every other share "
        f"is {sum(new):.0f} % smaller, so that all together keep to the budget. Saving on the "
        "Alarm budget page writes the new shares into the file."
    )


def _listed(texts: Sequence[str]) -> str:
    """Texts as "a", "a and b" or "a, b and c"."""
    return " and ".join([part for part in (", ".join(texts[:-1]), texts[-1]) if part])


def _whole(shares: Mapping[str, float]) -> bool:
    return abs(sum(shares.values()) - 1.0) <= SHARES_TOLERANCE
