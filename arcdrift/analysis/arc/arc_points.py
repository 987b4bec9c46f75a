"""Passed arc checks with their epoch, electrode wear and air: the input of the arc model."""

import numpy as np
import pandas as pd

from arcdrift.analysis.arc.indoor_checks import room_density
from arcdrift.analysis.common.event_lookup import count_events_until, splicer_index, to_microseconds
from arcdrift.analysis.common.service_actions import REPLACED, RESTART_ACTIONS
from arcdrift.arrays import Ints

REGRESSORS = ("air_density", "vapor_pressure", "arcs")
NO_ARC_COUNT = "no arc count"
"""Reason of exclusion that logging the arc count with each check removes."""


def arc_points(checks: pd.DataFrame, air: pd.DataFrame, service: pd.DataFrame) -> pd.DataFrame:
    """Passed checks of each splicer in time order, with epoch, wear, air and reason of exclusion.

    Parameters
    ----------
    checks : DataFrame
        Arc checks: ``splicer``, ``checked_at`` (UTC), ``outcome``, ``arc_setting``,
        ``arc_count``, ``site``.
    air : DataFrame
        From `arcdrift.air.air_join.join_air`, same index as ``checks``.
    service : DataFrame
        Service events: ``asset``, ``serviced_at``, ``action``.

    Returns
    -------
    DataFrame
        ``splicer``, ``checked_at``, ``site``, ``epoch`` (0, 1 ...), ``arc_setting``, ``arcs``
        (electrode discharges since the electrodes were last replaced, or since the counter's
        zero before the first replacement on record), the air columns, ``room_density`` (see
        `arcdrift.analysis.arc.indoor_checks`), and ``excluded``: why a point cannot be used;
        missing if it can.
    """
    return points_with_air(passed_checks(checks, service), air)


def points_with_air(passed: pd.DataFrame, air: pd.DataFrame) -> pd.DataFrame:
    """Add the air and the reason of exclusion to `passed_checks`, as `arc_points` does."""
    points = passed.join(air).reset_index(drop=True)
    points["room_density"] = room_density(points)
    points["excluded"] = _exclusion_reasons(points)
    return points.drop(columns="line")


def passed_checks(checks: pd.DataFrame, service: pd.DataFrame) -> pd.DataFrame:
    """Passed checks of each splicer in time order with ``epoch`` and ``arcs``, without air."""
    columns = ["splicer", "checked_at", "site", "arc_setting", "arc_count", "line"]
    passed = checks.loc[checks["outcome"] == "pass", columns]
    passed = passed.sort_values(["splicer", "checked_at", "line"])
    names = pd.Index(passed["splicer"].unique())
    splicer, time = splicer_index(passed["splicer"], names), to_microseconds(passed["checked_at"])
    arc_count, replacements = (
        passed["arc_count"].to_numpy(dtype=float),
        count_service_until(splicer, time, service, names),
    )
    splicer_rows = np.split(np.arange(len(splicer)), np.flatnonzero(np.diff(splicer)) + 1)
    return passed.assign(
        epoch=count_service_until(splicer, time, service, names, RESTART_ACTIONS),
        arcs=np.concatenate(
            [_arcs_since(arc_count[rows], replacements[rows]) for rows in splicer_rows]
        ),
    ).drop(columns="arc_count")


def count_service_until(
    splicer: Ints,
    time: Ints,
    service: pd.DataFrame,
    names: pd.Index,
    actions: tuple[str, ...] = (REPLACED,),
) -> Ints:
    """Count each splicer's service events of the given actions up to each time.

    Parameters
    ----------
    splicer : array of shape (n,)
        Index of the splicer in ``names``.
    time : array of shape (n,)
        Microseconds UTC.
    service : DataFrame
        Service events.
    """
    event_splicer = splicer_index(service["asset"], names)
    rows = np.flatnonzero(service["action"].isin(actions).to_numpy() & (event_splicer >= 0))
    event_time = to_microseconds(service["serviced_at"])[rows]
    return count_events_until(splicer, time, event_splicer[rows], event_time)


def _arcs_since(count: np.ndarray, replacements: np.ndarray) -> np.ndarray:
    """Arcs on the electrodes in use at each check of one splicer.

    A counter that fell after a replacement was reset with it and already counts from zero. For
    one that kept running, its last known value before the replacement is subtracted.
    """
    arcs = count.copy()
    for number in np.unique(replacements)[1:]:
        in_use = replacements == number
        before = count[(replacements < number) & ~np.isnan(count)]
        after = count[in_use & ~np.isnan(count)]
        if len(before) and len(after) and after[0] >= before[-1]:
            arcs[in_use] = count[in_use] - before[-1]
    return arcs


def _exclusion_reasons(points: pd.DataFrame) -> pd.Series:
    """Reason why each point cannot be used; the most basic one if there are several."""
    reason = pd.Series(None, index=points.index, dtype=object)
    reason[points["arcs"].isna()] = NO_ARC_COUNT
    reason[points["vapor_pressure"].isna()] = "no humidity reading near the check"
    reason[points["air_density"].isna()] = "no complete air reading near the check"
    reason[points["arc_setting"].isna()] = "no arc setting"
    return reason
