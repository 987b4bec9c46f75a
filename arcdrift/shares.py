"""How a crew's false-alarm budget is divided among its charts, in files of any version."""

from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, model_validator

SHARES_TOLERANCE = 0.005
"""How far the sum of the shares may be from 1, as they are written with few digits."""


class Shares(BaseModel):
    """How the false-alarm budget is divided among the charts; the shares must add to 1."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    loss_raised: float = Field(0.40, gt=0, lt=1)
    """Daily level of a stream, upward."""
    loss_lowered: float = Field(0.05, gt=0, lt=1)
    """The same, downward: better than before, reported as a note; nothing is lost if it is late."""
    rolled_up: float = Field(0.10, gt=0, lt=1)
    """Daily level of a splicer, technician, site or the crew, upward."""
    scattered: float = Field(0.05, gt=0, lt=1)
    """Spread within a day of a stream, splicer, technician, site or the crew."""
    dirty: float = Field(0.06, gt=0, lt=1)
    """Share of dirty splices of a stream, splicer, technician, site or the crew."""
    redo: float = Field(0.04, gt=0, lt=1)
    """Share of splices made again, of a stream, splicer, technician, site or the crew."""
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


ADDED_SHARES = ("doubtful", "cleave")
"""Shares that crew.toml files of the first version do not know."""
FORMER_DEFAULTS = {"loss_lowered": 0.10, "arc": 0.25}
"""Defaults of that version, where they differ."""


def with_added_shares(given: dict[str, Any]) -> tuple[dict[str, Any], bool]:
    """Shares as they were written, completed where they are from before `ADDED_SHARES` had any.

    Returns
    -------
    shares : dict
        The same; or, where they add to 1 without the added shares, all of them scaled to make room.
    added : bool
        Whether they were scaled.
    """
    former = {
        name: given.get(name, FORMER_DEFAULTS.get(name, field.default))
        for name, field in Shares.model_fields.items()
        if name not in ADDED_SHARES
    }
    known = given.keys() <= former.keys()
    if not known or not all(isinstance(share, (int, float)) for share in former.values()):
        return given, False
    present = Shares().model_dump() | given
    if _whole(present) or not _whole(former):
        return given, False
    room = 1.0 - sum(Shares.model_fields[name].default for name in ADDED_SHARES)
    return {name: round(room * share, 6) for name, share in former.items()}, True


def _whole(shares: Mapping[str, float]) -> bool:
    return abs(sum(shares.values()) - 1.0) <= SHARES_TOLERANCE
