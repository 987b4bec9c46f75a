"""What became of an imported file."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from arcdrift.intake.schema.problems import Balance, ProblemGroup

Progress = Callable[[int, int], None]
"""Called with the rows done and the rows of the file."""


@dataclass(frozen=True)
class ImportReport:
    """What became of a file.

    Attributes
    ----------
    file, kind : str
        Name of the file and its kind.
    import_id : int
        For tracing and undoing.
    balance : Balance
        Where every line and row went.
    seconds : float
        Duration.
    problems : tuple of ProblemGroup
        What is wrong with the rows that were quarantined now, the commonest first.
    mended : int
        Rows quarantined by earlier imports that this file brings corrected.
    """

    file: str
    kind: str
    import_id: int
    balance: Balance
    seconds: float
    problems: tuple[ProblemGroup, ...] = ()
    mended: int = 0

    def to_json(self) -> dict[str, Any]:
        """Return the JSON shape scripts may rely on."""
        went = self.balance
        return {
            "file": self.file,
            "kind": self.kind,
            "import_id": self.import_id,
            "lines": went.lines,
            "skipped": went.skipped,
            "rows": went.rows,
            "accepted": went.accepted,
            "already_stored": went.already_stored,
            "conflicting": went.conflicting,
            "quarantined": went.quarantined,
            "seconds": round(self.seconds, 3),
        }
