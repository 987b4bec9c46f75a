"""Regressors of the arc setting, and the checks that can be used."""

import numpy as np
import pandas as pd

from arcdrift.analysis.arc.arc_points import REGRESSORS


def center_air(points: pd.DataFrame) -> pd.DataFrame:
    """Regressors less fixed references: kg/m3, hPa, thousands of arcs.

    Fixed references (ISO 2533 sea-level density, 10 hPa) keep the numbers small without using
    later checks.
    """
    x = np.column_stack([points[name].to_numpy(dtype=float) for name in REGRESSORS])
    x -= [1.225, 10.0, 0.0]
    x[:, 2] /= 1000.0
    return pd.DataFrame(x, index=points.index, columns=list(REGRESSORS))


def usable(points: pd.DataFrame) -> pd.DataFrame:
    """Select the points that are not excluded."""
    included = points["excluded"].isna().to_numpy()
    return points if included.all() else points[included]


def usable_or_charted(points: pd.DataFrame) -> pd.DataFrame:
    """Select the points that the drift chart was given, also those excluded after their verdict."""
    return points[points["excluded"].isna() | points["z"].notna()]
