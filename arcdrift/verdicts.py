"""The verdicts on a splicer's arc: code, words, mark, shape, color role and sentence of each.

Pages, tiles, commands and JSON look them up here, so that a verdict reads the same everywhere.
`arcdrift.analysis.advice.verdict_decision` decides which one holds.
"""

from dataclasses import dataclass
from typing import Literal

VerdictCode = Literal["run-check", "recalibrate", "inspect", "keep-working", "cannot-tell"]
ColorRole = Literal["info", "bad", "warn", "good", "idle"]
Shape = Literal["diamond", "octagon", "square", "circle", "ring"]


@dataclass(frozen=True)
class Verdict:
    """One verdict on a splicer's arc.

    Attributes
    ----------
    code : str
        In JSON, in addresses and in class names of the style sheet.
    words : str
        What people read, everywhere the same.
    short : str
        The same in two words, for a tile.
    mark : str
        One character beside the words; no two verdicts share one.
    shape : str
        Outline of the mark on a page, so that it differs without its color, too.
    color_role : str
        Pair of colors of the style sheet (``--bad-bg``, ``--bad-ink``).
    sentence : str
        What to do, in one sentence.
    terminal_style : str
        Style of the words in a terminal, for the rich library.
    stops_work : bool
        Whether the splicer should make no further splice before something is done.
    """

    code: VerdictCode
    words: str
    short: str
    mark: str
    shape: Shape
    color_role: ColorRole
    sentence: str
    terminal_style: str
    stops_work: bool


VERDICTS: dict[VerdictCode, Verdict] = {
    verdict.code: verdict
    for verdict in (
        Verdict(
            "run-check", "Run the daily check", "Check first", "►", "diamond", "info",
            "Run the daily arc check before the next splice.", "bold blue", stops_work=True,
        ),
        Verdict(
            "recalibrate", "Recalibrate", "Recalibrate now", "!", "octagon", "bad",
            "Run the arc check again before the next splice: the setting in force no longer fits.",
            "bold red", stops_work=True,
        ),
        Verdict(
            "inspect", "Keep working, have it looked at", "Inspect soon", "◐", "square", "warn",
            "The setting is right, so splice on; but something else is wrong that an arc check "
            "does not mend.",
            "bold yellow", stops_work=False,
        ),
        Verdict(
            "keep-working", "Keep working", "Keep working", "✓", "circle", "good",
            "A check has passed today, and nothing on record speaks against splicing on.",
            "bold green", stops_work=False,
        ),
        Verdict(
            "cannot-tell", "Cannot tell", "Cannot tell", "?", "ring", "idle",
            "Too little is known to say whether the setting is right.", "bold", stops_work=False,
        ),
    )
}  # fmt: skip
"""Every verdict by its code, the most urgent first."""
