"""What shows that a splicer's clock was wrong: the splices around an end of the stretch."""

from dataclasses import dataclass
from datetime import timedelta
from typing import Literal, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from arcdrift.analysis.clock.count_order import STEP_BACK_S, OrderedSplices, true_order
from arcdrift.analysis.clock.offset_path import HOUR
from arcdrift.arrays import Bools, Ints
from arcdrift.clock_bounds import MAX_AHEAD, ClockBounds
from arcdrift.instants import instant_text
from arcdrift.wording import capitalized, clock_shift_text, duration_text

Proof = Literal["back", "future", "early", "forward"]
"""Time goes back against the count; it lies in the future, or before the crew's first day; it
leaps ahead of the count."""
_MOST_ROWS = 120
"""Splices shown on each side of the end of a stretch."""
_LEAST_REACH = 30 * HOUR
"""Splices this long before and after the end of a stretch are shown, whatever the shift."""
_REACH = 2
"""Multiples of the jump of the clock that are shown before and after it."""
_EARLY_TEXT = "Its logged times lie before the crew's first day on record."
_COUNT_WORDS = {"splice_number": "splice", "arc_count": "the splice at arc count"}


class CountedSplice(NamedTuple):
    """A splice by its number or arc count, and its logged time (UTC)."""

    number: float
    logged: pd.Timestamp


@dataclass(frozen=True)
class ClockEvidence:
    """The splices around one end of a stretch, and what they show.

    Attributes
    ----------
    rows : DataFrame
        In the order of the count: ``count``, ``logged`` (UTC) and ``wrong``, whether a splice
        belongs to the stretch.
    counter : str
        Column of the count: ``splice_number`` or ``arc_count``.
    proof : str
        What gives the clock away.
    step : tuple of CountedSplice or None
        The two splices between which it changed, in true order; None where no other splice of
        this log lies before or after the stretch.
    latest : Timestamp
        Latest logged time of the stretch (UTC).
    """

    rows: pd.DataFrame
    counter: str
    proof: Proof
    step: tuple[CountedSplice, CountedSplice] | None
    latest: pd.Timestamp


