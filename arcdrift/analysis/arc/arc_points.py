"""Arc checks made ready for a model: epochs, wear, air."""

import numpy as np
import pandas as pd

from arcdrift.analysis.arc.indoor_checks import room_density
from arcdrift.analysis.common.event_lookup import count_events_until, splicer_index, to_microseconds
from arcdrift.analysis.common.service_actions import REPLACED, RESTART_ACTIONS
from arcdrift.arrays import Ints

REGRESSORS = ("air_density", "vapor_pressure", "arcs")


def arc_points(checks: pd.DataFrame, air: pd.DataFrame, service: pd.DataFrame) -> pd.DataFrame:
    """Passed checks of each splicer in time order, with what a model needs.

    Parameters
    ----------
    checks : DataFrame
        Arc checks: ``splicer``, ``checked_at`` (UTC), ``outcome``, ``arc_setting``,
        ``arc_count``, ``site``.
    air : DataFrame
        From `arcdrift.air.join_air`, same index as ``checks``.
    service : DataFrame
        Service events: ``asset``, ``serviced_at``, ``action``.

    Returns
    -------
    DataFrame
        ``splicer``, ``checked_at``, ``site``, ``epoch`` (0, 1 ...), ``arc_setting``, ``arcs``
        (electrode discharges since the electrodes were last replaced, or since the counter's
        zero before the first replacement on record), the air columns, ``room_density`` (see
        `arcdrift.analysis.arc.indoor_checks`), and ``excluded``: why a point cannot be used, or
        missing when it can.
    """
    points = passed_checks(checks, service).join(air).reset_index(drop=True)
    points["room_density"] = room_density(points)
    points["excluded"] = _reasons(points)
    return points.drop(columns="line")


def passed_checks(checks: pd.DataFrame, service: pd.DataFrame) -> pd.DataFrame:
    """Passed checks of each splicer in time order, with ``epoch`` and ``arcs``, without air."""
    columns = ["splicer", "checked_at", "site", "arc_setting", "arc_count", "line"]
    passed = checks.loc[checks["outcome"] == "pass", columns]
    passed = passed.sort_values(["splicer", "checked_at", "line"])
    names = pd.Index(passed["splicer"].unique())
    who, at = splicer_index(passed["splicer"], names), to_microseconds(passed["checked_at"])
    count, sets = passed["arc_count"].to_numpy(dtype=float), happened(who, at, service, names)
    mine = np.split(np.arange(len(who)), np.flatnonzero(np.diff(who)) + 1)
    return passed.assign(
        epoch=happened(who, at, service, names, RESTART_ACTIONS),
        arcs=np.concatenate([_arcs_since(count[rows], sets[rows]) for rows in mine]),
    ).drop(columns="arc_count")


def happened(
    who: Ints,
    at: Ints,
    service: pd.DataFrame,
    names: pd.Index,
    actions: tuple[str, ...] = (REPLACED,),
) -> Ints:
    """How often splicers, by their places among names, had had some service by each instant."""
    events = service[service["action"].isin(actions)]
    whose = splicer_index(events["asset"], names)
    return count_events_until(
        who, at, whose[whose >= 0], to_microseconds(events["serviced_at"])[whose >= 0]
    )


def _arcs_since(count: np.ndarray, sets: np.ndarray) -> np.ndarray:
    """Arcs on the present electrodes of one splicer.

    A counter that fell after the replacement was reset with it and already counts from zero.
    One that kept running is counted from its last known value before the replacement.
    """
    arcs = count.copy()
    for electrodes in np.unique(sets)[1:]:
        mine = sets == electrodes
        before = count[(sets < electrodes) & ~np.isnan(count)]
        after = count[mine & ~np.isnan(count)]
        if len(before) and len(after) and after[0] >= before[-1]:
            arcs[mine] = count[mine] - before[-1]
    return arcs


def _reasons(points: pd.DataFrame) -> pd.Series:
    reason = pd.Series(None, index=points.index, dtype=object)
    reason[points["arcs"].isna()] = "no arc count"
    reason[points["vapor_pressure"].isna()] = "no humidity reading near the check"
    reason[points["air_density"].isna()] = "no complete air reading near the check"
    reason[points["arc_setting"].isna()] = "no arc setting"
    return reason
