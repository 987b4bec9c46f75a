"""Group repeated signals of one subject into episodes, and rate a finding's severity by age."""

from typing import Any

import numpy as np
import pandas as pd

from arcdrift.finding import Severity

RECENT = pd.Timedelta(days=7)
"""Age up to which a heavy finding needs action."""
FADING = pd.Timedelta(days=28)
"""Age after which any finding is only a note."""


def episodes(times: pd.Series, gap: pd.Timedelta) -> "list[pd.Index[Any]]":
    """Split times into runs with no pause longer than ``gap``.

    Returns
    -------
    list of Index
        Labels of each run, in time order.
    """
    ordered = times.sort_values()
    if ordered.empty:
        return []
    run = np.cumsum((ordered.diff() > gap).to_numpy())
    return [part.index for _, part in ordered.groupby(run)]


def severity(last: pd.Timestamp, now: pd.Timestamp, *, heavy: bool) -> Severity:
    """Severity of a finding by its weight and by the time since its last signal.

    Heavy findings are "act" for a week after the last signal and "watch" until four weeks after
    it, others "watch" for a week; later both are "note".
    """
    age = now - last
    if age <= RECENT:
        return "act" if heavy else "watch"
    if age <= FADING:
        return "watch" if heavy else "note"
    return "note"
