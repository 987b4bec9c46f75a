"""Findings from the arc drift charts: a step or a drift nobody's air or wear explains."""

import numpy as np
import pandas as pd

from arcdrift.analysis.arc.arc_drift import center_air
from arcdrift.analysis.common.episodes import episodes, severity
from arcdrift.analysis.common.service_actions import service_near_onset
from arcdrift.arrays import Floats, Ints
from arcdrift.charts.change_point import step_onset
from arcdrift.finding import Cause, Finding, Onset

EPISODE_DAYS = 30
HEAVY_SD = 2.0
BEFORE, AFTER = 25, 10  # checks looked at around a change
MIN_BEFORE = 5
LATEST = 5  # checks the latest level is averaged over
RAMP_LEAD = 15


def arc_findings(
    points: pd.DataFrame,
    service: pd.DataFrame,
    unit: str,
    now: pd.Timestamp,
    slopes: Floats | None = None,
    repeatability: float | None = None,
) -> list[Finding]:
    """Findings for one splicer.

    Parameters
    ----------
    points : DataFrame
        The splicer's checks in time order with their chart (``z``, ``ewma``, ``alarm`` ...).
    service : DataFrame
        Its service events.
    unit : str
        Unit of its arc setting.
    slopes : array of shape (3,), optional
        Slopes on air and wear that owe nothing to the change itself, such as the sisters'; the
        size and shape of a change are read off the setting less what these explain.
    repeatability : float, optional
        Standard deviation of a check (setting units); a change under two of them is watched,
        not acted on.
    """
    found = []
    judged = points[points["z"].notna()].reset_index(drop=True)
    alarmed = judged[judged["alarm"].astype(bool)]
    for rows in episodes(alarmed["checked_at"], pd.Timedelta(days=EPISODE_DAYS)):
        positions = rows.to_numpy(dtype=np.int64)
        drift = _drift(judged, positions, service, unit, now, slopes, repeatability)
        found.append(drift)
    return found


def _drift(
    judged: pd.DataFrame,
    alarms: Ints,
    service: pd.DataFrame,
    unit: str,
    now: pd.Timestamp,
    slopes: Floats | None,
    repeatability: float | None,
) -> Finding:
    first, last = int(alarms[0]), int(alarms[-1])
    start = _after_reset(judged, first)
    z = judged["z"].to_numpy(dtype=float)[start : first + 1]
    onset = step_onset(z)
    begins = start + onset.index
    times = judged["checked_at"]
    change, shape = _size(judged, begins, last, slopes)
    kind = "arc-step" if shape == "step" else "arc-drift"
    heavy = repeatability is None or abs(change) >= HEAVY_SD * repeatability
    splicer = str(judged["splicer"].iloc[0])
    since = times[begins]
    words = "jumped" if kind == "arc-step" else "has been drifting"
    return Finding(
        kind=kind,
        subject_type="splicer",
        subject_id=splicer,
        since=times[first].to_pydatetime(),
        until=times[last].to_pydatetime(),
        onset=Onset(
            since.to_pydatetime(),
            times[start + onset.earliest].to_pydatetime(),
            times[start + onset.latest].to_pydatetime(),
        ),
        severity=severity(times[last], now, heavy=heavy),
        evidence={
            "unexplained_change": round(change, 1),
            "setting_unit": unit,
            "alarms": len(alarms),
            "checks_from_onset_to_alarm": first - begins + 1,
            "alarm_ewma": round(float(judged["ewma"][first]), 2),
            "alarm_limit": round(float(judged["limit"][first]), 2),
        },
        likely_causes=_causes(service, since, judged, begins),
        summary=(
            f"{splicer}: the arc setting {words} by about {change:+.0f} {unit} since "
            f"{since:%Y-%m-%d}, beyond what air and electrode wear explain."
        ),
        next_step="With the power off, inspect and clean the electrodes and v-grooves, then "
        "repeat the arc check on fresh standard fiber; replace the electrodes if it persists.",
        assessed_on=now.to_pydatetime(),
    )


def _after_reset(judged: pd.DataFrame, alarm: int) -> int:
    """First check of the run that led to the alarm: after the last alarm or epoch change."""
    alarms = np.flatnonzero(judged["alarm"].to_numpy(dtype=bool)[:alarm])
    epoch = judged["epoch"].to_numpy()
    same = np.flatnonzero(epoch[: alarm + 1] != epoch[alarm])
    return max(
        int(alarms[-1]) + 1 if len(alarms) else 0,
        int(same[-1]) + 1 if len(same) else 0,
    )


def _size(judged: pd.DataFrame, begins: int, last: int, slopes: Floats | None) -> tuple[float, str]:
    """Size (setting units, latest level less the level before) and shape of a change.

    Looks at the epoch the change fell in, from a month of checks before the onset to a fortnight
    after the last alarm. Where the epoch has too little before the onset to compare with, the
    forecast errors up to the alarm stand in.
    """
    epoch = judged["epoch"].to_numpy()
    window = np.arange(max(begins - BEFORE, 0), min(last + AFTER, len(judged)))
    window = window[epoch[window] == epoch[begins]]
    before = int((window < begins).sum())
    if slopes is None or before < MIN_BEFORE:
        error = (judged["arc_setting"] - judged["expected"]).to_numpy(dtype=float)
        return float(error[begins : last + 1].mean()), "step"
    rows = judged.iloc[window]
    level = rows["arc_setting"].to_numpy(dtype=float) - center_air(rows).to_numpy() @ slopes
    base = level[:before].mean()
    change = float(level[before:][-LATEST:].mean() - base)
    return change, change_shape(level - base, before)


def change_shape(level: Floats, onset: int) -> str:
    """Whether levels that start about 0 step at ``onset`` or climb from there.

    Compares least squares of a step at the onset with those of a ramp that may start up to
    `RAMP_LEAD` values earlier (a ramp is seen late). The step, the simpler story, wins unless the
    ramp fits clearly better.
    """
    time = np.arange(len(level))
    step = level - np.where(time >= onset, level[onset:].mean(), 0.0)
    rests = []
    for start in range(max(onset - RAMP_LEAD, 0), onset + 1):
        ramp = np.maximum(time - start + 1.0, 0.0)
        rest = level - ramp * float(ramp @ level) / float(ramp @ ramp)
        rests.append(float(rest @ rest))
    return "drift" if min(rests) < 0.9 * float(step @ step) else "step"


def _causes(
    service: pd.DataFrame, since: pd.Timestamp, judged: pd.DataFrame, begins: int
) -> tuple[Cause, ...]:
    causes = []
    near = service_near_onset(service, since)
    causes += [
        Cause(f"service: {action}", f"done on {when:%Y-%m-%d}, near the onset", 0.5)
        for action, when in zip(near["action"], near["serviced_at"], strict=True)
    ]
    sites = judged["site"].to_numpy()
    if begins > 0 and sites[begins] != sites[begins - 1]:
        why = f"the splicer moved from {sites[begins - 1]} to {sites[begins]} at the onset"
        causes.append(Cause("site", why, 0.3))
    if not causes:
        why = "nothing on record changed near the onset, and air and wear are accounted for"
        return (Cause("electrodes or v-grooves, damaged or dirty", why, 1.0),)
    total = sum(cause.weight for cause in causes)
    return tuple(Cause(c.cause, c.why, round(c.weight / total, 2)) for c in causes)
