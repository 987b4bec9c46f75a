"""Findings from the arc drift charts: steps or drifts that air and wear do not explain."""

import numpy as np
import pandas as pd

from arcdrift.analysis.arc.arc_drift import center_air
from arcdrift.analysis.common.episodes import episodes, severity
from arcdrift.analysis.common.service_actions import service_near_onset
from arcdrift.arrays import Floats, Ints
from arcdrift.charts.change_point import step_onset
from arcdrift.finding import Cause, Finding, Onset

EPISODE_DAYS = 30
"""Days without an alarm after which the next alarm opens a new finding."""
HEAVY_SD = 2.0
"""Change, in repeatabilities of a check, from which a finding needs action."""
BEFORE, AFTER = 25, 10
"""Checks compared before the onset of a change, and after its last alarm."""
MIN_BEFORE = 5
"""Fewest checks before the onset from which the earlier level is computed."""
LATEST = 5
"""Number of checks averaged into the latest level."""
RAMP_LEAD = 15
"""How many checks before the estimated onset a ramp may start: ramps are detected late."""


def arc_findings(
    points: pd.DataFrame,
    service: pd.DataFrame,
    unit: str,
    now: pd.Timestamp,
    slopes: Floats | None = None,
    repeatability: float | None = None,
) -> list[Finding]:
    """Findings on unexplained changes of one splicer's arc setting.

    Parameters
    ----------
    points : DataFrame
        The splicer's checks in time order with their chart (``z``, ``ewma``, ``alarm`` ...).
    service : DataFrame
        Its service events.
    unit : str
        Unit of its arc setting.
    slopes : array of shape (3,), optional
        Slopes on air and wear estimated without the change itself, such as the peers'; size and
        shape of a change are computed from the setting less the effect of air and wear.
    repeatability : float, optional
        Standard deviation of a check (setting units); a change under two of them is watched,
        not acted on.
    """
    found = []
    judged = points[points["z"].notna()].reset_index(drop=True)
    alarmed = judged[judged["alarm"].astype(bool)]
    for rows in episodes(alarmed["checked_at"], pd.Timedelta(days=EPISODE_DAYS)):
        positions = rows.to_numpy(dtype=np.int64)
        finding = _drift_finding(judged, positions, service, unit, now, slopes, repeatability)
        found.append(finding)
    return found


def _drift_finding(
    judged: pd.DataFrame,
    alarms: Ints,
    service: pd.DataFrame,
    unit: str,
    now: pd.Timestamp,
    slopes: Floats | None,
    repeatability: float | None,
) -> Finding:
    first, last = int(alarms[0]), int(alarms[-1])
    start = _run_start(judged, first)
    z = judged["z"].to_numpy(dtype=float)[start : first + 1]
    onset = step_onset(z)
    onset_index = start + onset.index
    times = judged["checked_at"]
    change, shape = _change_size(judged, onset_index, last, slopes)
    kind = "arc-step" if shape == "step" else "arc-drift"
    heavy = repeatability is None or abs(change) >= HEAVY_SD * repeatability
    splicer = str(judged["splicer"].iloc[0])
    onset_time = times[onset_index]
    verb = "jumped" if kind == "arc-step" else "has been drifting"
    return Finding(
        kind=kind,
        subject_type="splicer",
        subject_id=splicer,
        since=times[first].to_pydatetime(),
        until=times[last].to_pydatetime(),
        onset=Onset(
            onset_time.to_pydatetime(),
            times[start + onset.earliest].to_pydatetime(),
            times[start + onset.latest].to_pydatetime(),
        ),
        severity=severity(times[last], now, heavy=heavy),
        evidence={
            "unexplained_change": round(change, 1),
            "setting_unit": unit,
            "alarms": len(alarms),
            "checks_from_onset_to_alarm": first - onset_index + 1,
            "alarm_ewma": round(float(judged["ewma"][first]), 2),
            "alarm_limit": round(float(judged["limit"][first]), 2),
        },
        likely_causes=_causes(service, onset_time, judged, onset_index),
        summary=(
            f"{splicer}: the arc setting {verb} by about {change:+.0f} {unit} since "
            f"{onset_time:%Y-%m-%d}, beyond what air and electrode wear explain."
        ),
        next_step="With the power off, inspect and clean the electrodes and v-grooves, then "
        "repeat the arc check on fresh standard fiber; replace the electrodes if it persists.",
        assessed_on=now.to_pydatetime(),
    )


