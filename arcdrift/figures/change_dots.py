"""Changes of many splicers and programs as dots with intervals on one scale, sorted by change.

Only positions and words: a page or a report draws them, so that each row can be a link and print.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import log
from typing import Any, Literal

from arcdrift.wording import change_interval_text, change_text

TICKS = (-0.75, -0.5, -0.25, 0.0, 0.5, 1.0, 3.0)
"""Changes that may be marked on the scale."""
NARROWEST = (-0.5, 1.0)
"""The scale spans at least these changes, so that small ones look small in every week."""
WIDEST = (-0.75, 3.0)
MOST_ROWS = 14
"""Rows drawn at first; those between the largest rises and falls are folded."""
Tone = Literal["up", "down", "even"]


@dataclass(frozen=True)
class ChangeDot:
    """One row: positions are percent of the width.

    Attributes
    ----------
    splicer, program : str
        Empty for the whole crew.
    text : str
        The change with its interval, such as ``+28 (+12 to +46) %``.
    tone : str
        ``up`` or ``down`` where the change stands out, else ``even``.
    beyond : bool
        Whether the interval goes beyond the scale.
    hover : str
        Losses and counts behind it, in a sentence.
    """

    splicer: str
    program: str
    at: float
    low: float
    high: float
    text: str
    tone: Tone
    beyond: bool
    hover: str

    @property
    def name(self) -> str:
        """Splicer and program in words."""
        return f"{self.splicer}, {self.program}" if self.splicer else "The whole crew"


@dataclass(frozen=True)
class ChangeDots:
    """Rows to draw, the largest rise first.

    Attributes
    ----------
    rows : list of ChangeDot
        The whole crew first.
    folded : list of ChangeDot
        Rows between the largest rises and falls, which tell little.
    ticks : list of (position, text)
    not_compared : list of str
        Names of those with too few splices.
    """

    rows: list[ChangeDot]
    folded: list[ChangeDot]
    ticks: list[tuple[float, str]]
    not_compared: list[str]

    @property
    def zero(self) -> float:
        """Position of no change."""
        return next(position for position, text in self.ticks if text == change_text(0.0))

    @property
    def title(self) -> str:
        """What is seen, in a few words."""
        each = [row for row in [*self.rows, *self.folded] if row.splicer]
        clear = [row.name for row in each if row.tone != "even"]
        if not each:
            return "Loss against the four weeks before"
        if not clear:
            return "No splicer's loss stands out from its four weeks before"
        if len(clear) == 1:
            return f"{clear[0]}: loss stands out from its four weeks before"
        return f"Loss of {len(clear)} of {len(each)} stands out from the four weeks before"

    @property
    def folded_text(self) -> str:
        """How many are folded and between which changes."""
        first, last = self.folded[-1], self.folded[0]
        ends = [row.text.partition(" (")[0] for row in (first, last)]
        return f"The other {len(self.folded)}, between {ends[0]} % and {ends[1]} %"


def change_dots(changes: Sequence[Mapping[str, Any]]) -> ChangeDots:
    """Place the changes of a week.

    Parameters
    ----------
    changes : sequence of mapping
        Rows of ``result_week_changes``: ``splicer``, ``program``, ``change``, ``low``, ``high``
        (shares, NaN where too few splices tell), ``stands_out``, ``splices``, ``loss_db``,
        ``before_db``, ``hands_change``.
    """
    known = [row for row in changes if row["change"] == row["change"]]  # NaN is not itself
    few = [row for row in changes if row["change"] != row["change"] and row["splicer"]]
    low = max(min([NARROWEST[0], *(row["low"] for row in known)]), WIDEST[0])
    high = min(max([NARROWEST[1], *(row["high"] for row in known)]), WIDEST[1])
    bottom, width = log(1 + low), log(1 + high) - log(1 + low)

    def place(change: float) -> float:
        # equal factors are equally far apart, so that twice and half are
        share = (log(1 + max(change, -0.99)) - bottom) / width
        return round(100 * min(max(share, 0.0), 1.0), 2)

    dots = [
        ChangeDot(
            splicer=str(row["splicer"]),
            program=str(row["program"]),
            at=place(row["change"]), low=place(row["low"]), high=place(row["high"]),
            text=change_interval_text(row["change"], row["low"], row["high"]),
            tone=_tone(row),
            beyond=bool(row["low"] < low or row["high"] > high),
            hover=_hover(row),
        )
        for row in sorted(known, key=lambda row: (row["splicer"] != "", -row["change"]))
    ]  # fmt: skip
    rows, folded = _folded(dots)
    ticks = [(place(tick), change_text(tick)) for tick in TICKS if low <= tick <= high]
    names = [f"{row['splicer']}, {row['program']}" for row in few]
    return ChangeDots(rows, folded, ticks, sorted(names))


def _tone(row: Mapping[str, Any]) -> Tone:
    if not row["stands_out"]:
        return "even"
    return "up" if row["change"] > 0 else "down"


def _folded(dots: list[ChangeDot]) -> tuple[list[ChangeDot], list[ChangeDot]]:
    crew = [dot for dot in dots if not dot.splicer]
    each = [dot for dot in dots if dot.splicer]
    if len(each) <= MOST_ROWS + 2:
        return [*crew, *each], []
    half = MOST_ROWS // 2
    shown = {
        *range(half), *range(len(each) - half, len(each)),
        *(number for number, dot in enumerate(each) if dot.tone != "even"),
    }  # fmt: skip
    rows = [dot for number, dot in enumerate(each) if number in shown]
    return [*crew, *rows], [dot for number, dot in enumerate(each) if number not in shown]


def _hover(row: Mapping[str, Any]) -> str:
    text = (
        f"{row['splices']:,} splices, {row['loss_db']:.3f} dB each as logged; "
        f"{row['before_db']:.3f} dB in the four weeks before."
    )
    hands = row["hands_change"]
    if row["splicer"] and hands == hands and abs(hands) >= 0.05:
        text += f" Other hands alone would change it by {change_text(hands)}."
    return text
