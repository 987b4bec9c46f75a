"""The report of an import."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from arcdrift.intake.schema.problems import Balance, ProblemGroup

Progress = Callable[[int, int], None]
"""Called with the rows done and the rows of the file."""


@dataclass(frozen=True)
class ImportReport:
    """Where the lines and rows of an imported file balance.

    Attributes
    ----------
    file, kind : str
        Name of the file and its kind.
    import_id : int
        For tracing and undoing.
    balance : Balance
        Where every line and row balance.
    seconds : float
        Duration.
    problems : tuple of ProblemGroup
        Problems of the rows that this import quarantined, the commonest first.
    mended : int
        Rows that earlier imports quarantined and this file brings corrected.
    left_out : tuple of int
        Numbers of the columns that have no name and were left out, counted from 1.
    still_wrong : tuple of ProblemGroup
        Problems of the rows of an export of quarantined rows that stay in the quarantine.
    joined : int
        Records of this import that somebody had written down by hand before.
    """

    file: str
    kind: str
    import_id: int
    balance: Balance
    seconds: float
    problems: tuple[ProblemGroup, ...] = ()
    mended: int = 0
    left_out: tuple[int, ...] = ()
    still_wrong: tuple[ProblemGroup, ...] = ()
    joined: int = 0

    def to_json(self) -> dict[str, Any]:
        """Return the JSON object that scripts may rely on."""
        balance = self.balance
        return {
            "file": self.file,
            "kind": self.kind,
            "import_id": self.import_id,
            "lines": balance.lines,
            "skipped": balance.skipped,
            "rows": balance.rows,
            "accepted": balance.accepted,
            "already_stored": balance.already_stored,
            "conflicting": balance.conflicting,
            "quarantined": balance.quarantined,
            "left_out": list(self.left_out),
            "seconds": round(self.seconds, 3),
        }


def columns_without_name(header: Sequence[str]) -> tuple[int, ...]:
    """Numbers of the columns without a name, counted from 1."""
    return tuple(number for number, name in enumerate(header, 1) if not name)