def clock_evidence(
    splices: pd.DataFrame, bounds: ClockBounds, now: pd.Timestamp, shift: timedelta | None
) -> ClockEvidence | str:
    """Find the splices that show why a clock is taken to be wrong.

    Parameters
    ----------
    splices : DataFrame
        All of the splicer's, as for `arcdrift.analysis.clock.count_order.true_order`.
    bounds : ClockBounds
        The stretch.
    now : Timestamp
        UTC; later times are wrong.
    shift : timedelta or None
        The suggested shift.

    Returns
    -------
    ClockEvidence, or str
        The reason, in the middle of a sentence, why its counts show nothing.
    """
    order = true_order(splices)
    if isinstance(order, str):
        return order
    wrong = bounds.contains(splices.iloc[order.rows], "spliced_at")
    if not wrong.any():
        return "none of its counted splices lies in this stretch"
    edge = _telling_edge(order, wrong)
    inside = np.flatnonzero(wrong)
    latest = _timestamp(order.time[inside].max())
    step, jump = None, 0
    if edge is not None:
        step = (_counted(order, edge - 1), _counted(order, edge))
        jump = int(order.time[edge] - order.time[edge - 1])
    proof: Proof = "forward"
    if latest > now + MAX_AHEAD:
        proof = "future"
    elif edge is None:
        proof = "early"
    elif jump < -STEP_BACK_S * 1_000_000:
        proof = "back"
    size = abs(jump) if shift is None else abs(shift // timedelta(microseconds=1))
    shown = _around(order, wrong, edge, max(_REACH * size, _LEAST_REACH))
    rows = pd.DataFrame(
        {
            "count": order.count[shown],
            "logged": pd.DatetimeIndex(order.time[shown].astype("datetime64[us]"), tz="UTC"),
            "wrong": wrong[shown],
        }
    )
    return ClockEvidence(rows, order.counter, proof, step, latest)


def evidence_text(evidence: ClockEvidence, zone: ZoneInfo) -> str:
    """Say in a sentence what shows that the clock was wrong, with times in a zone."""
    if evidence.proof == "future":
        return _future_text(evidence.latest, zone)
    if evidence.step is None:
        return _EARLY_TEXT
    earlier, later = evidence.step
    gap = (later.logged - earlier.logged).to_pytimedelta()
    name = _COUNT_WORDS[evidence.counter]
    first, second = f"{name} {earlier.number:,.0f}", f"{name} {later.number:,.0f}"
    if evidence.proof == "back":
        return (
            f"{capitalized(second)} was made after {first}, yet its logged time is "
            f"{clock_shift_text(gap)}."
        )
    return (
        f"From {first} to {second} the logged time leaps ahead by {duration_text(gap)}, while the "
        f"count moves on by {later.number - earlier.number:,.0f}."
    )


def calendar_text(bounds: ClockBounds, now: pd.Timestamp, zone: ZoneInfo) -> str:
    """Say what shows that the clock was wrong where only the calendar can."""
    latest = pd.Timestamp(bounds.ends_at)
    return _future_text(latest, zone) if latest > now + MAX_AHEAD else _EARLY_TEXT


def _future_text(latest: pd.Timestamp, zone: ZoneInfo) -> str:
    return f"Its logged times lie in the future, up to {instant_text(latest.tz_convert(zone))}."


def _telling_edge(order: OrderedSplices, wrong: Bools) -> int | None:
    """Position of the second of the two splices between which the clock changed most tellingly.

    That is where time goes back the most, else where it leaps ahead the most.
    """
    inside = np.flatnonzero(wrong)
    edges = [edge for edge in (int(inside[0]), int(inside[-1]) + 1) if 0 < edge < len(wrong)]
    if not edges:
        return None
    gaps = [int(order.time[edge] - order.time[edge - 1]) for edge in edges]
    back = min(range(len(edges)), key=gaps.__getitem__)
    if gaps[back] < -STEP_BACK_S * 1_000_000:
        return edges[back]
    return edges[max(range(len(edges)), key=gaps.__getitem__)]


def _around(order: OrderedSplices, wrong: Bools, edge: int | None, reach: int) -> Ints:
    """Positions to show: splices near the edge, and what follows where the stretch is short."""
    inside = np.flatnonzero(wrong)
    if edge is None:
        return inside[-_MOST_ROWS:]
    end = int(inside[-1]) + 1
    # the edge at the end of the stretch is looked at from its other side
    before = _run(order.time, edge - 1, -1, int(inside[0]) if edge == end else 0, reach)
    after = _run(order.time, edge, 1, len(wrong) - 1 if edge == end else end - 1, reach)
    if edge == end and before[-1] == inside[0] and inside[0] > 0:
        before = np.r_[before, _run(order.time, int(inside[0]) - 1, -1, 0, reach)]
    if edge != end and after[-1] == end - 1 and end < len(wrong):
        after = np.r_[after, _run(order.time, end, 1, len(wrong) - 1, reach)]
    shown = np.r_[before[::-1], after]
    same_era: Ints = shown[order.era[shown] == order.era[edge]]
    return same_era


def _run(time: Ints, start: int, step: int, stop: int, reach: int) -> Ints:
    """Positions from `start` towards `stop` whose times are within reach of that at `start`."""
    steps = min(abs(stop - start), _MOST_ROWS - 1)
    positions = start + step * np.arange(steps + 1)
    far = np.flatnonzero(np.abs(time[positions] - time[start]) > reach)
    return positions[: far[0]] if len(far) else positions


def _counted(order: OrderedSplices, position: int) -> CountedSplice:
    return CountedSplice(float(order.count[position]), _timestamp(order.time[position]))


def _timestamp(microseconds: int) -> pd.Timestamp:
    return pd.Timestamp(int(microseconds), unit="us", tz="UTC")
