"""Arc checks whose setting jumped, and which the next check did not confirm.

A badly cleaved check fiber or dirt in the v-grooves affects one check only; a change of the arc
shows in the next one too. This is a chart of single values (Shewhart) beside the EWMA of the arc.
"""

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri

LEAST_SD = 3.5
"""Smallest limit, in standard deviations of a forecast; small crews could afford less, but that
would be weak evidence against one check."""
CONFIRMED_SD = 1.0
"""A next check at least this far off on the same side confirms that the arc itself changed."""


def doubtful_limit(checks_per_alarm: float) -> float:
    """Standard deviations from the forecast beyond which an unconfirmed check is doubted.

    Parameters
    ----------
    checks_per_alarm : float
        Correct checks for each one that is doubted by chance.

    Notes
    -----
    Of correct checks 2 (1 - Phi(c)) lie beyond c, and the next check does not confirm Phi(1) of
    them.
    """
    share = 1.0 / (checks_per_alarm * float(ndtr(CONFIRMED_SD)))
    return max(LEAST_SD, float(-ndtri(min(share, 1.0) / 2.0)))


def doubt_limits(points: pd.DataFrame, checks_per_alarm: float) -> pd.Series:
    """Limit that each doubted check exceeded, NaN for all others.

    Parameters
    ----------
    points : DataFrame
        Charted arc checks (rows of ``result_arc_points``). A check is doubted only after the next
        charted check on the same electrodes, so the latest check never is.
    """
    if points.empty:
        return pd.Series(np.nan, points.index)
    following = next_checks(points, ["z", "epoch"])
    z, limit = points["z"], doubtful_limit(checks_per_alarm)
    doubted = (z.abs() > limit) & (following["epoch"] == points["epoch"])
    doubted &= np.sign(z) * following["z"] < CONFIRMED_SD
    return pd.Series(limit, points.index).where(doubted)


def next_checks(points: pd.DataFrame, columns: list[str]) -> pd.DataFrame:
    """Some columns of the next charted check of the same splicer, missing without one."""
    charted = points[points["z"].notna()].sort_values(["splicer", "checked_at", "point"])
    return charted.groupby("splicer")[columns].shift(-1).reindex(points.index)
