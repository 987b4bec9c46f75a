"""Days of a loss chart that a person left out of it, or froze its baseline on."""

import numpy as np
import pandas as pd


def marked(days: pd.DataFrame, marks: pd.DataFrame) -> pd.DataFrame:
    """Stream days with ``excluded`` and ``frozen``.

    Parameters
    ----------
    days : DataFrame
        From `arcdrift.analysis.loss_days.loss_days`.
    marks : DataFrame
        ``action`` (``exclude`` or ``freeze``), ``splicer`` and ``program`` (missing: all),
        ``first_day`` and ``last_day`` (missing: open) of each, as ISO text.
    """
    flags = {name: np.zeros(len(days), dtype=bool) for name in ("exclude", "freeze")}
    for mark in marks.to_dict("records"):
        rows = days["day"].to_numpy() >= np.datetime64(mark["first_day"])
        if pd.notna(mark["last_day"]):
            rows = rows & (days["day"].to_numpy() <= np.datetime64(mark["last_day"]))
        for name in ("splicer", "program"):
            if pd.notna(mark[name]):
                rows = rows & np.asarray(days[name] == mark[name], dtype=bool)
        flags[str(mark["action"])] |= rows
    return days.assign(excluded=flags["exclude"], frozen=flags["freeze"])
