"""Finding that a splicer's electrodes are near the end of their life."""

import numpy as np
import pandas as pd

from arcdrift.analysis.common.episodes import severity
from arcdrift.analysis.maintenance.electrode_life import (
    MIN_SPANS,
    ElectrodeState,
    forecast_text,
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


def worn_since(
    points: pd.DataFrame, life: int | None, limits: SettingLimits | None
) -> pd.Timestamp | None:
    """When the present electrodes became worn (`WORN_SHARE`); None if they are not.

    Parameters
    ----------
    points : DataFrame
        The splicer's checks in time order.
    """
    if points.empty:
        return None
    present = points[points["epoch"] == points["epoch"].iloc[-1]]
    near_setting = _near_setting(present, limits)
    reached = [] if near_setting is None else [near_setting]
    if life is not None and points["arcs"].iloc[-1] >= WORN_SHARE * life:
        worn = present["arcs"] >= WORN_SHARE * life
        reached.append(present.loc[worn, "checked_at"].iloc[0])
    return min(reached, default=None)


def worn_finding(points: pd.DataFrame, state: ElectrodeState, now: pd.Timestamp) -> Finding | None:
    """Finding if the present electrodes are worn or used up; None if not.

    Parameters
    ----------
    points : DataFrame
        The splicer's checks in time order.
    """
    since = worn_since(points, state.life, state.limits)
    if since is None:
        return None
    arcs = points["arcs"].to_numpy(dtype=float)
    present = points[points["epoch"] == points["epoch"].iloc[-1]]
    near_setting = _near_setting(present, state.limits)
    latest, setting = points["checked_at"].iloc[-1], float(points["arc_setting"].iloc[-1])
    used_up = state.arcs_left is not None and state.arcs_left.value <= 0
    evidence: dict[str, object] = {"arcs_on_electrodes": float(arcs[-1])}
    parts = []
    if state.life is not None:
        evidence["electrode_life_arcs"] = state.life
        parts.append(f"{arcs[-1]:,.0f} arcs on electrodes set to last {state.life:,}")
    if near_setting is not None and state.limits is not None:
        evidence |= {"arc_setting": setting, "lowest_setting": state.limits.lowest,
                     "highest_setting": state.limits.highest}  # fmt: skip
        parts.append(f"the arc is set to {setting:g}, near what the machine can reach")
    if state.arcs_left is not None:
        evidence["arcs_left"] = round(state.arcs_left.value)
    workdays_left = state.workdays_left
    if workdays_left is not None and not used_up:
        evidence |= {
            "workdays_left_low": int(np.floor(workdays_left.low)),
            "workdays_left_high": None
            if workdays_left.high is None
            else int(np.ceil(workdays_left.high)),
        }
        parts.append(f"{forecast_text(workdays_left, 'workdays')} left at the present pace")
    return Finding(
        kind="electrodes-worn",
        subject_type="splicer",
        subject_id=state.splicer,
        since=since.to_pydatetime(),
        until=latest.to_pydatetime(),
        severity=severity(latest, now, heavy=bool(used_up)),
        evidence=evidence,
        summary=f"{state.splicer}: {'; '.join(parts)}.",
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