def _run_start(judged: pd.DataFrame, alarm: int) -> int:
    """Index of the first check since the last alarm or epoch change before ``alarm``."""
    alarms = np.flatnonzero(judged["alarm"].to_numpy(dtype=bool)[:alarm])
    epoch = judged["epoch"].to_numpy()
    other_epoch = np.flatnonzero(epoch[: alarm + 1] != epoch[alarm])
    return max(
        int(alarms[-1]) + 1 if len(alarms) else 0,
        int(other_epoch[-1]) + 1 if len(other_epoch) else 0,
    )


def _change_size(
    judged: pd.DataFrame, onset_index: int, last: int, slopes: Floats | None
) -> tuple[float, str]:
    """Size (setting units: latest level less the level before) and shape of a change.

    Uses the checks of the onset's epoch from `BEFORE` checks before the onset to `AFTER` after
    the last alarm. If fewer than `MIN_BEFORE` of them are before the onset, the mean forecast
    error from the onset to the last alarm is the size.
    """
    epoch = judged["epoch"].to_numpy()
    window = np.arange(max(onset_index - BEFORE, 0), min(last + AFTER, len(judged)))
    window = window[epoch[window] == epoch[onset_index]]
    before = int((window < onset_index).sum())
    if slopes is None or before < MIN_BEFORE:
        error = (judged["arc_setting"] - judged["expected"]).to_numpy(dtype=float)
        return float(error[onset_index : last + 1].mean()), "step"
    rows = judged.iloc[window]
    level = rows["arc_setting"].to_numpy(dtype=float) - center_air(rows).to_numpy() @ slopes
    level_before = level[:before].mean()
    change = float(level[before:][-LATEST:].mean() - level_before)
    return change, change_shape(level - level_before, before)


def change_shape(level: Floats, onset: int) -> str:
    """Decide whether levels that start near 0 step at ``onset`` or ramp up: "step" or "drift".

    Compares the squared residuals of a step at the onset with those of a ramp that may start up
    to `RAMP_LEAD` values earlier. The step, the simpler model, is chosen unless the ramp's are
    more than 10 % smaller.
    """
    time = np.arange(len(level))
    step_residual = level - np.where(time >= onset, level[onset:].mean(), 0.0)
    ramp_squares = []
    for start in range(max(onset - RAMP_LEAD, 0), onset + 1):
        ramp = np.maximum(time - start + 1.0, 0.0)
        ramp_residual = level - ramp * float(ramp @ level) / float(ramp @ ramp)
        ramp_squares.append(float(ramp_residual @ ramp_residual))
    return "drift" if min(ramp_squares) < 0.9 * float(step_residual @ step_residual) else "step"


def _causes(
    service: pd.DataFrame, onset_time: pd.Timestamp, judged: pd.DataFrame, onset_index: int
) -> tuple[Cause, ...]:
    causes = []
    near_service = service_near_onset(service, onset_time)
    causes += [
        Cause(f"service: {action}", f"done on {when:%Y-%m-%d}, near the onset", 0.5)
        for action, when in zip(near_service["action"], near_service["serviced_at"], strict=True)
    ]
    sites = judged["site"].to_numpy()
    if onset_index > 0 and sites[onset_index] != sites[onset_index - 1]:
        reason = (
            f"the splicer moved from {sites[onset_index - 1]} to {sites[onset_index]} at the onset"
        )
        causes.append(Cause("site", reason, 0.3))
    if not causes:
        reason = "nothing on record changed near the onset, and air and wear are accounted for"
        return (Cause("electrodes or v-grooves, damaged or dirty", reason, 1.0),)
    total = sum(cause.weight for cause in causes)
    return tuple(Cause(c.cause, c.why, round(c.weight / total, 2)) for c in causes)
