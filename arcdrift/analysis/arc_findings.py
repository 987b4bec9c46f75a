"""Findings from the arc drift charts: a step or a drift nobody's air or wear explains."""

import numpy as np
import numpy.typing as npt
import pandas as pd

from arcdrift.analysis.episodes import episodes, severity
from arcdrift.charts.change_point import step_onset
from arcdrift.finding import Cause, Finding, Onset

EPISODE_DAYS = 30
NEAR_DAYS = 5
WORN_SHARE = 0.9

Floats = npt.NDArray[np.float64]


def arc_findings(
    points: pd.DataFrame,
    service: pd.DataFrame,
    unit: str,
    now: pd.Timestamp,
    life_arcs: int | None,
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
    life_arcs : int or None
        Electrode life set in crew.toml.
    """
    found = []
    judged = points[points["z"].notna()].reset_index(drop=True)
    alarmed = judged[judged["alarm"].astype(bool)]
    for rows in episodes(alarmed["checked_at"], pd.Timedelta(days=EPISODE_DAYS)):
        positions = rows.to_numpy(dtype=np.int64)
        found.append(_drift(judged, positions, service, unit, now))
    worn = _worn(points, now, life_arcs)
    return found if worn is None else [*found, worn]


def _drift(
    judged: pd.DataFrame,
    alarms: npt.NDArray[np.int64],
    service: pd.DataFrame,
    unit: str,
    now: pd.Timestamp,
) -> Finding:
    first, last = int(alarms[0]), int(alarms[-1])
    start = _after_reset(judged, first)
    z = judged["z"].to_numpy(dtype=float)[start : first + 1]
    onset = step_onset(z)
    begins = start + onset.index
    times = judged["checked_at"]
    residual = (judged["arc_setting"] - judged["expected"]).to_numpy(dtype=float)
    change = float(residual[begins : first + 1].mean())
    shape = change_shape(z, onset.index)
    kind = "arc-step" if shape == "step" else "arc-drift"
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
        severity=severity(times[last], now, heavy=True),
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


def change_shape(z: Floats, onset: int) -> str:
    """Whether a run of residuals looks like a step at ``onset`` or like a ramp.

    Compares the least squares of the best step with that of the best ramp over all starts; the
    step wins a tie because it is the simpler story.
    """
    step = z - np.where(np.arange(len(z)) >= onset, z[onset:].mean(), 0.0)
    best_step = float(step @ step)
    best_ramp = np.inf
    for start in range(len(z)):
        ramp = np.maximum(np.arange(len(z)) - start + 1.0, 0.0)
        slope = float(ramp @ z) / float(ramp @ ramp)
        rest = z - slope * ramp
        best_ramp = min(best_ramp, float(rest @ rest))
    return "drift" if best_ramp < best_step - 1.0 else "step"


def _causes(
    service: pd.DataFrame, since: pd.Timestamp, judged: pd.DataFrame, begins: int
) -> tuple[Cause, ...]:
    causes = []
    span = pd.Timedelta(days=NEAR_DAYS)
    near = service[(service["serviced_at"] - since).abs() <= span]
    causes += [
        Cause("service", f"{action} on {when:%Y-%m-%d}, within {NEAR_DAYS} days of the onset", 0.5)
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


def _worn(points: pd.DataFrame, now: pd.Timestamp, life_arcs: int | None) -> Finding | None:
    arcs = points["arcs"].to_numpy(dtype=float)
    if life_arcs is None or not len(arcs) or not arcs[-1] >= WORN_SHARE * life_arcs:
        return None
    present = points[points["epoch"] == points["epoch"].iloc[-1]]
    reached = present[present["arcs"] >= WORN_SHARE * life_arcs]["checked_at"]
    splicer, over = str(points["splicer"].iloc[0]), arcs[-1] >= life_arcs
    latest = points["checked_at"].iloc[-1]
    return Finding(
        kind="electrodes-worn",
        subject_type="splicer",
        subject_id=splicer,
        since=reached.iloc[0].to_pydatetime(),
        until=latest.to_pydatetime(),
        severity=severity(latest, now, heavy=bool(over)),
        evidence={"arcs_on_electrodes": float(arcs[-1]), "electrode_life_arcs": life_arcs},
        summary=f"{splicer}: {arcs[-1]:.0f} arcs on electrodes set to last {life_arcs}.",
        next_step="Have the electrodes replaced, power off, by the maker's procedure; then run "
        "the arc check.",
        assessed_on=now.to_pydatetime(),
    )
