"""Regressors of the arc setting, and the checks that can be used."""

import numpy as np
import pandas as pd

from arcdrift.analysis.arc.arc_points import REGRESSORS
from arcdrift.arrays import Floats


def centered_regressors(points: pd.DataFrame) -> Floats:
    """Regressors less fixed references, shape (n, 3): kg/m3, hPa, thousands of arcs.

    Fixed references (ISO 2533 sea-level density, 10 hPa) keep the numbers small without using
    later checks.
    """
    x = np.column_stack([points[name].to_numpy(dtype=np.float64) for name in REGRESSORS])
    x -= [1.225, 10.0, 0.0]
    x[:, 2] /= 1000.0
    return x


def center_air(points: pd.DataFrame) -> pd.DataFrame:
    """`centered_regressors` as a frame, by row of ``points``."""
    return pd.DataFrame(centered_regressors(points), points.index, list(REGRESSORS))


def usable(points: pd.DataFrame) -> pd.DataFrame:
    """Select the points that are not excluded."""
    included = points["excluded"].isna().to_numpy()
    return points if included.all() else points[included]


def usable_or_charted(points: pd.DataFrame) -> pd.DataFrame:
    """Select the points that the drift chart was given, also those excluded after their verdict."""
    return points[points["excluded"].isna() | points["z"].notna()]
