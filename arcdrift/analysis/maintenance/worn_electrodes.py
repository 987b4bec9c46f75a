"""Finding that a splicer's electrodes are near the end of their life."""

import numpy as np
import pandas as pd

from arcdrift.analysis.common.episodes import severity
from arcdrift.analysis.maintenance.electrode_life import (
    MIN_SPANS,
    ElectrodeState,
    arcs_left_text,
)
from arcdrift.finding import Finding
from arcdrift.settings import SettingLimits

WORN_SHARE = 0.9
"""Share of their life from which electrodes count as worn (common practice, no source)."""
WEAR_COLUMNS = [
    "splicer", "checked_at", "epoch", "arcs", "arc_setting", "air_density", "vapor_pressure",
    "excluded", "alarm",
]  # fmt: skip
"""Columns of charted checks that findings on electrodes read."""


def may_be_worn(
    points: pd.DataFrame, arcs: float | None, life: int | None, limits: SettingLimits | None
) -> bool:
    """Whether it takes the state of the electrodes to tell if they are worn.

    False where only their life can end them and they are clearly below `WORN_SHARE` of it.

    Parameters
    ----------
    points : DataFrame
        The splicer's checks in time order.
    arcs : float or None
        Arcs by now, if known better than from the last check.
    """
    if limits is not None:
        return True
    counted = float(points["arcs"].iloc[-1]) if arcs is None else arcs
    return life is not None and counted >= (WORN_SHARE - 0.01) * life


def worn_since(
    points: pd.DataFrame, state: ElectrodeState, *, replaced: bool = False
) -> pd.Timestamp | None:
    """When the present electrodes became worn (`WORN_SHARE`); None if they are not.

    By arcs, that is the last check at which they were not yet worn, so that it stays the same
    when the next check comes. Advice, its list for the start of a day and the finding all ask
    this function.

    Parameters
    ----------
    points : DataFrame
        The splicer's checks in time order.
    state : ElectrodeState
        With the arcs by ``now``; they may have become worn since the last check.
    replaced : bool
        Whether the electrodes were replaced after the last check, so that no check tells of them.
    """
    reached = []
    present = points[points["epoch"] == points["epoch"].iloc[-1]] if len(points) else points
    if len(points) and not replaced:
        near_setting = _near_setting(present, state.limits)
        reached += [] if near_setting is None else [near_setting]
    share = state.share
    if share is not None and share >= WORN_SHARE and len(points) and state.arcs is not None:
        by_life = state.ends_by == "life" and state.life is not None
        end = float(state.life or 0) if by_life else state.arcs / share
        unworn = np.flatnonzero(present["arcs"].to_numpy(dtype=float) < WORN_SHARE * end)
        reached.append(present["checked_at"].iloc[int(unworn[-1]) if len(unworn) else 0])
    return min(reached, default=None)


def worn_text(state: ElectrodeState) -> str:
    """Write why electrodes are worn: arcs on them, what they are set to last, what is left."""
    parts = []
    if state.life is not None and state.arcs is not None and arcs_are_left(state):
        parts.append(f"{state.arcs:,.0f} arcs on electrodes set to last {state.life:,}")
    parts.append(arcs_left_text(state))
    return "; ".join(part for part in parts if part)


def arcs_are_left(state: ElectrodeState) -> bool:
    """Whether the electrodes are not used up."""
    return state.arcs_left is None or state.arcs_left.value > 0


def worn_finding(
    points: pd.DataFrame, state: ElectrodeState, now: pd.Timestamp, *, replaced: bool = False
) -> Finding | None:
    """Finding if the present electrodes are worn or used up; None if not.

    Parameters
    ----------
    points : DataFrame
        The splicer's checks in time order.
    state : ElectrodeState
        With the arcs by ``now``.
    replaced : bool
        Whether the electrodes were replaced after the last check.
    """
    since = worn_since(points, state, replaced=replaced)
    if since is None:
        return None
    present = points[points["epoch"] == points["epoch"].iloc[-1]]
    near_setting = None if replaced else _near_setting(present, state.limits)
    latest, setting = points["checked_at"].iloc[-1], float(points["arc_setting"].iloc[-1])
    evidence: dict[str, object] = {"arcs_on_electrodes": state.arcs}
    parts = [worn_text(state)]
    if state.life is not None:
        evidence["electrode_life_arcs"] = state.life
    if near_setting is not None and state.limits is not None:
        evidence |= {"arc_setting": setting, "lowest_setting": state.limits.lowest,
                     "highest_setting": state.limits.highest}  # fmt: skip
        parts.append(f"the arc is set to {setting:g}, near what the machine can reach")
    if state.arcs_left is not None:
        evidence["arcs_left"] = round(state.arcs_left.value)
    workdays_left = state.workdays_left
    if workdays_left is not None and arcs_are_left(state):
        evidence |= {
            "workdays_left_low": int(np.floor(workdays_left.low)),
            "workdays_left_high": None
            if workdays_left.high is None
            else int(np.ceil(workdays_left.high)),
        }
    # the number of arcs grows with every splice, so the day it was counted is told with it
    summary = f"{state.splicer}: {'; '.join(filter(None, parts))} (as of {now:%Y-%m-%d})."
    return Finding(
        kind="electrodes-worn",
        subject_type="splicer",
        subject_id=state.splicer,
        since=since.to_pydatetime(),
        until=latest.to_pydatetime(),
        severity=severity(latest, now, heavy=not arcs_are_left(state)),
        evidence=evidence,
        summary=summary,
        next_step="Have the electrodes replaced, power off, by the maker's procedure; then run "
        "the arc check.",
        assessed_on=now.to_pydatetime(),
    )


def _near_setting(present: pd.DataFrame, limits: SettingLimits | None) -> pd.Timestamp | None:
    """When the mean setting of `MIN_SPANS` checks first reached `WORN_SHARE` of the way to a limit.

    The way is measured from the mean of the first checks on these electrodes. Only earlier checks
    count at each time, so the result does not change when later checks are added.
    """
    setting = present["arc_setting"].to_numpy(dtype=float)
    if limits is None or len(setting) < 2 * MIN_SPANS:
        return None
    start = setting[:MIN_SPANS].mean()
    recent = present["arc_setting"].rolling(MIN_SPANS).mean().to_numpy(dtype=float)
    is_near = np.zeros(len(setting), dtype=bool)
    for limit, sign in ((limits.lowest, -1.0), (limits.highest, 1.0)):
        if limit is not None and sign * (limit - start) > 0:
            is_near |= sign * (recent - start) >= WORN_SHARE * sign * (limit - start)
    is_near[: 2 * MIN_SPANS - 1] = False
    near_now = is_near[-1]
    return present["checked_at"].iloc[int(np.flatnonzero(is_near)[0])] if near_now else None
