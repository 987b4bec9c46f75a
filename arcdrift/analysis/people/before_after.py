"""Did coaching change anything? A person's days before and after it, apart from the machines."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import t as student

WINDOW_DAYS = 56
MIN_DAYS = 8
MIN_SPLICES = 200
"""Days and splices on each side below which nothing is concluded."""
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
        What it rests on.
    words : str
        One sentence.
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
        ISO day.

    Notes
    -----
    Welch's interval on the days' values (weighted by splices up to 40 a day), after widening the
    standard error for a correlation of 0.2 from day to day (from memory: factor
    sqrt((1 + 0.2)/(1 - 0.2)) = 1.22); a work week shares blade, fiber and weather.
    """
    day = pd.to_datetime(days["day"])
    held = pd.Timestamp(held_on)
    window = pd.Timedelta(days=WINDOW_DAYS)
    spread = np.log(days["angle_spread"].where(days["angle_spread"] > 0))
    rows = days.assign(spread_level=spread)
    before = rows[(day >= held - window) & (day < held)]
    after = rows[(day >= held) & (day < held + window)]
    return [
        _change(words, before.dropna(subset=[name]), after.dropna(subset=[name]), name)
        for name, words in MEASURES.items()
    ]


def _change(words: str, before: pd.DataFrame, after: pd.DataFrame, name: str) -> Change:
    sizes = (len(before), len(after), int(before["splices"].sum()), int(after["splices"].sum()))
    if min(sizes[:2]) < MIN_DAYS or min(sizes[2:]) < MIN_SPLICES:
        said = (
            f"Too few splices to say anything about {words}: {sizes[2]:,} on {sizes[0]} days "
            f"before, {sizes[3]:,} on {sizes[1]} days after; {MIN_DAYS} days and {MIN_SPLICES} "
            "splices on each side are the least."
        )
        return Change(words, None, None, None, *sizes, said)
    (first, one), (second, two) = _mean(before, name), _mean(after, name)
    error = np.sqrt((one + two) * 1.5)
    freedom = (one + two) ** 2 / (one**2 / (sizes[0] - 1) + two**2 / (sizes[1] - 1))
    half = float(student.ppf(0.975, max(freedom, 1.0))) * error
    ends = [float(np.expm1(second - first + sign * half)) for sign in (0, -1, 1)]
    if ends[1] < 0 < ends[2]:
        said = f"No change of {words} that chance could not have made"
    else:
        said = f"{words.capitalize()} {'fell' if ends[0] < 0 else 'rose'} {abs(ends[0]):.0%}"
    said += (
        f" ({ends[1]:+z.0%} to {ends[2]:+z.0%}; {sizes[2]:,} splices before, {sizes[3]:,} after)."
    )
    return Change(words, ends[0], ends[1], ends[2], *sizes, said)


def _mean(rows: pd.DataFrame, name: str) -> tuple[float, float]:
    weight = np.minimum(rows["splices"].to_numpy(dtype=np.float64), 40.0)
    value = rows[name].to_numpy(dtype=np.float64)
    mean = float(np.average(value, weights=weight))
    n = len(rows)
    error = float((weight**2 @ (value - mean) ** 2) / weight.sum() ** 2 * n / (n - 1))
    return mean, max(error, 1e-12)
