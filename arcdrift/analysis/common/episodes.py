"""Repeated signals of one subject are one episode, and so one finding."""

from typing import Any

import numpy as np
import pandas as pd

from arcdrift.finding import Severity

RECENT = pd.Timedelta(days=7)
FADING = pd.Timedelta(days=28)


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
    """How much a finding presses: by its weight, and by how long ago it last showed.

    A heavy finding presses for a week after its last sign and is watched for four; after that,
    like any finding that has gone quiet, it is a note.
    """
    age = now - last
    if age <= RECENT:
        return "act" if heavy else "watch"
    if age <= FADING:
        return "watch" if heavy else "note"
    return "note"
