"""Change of a person's loss, cleave angle and spread after a coaching note.

Days before and after are compared after taking out the effects of the machines used.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import stdtrit

WINDOW_DAYS = 56
"""Days compared at most on each side."""
MIN_DAYS = 8
"""Days of work needed on each side."""
MIN_SPLICES = 200
"""Splices needed on each side."""
MEASURES = {"loss_level": "loss", "angle_level": "cleave angle", "spread_level": "angle spread"}
CAUTION = (
    "Whoever is coached after a bad spell improves somewhat without it, too; the change alone "
    "does not prove the coaching."
)


@dataclass(frozen=True)
class Change:
    """Change of one measure after a day.

    Attributes
    ----------
    change, low, high : float or None
        Relative change with its 95 % interval; None with too few splices.
    days_before, days_after, splices_before, splices_after : int
        Days and splices compared.
    words : str
        The change in one sentence.
    """

    measure: str
    change: float | None
    low: float | None
    high: float | None
    days_before: int
    days_after: int
    splices_before: int
    splices_after: int
    words: str


def before_after(days: pd.DataFrame, held_on: str) -> list[Change]:
    """Compare up to eight weeks before a day with up to eight weeks from it on.

    Parameters
    ----------
    days : DataFrame
        One person's rows of ``result_person_days``: ``day`` (ISO), ``splices``, ``loss_level``,
        ``angle_level`` (log scale, apart from machines) and ``angle_spread``.
    held_on : str
        ISO day of the note; it counts as after.

    Notes
    -----
    Welch's interval on the days' values (weighted by splices up to 40 a day), with the standard
    error widened for a correlation of 0.2 from day to day, since a work week shares blade, fiber
    and weather (from memory: factor sqrt((1 + 0.2)/(1 - 0.2)) = 1.22).
    """
    day = pd.to_datetime(days["day"])
    held_day = pd.Timestamp(held_on)
    window = pd.Timedelta(days=WINDOW_DAYS)
    spread = np.log(days["angle_spread"].where(days["angle_spread"] > 0))
    rows = days.assign(spread_level=spread)
    before = rows[(day >= held_day - window) & (day < held_day)]
    after = rows[(day >= held_day) & (day < held_day + window)]
    return [
        _change(noun, before.dropna(subset=[name]), after.dropna(subset=[name]), name)
        for name, noun in MEASURES.items()
    ]


def _change(noun: str, before: pd.DataFrame, after: pd.DataFrame, name: str) -> Change:
    counts = (len(before), len(after), int(before["splices"].sum()), int(after["splices"].sum()))
    if min(counts[:2]) < MIN_DAYS or min(counts[2:]) < MIN_SPLICES:
        sentence = (
            f"Too few splices to say anything about {noun}: {counts[2]:,} on {counts[0]} days "
            f"before, {counts[3]:,} on {counts[1]} days after; {MIN_DAYS} days and {MIN_SPLICES} "
            "splices on each side are the least."
        )
        return Change(noun, None, None, None, *counts, sentence)
    (mean_before, variance_before), (mean_after, variance_after) = (
        _mean(before, name),
        _mean(after, name),
    )
    error = np.sqrt((variance_before + variance_after) * 1.5)
    degrees_of_freedom = (variance_before + variance_after) ** 2 / (
        variance_before**2 / (counts[0] - 1) + variance_after**2 / (counts[1] - 1)
    )
    half_width = float(stdtrit(max(degrees_of_freedom, 1.0), 0.975)) * error
    changes = [float(np.expm1(mean_after - mean_before + sign * half_width)) for sign in (0, -1, 1)]
    if changes[1] < 0 < changes[2]:
        sentence = f"No change of {noun} that chance could not have made"
    else:
        sentence = (
            f"{noun.capitalize()} {'fell' if changes[0] < 0 else 'rose'} {abs(changes[0]):.0%}"
        )
    sentence += (
        f" ({changes[1]:+z.0%} to {changes[2]:+z.0%}; {counts[2]:,} splices before, "
        f"{counts[3]:,} after)."
    )
    return Change(noun, changes[0], changes[1], changes[2], *counts, sentence)


def _mean(rows: pd.DataFrame, name: str) -> tuple[float, float]:
    """Weighted mean of a column and its sampling variance."""
    weight = np.minimum(rows["splices"].to_numpy(dtype=np.float64), 40.0)
    value = rows[name].to_numpy(dtype=np.float64)
    mean = float(np.average(value, weights=weight))
    n = len(rows)
    error = float((weight**2 @ (value - mean) ** 2) / weight.sum() ** 2 * n / (n - 1))
    return mean, max(error, 1e-12)
