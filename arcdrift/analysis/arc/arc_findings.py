"""Findings from the arc drift charts: steps or drifts that air and wear do not explain."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from arcdrift.analysis.arc.arc_drift import LONGEST_CHANGE
from arcdrift.analysis.arc.arc_levels import counter_set_back
from arcdrift.analysis.arc.arc_regressors import usable_or_charted
from arcdrift.analysis.common.episodes import episodes, severity
from arcdrift.analysis.common.service_actions import REPLACED, RESTART_ACTIONS, service_near_onset
from arcdrift.arrays import Bools, Floats, Ints
from arcdrift.charts.change_point import step_onset
from arcdrift.finding import Cause, Finding, Onset

EPISODE_DAYS = 30
"""Days without an alarm after which the next alarm opens a new finding."""
HEAVY_SD = 2.0
"""Change, in repeatabilities of a check, from which a finding needs action."""
BEFORE = 25
"""Checks before the onset of a change with which its shape is judged."""
SHAPE_CHECKS = 5
"""Fewest checks of a change from which its shape is judged."""
WORKING_LOOSE = "electrode holder or electrodes working loose, or fouling"
RAMP_LEAD = 15
"""How many checks before or after the estimated onset of a step a ramp may start."""
LOGGED_WITHIN = pd.Timedelta(days=7)
"""A replacement on record this close to a new level is that level's."""
REPLACEMENT_ALARM_CHECKS = 20
"""Checks on new electrodes within which their alarm is that of the replacement itself."""
CHANGE_COLUMNS = [
    "splicer", "checked_at", "site", "arc_setting", "arcs", "epoch", "level", "excluded",
    "expected", "z", "ewma", "limit", "alarm", "beyond",
]  # fmt: skip
"""Columns of charted checks that these findings read."""
NO_ROWS = np.zeros(0, dtype=np.int64)


def crew_arc_findings(
    points: pd.DataFrame,
    service: pd.DataFrame,
    units: Mapping[str, str],
    repeatability: Mapping[str, float],
    now: pd.Timestamp,
) -> list[Finding]:
    """`arc_findings` of every splicer, in order of their names.

    Parameters
    ----------
    points : DataFrame
        Charted checks of every splicer.
    service : DataFrame
        Service events of every asset.
    units : mapping of str to str
        Unit of each splicer's arc setting.
    repeatability : mapping of str to float
        Standard deviation of a check, where it is known.
    """
    names = splicers_with_changes(points)
    if not names:
        return []
    rows_of, events_of = points.groupby("splicer").indices, service.groupby("asset").indices
    checks, findings = points[CHANGE_COLUMNS], list[Finding]()
    for name in names:
        rows, events = checks.iloc[rows_of[name]], service.iloc[events_of.get(name, NO_ROWS)]
        findings += arc_findings(
            rows.sort_values("checked_at"), events, units[name], now, repeatability.get(name)
        )
    return findings


def splicers_with_changes(points: pd.DataFrame) -> list[str]:
    """Splicers with an alarm, or a new level without service on record, in order of their names.

    The others can have no findings.
    """
    used = np.flatnonzero(points["excluded"].isna() | points["z"].notna())
    code, names = pd.factorize(points["splicer"].iloc[used], sort=True)
    order = np.lexsort((points["checked_at"].to_numpy(dtype="datetime64[us]")[used], code))
    rows, code = used[order], code[order]
    level, epoch = (np.diff(points[name].to_numpy()[rows]) != 0 for name in ("level", "epoch"))
    unlogged = level & ~epoch & (np.diff(code) == 0)
    changed = points["alarm"].to_numpy(dtype=bool)[rows]
    changed[1:] |= unlogged
    return [str(names[number]) for number in np.unique(code[changed])]


def arc_findings(
    points: pd.DataFrame,
    service: pd.DataFrame,
    unit: str,
    now: pd.Timestamp,
    repeatability: float | None = None,
) -> list[Finding]:
    """Findings on unexplained changes of one splicer's arc setting, and on unlogged replacements.

    Parameters
    ----------
    points : DataFrame
        The splicer's checks in time order with their chart (``z``, ``ewma``, ``alarm`` ...).
    service : DataFrame
        Its service events.
    unit : str
        Unit of its arc setting.
    repeatability : float, optional
        Standard deviation of a check (setting units); a change under two of them is watched,
        not acted on.
    """
    used = usable_or_charted(points).reset_index(drop=True)
    if used.empty:
        return []
    replaced = _unlogged_levels(used, service)
    found = [_replacement_finding(used, first, unit, now) for first in replaced]
    alarmed = used[used["alarm"].astype(bool) & ~_alarms_of_replacements(used, replaced)]
    return found + [
        _drift_finding(used, rows, service, unit, now, repeatability)
        for rows in _changes(used, alarmed)
    ]


def _unlogged_levels(used: pd.DataFrame, service: pd.DataFrame) -> list[int]:
    """First checks of new levels that no service on record explains."""
    level, epoch = used["level"].to_numpy(), used["epoch"].to_numpy()
    starts = 1 + np.flatnonzero((np.diff(level) != 0) & (np.diff(epoch) == 0))
    logged = service.loc[service["action"] == REPLACED, "serviced_at"]
    return [
        int(first)
        for first in starts
        if not ((logged - used["checked_at"][first]).abs() <= LOGGED_WITHIN).any()
    ]


def _alarms_of_replacements(used: pd.DataFrame, replaced: list[int]) -> Bools:
    """Whether a check's alarm is that of an unlogged replacement, shape (checks,)."""
    soon_after = np.zeros(len(used), dtype=bool)
    for first in replaced:
        soon_after[first : first + REPLACEMENT_ALARM_CHECKS] = True
    return soon_after & used["beyond"].isna().to_numpy()


def _replacement_finding(used: pd.DataFrame, first: int, unit: str, now: pd.Timestamp) -> Finding:
    """The electrodes were replaced, and nobody logged it."""
    splicer, when = str(used["splicer"].iloc[0]), used["checked_at"][first]
    before, after = float(used["arcs"][first - 1]), float(used["arcs"][first])
    set_back = bool(counter_set_back(used["arcs"].to_numpy(dtype=np.float64))[first])
    evidence: dict[str, object] = {"arcs_before": before, "arcs_after": after}
    if set_back:
        sign = f"the arc count was set back from {before:,.0f} to {after:,.0f}"
    else:
        change = float(used["arc_setting"][first] - used["expected"][first])
        evidence |= {"unexplained_change": round(change, 1), "setting_unit": unit}
        sign = (
            f"the arc setting moved by about {change:+.0f} {unit}, which is what the wear of "
            f"{before:,.0f} arcs had done"
        )
    return Finding(
        kind="replacement-not-logged",
        subject_type="splicer",
        subject_id=splicer,
        since=when.to_pydatetime(),
        until=when.to_pydatetime(),
        severity=severity(when, now, heavy=False),
        evidence=evidence,
        summary=f"{splicer}: the electrodes were probably replaced about {when:%Y-%m-%d} and "
        f"nobody logged it: {sign}.",
        next_step="Ask who replaced them and log it with its date. If nobody did, inspect the "
        "electrodes and v-grooves with the power off.",
        assessed_on=now.to_pydatetime(),
    )


def _changes(used: pd.DataFrame, alarmed: pd.DataFrame) -> list[Ints]:
    """Positions of the alarms of each change: near in time, or without an end between them."""
    runs: list[Ints] = []
    open_change = used["beyond"].notna().to_numpy()
    for rows in episodes(alarmed["checked_at"], pd.Timedelta(days=EPISODE_DAYS)):
        positions = rows.to_numpy(dtype=np.int64)
        if runs and open_change[runs[-1][-1] : positions[0] + 1].all():
            runs[-1] = np.concatenate([runs[-1], positions])
        else:
            runs.append(positions)
    return runs


def _drift_finding(
    used: pd.DataFrame,
    alarms: Ints,
    service: pd.DataFrame,
    unit: str,
    now: pd.Timestamp,
    repeatability: float | None,
) -> Finding:
    first, last = int(alarms[0]), _end(used, int(alarms[-1]))
    start = _run_start(used, first)
    onset = step_onset(used["z"].to_numpy(dtype=float)[start : first + 1])
    times = used["checked_at"]
    fitted = _change_shape(used, start + onset.index, first, last)
    change, onset_index = fitted.size, fitted.start
    kind = "arc-step" if fitted.shape == "step" else "arc-drift"
    heavy = repeatability is None or abs(change) >= HEAVY_SD * repeatability
    splicer = str(used["splicer"].iloc[0])
    onset_time = times[onset_index]
    verb = "jumped" if kind == "arc-step" else "has been drifting"
    outlived = service.loc[
        service["serviced_at"].between(onset_time, times[last]) & (service["action"] == REPLACED),
        "serviced_at",
    ]
    summary = (
        f"{splicer}: the arc setting {verb} by about {change:+.0f} {unit} since "
        f"{onset_time:%Y-%m-%d}, beyond what air and electrode wear explain."
    )
    evidence: dict[str, object] = {
        "unexplained_change": round(change, 1),
        "setting_unit": unit,
        "alarms": len(alarms),
        "checks_from_onset_to_alarm": first - onset_index + 1,
        "alarm_ewma": round(float(used["ewma"][first]), 2),
        "alarm_limit": round(float(used["limit"][first]), 2),
    }
    if len(outlived):
        evidence["electrodes_replaced_at"] = outlived.iloc[-1].isoformat()
        summary += f" It outlived the new electrodes of {outlived.iloc[-1]:%Y-%m-%d}."
    answered = service[
        (service["serviced_at"] > times[last])
        & (service["serviced_at"] <= now)
        & service["action"].isin(RESTART_ACTIONS)
    ].tail(1)
    for action, at in zip(answered["action"], answered["serviced_at"], strict=True):
        heavy = False  # what it asks for has been done; the checks to come say whether it helped
        evidence["service_since"] = f"{action} on {at:%Y-%m-%d}"
        summary += f" Since then: {action} on {at:%Y-%m-%d}."
    return Finding(
        kind=kind,
        subject_type="splicer",
        subject_id=splicer,
        since=times[first].to_pydatetime(),
        until=times[last].to_pydatetime(),
        onset=Onset(
            onset_time.to_pydatetime(),
            times[min(start + onset.earliest, onset_index)].to_pydatetime(),
            times[max(start + onset.latest, onset_index)].to_pydatetime(),
        ),
        severity=severity(times[last], now, heavy=heavy),
        evidence=evidence,
        likely_causes=_causes(kind, service, onset_time, used, onset_index),
        summary=summary,
        next_step="With the power off, inspect and clean the electrodes and v-grooves, then "
        "repeat the arc check on fresh standard fiber; replace the electrodes if it persists.",
        assessed_on=now.to_pydatetime(),
    )


def _end(used: pd.DataFrame, alarm: int) -> int:
    """Last check of the change that an alarm belongs to."""
    gone = np.flatnonzero(used["beyond"].isna().to_numpy()[alarm:])
    return max(alarm + int(gone[0]) - 1, alarm) if len(gone) else len(used) - 1


def _run_start(used: pd.DataFrame, alarm: int) -> int:
    """Index of the first charted check since the last alarm before ``alarm``."""
    alarms = np.flatnonzero(used["alarm"].to_numpy(dtype=bool)[:alarm])
    first = max(int(alarms[-1]) + 1 if len(alarms) else 0, alarm + 1 - LONGEST_CHANGE)
    return first + int(np.argmax(used["z"].notna().to_numpy()[first:]))


@dataclass(frozen=True)
class ChangeShape:
    """Shape of a change ("step" or "drift"), its first value, and its size at the last one."""

    shape: str
    start: int
    size: float


def _change_shape(used: pd.DataFrame, onset: int, first: int, last: int) -> ChangeShape:
    """Shape, first check and size (setting units) of a change.

    A change that soon went has no checks beyond the level before it: its size is the mean
    forecast error from onset to alarm.
    """
    error = (used["arc_setting"] - used["expected"]).to_numpy(dtype=float)
    beyond = used["beyond"].to_numpy(dtype=float)[onset : last + 1]
    beyond = beyond[~np.isnan(beyond)]
    if len(beyond) < SHAPE_CHECKS:
        return ChangeShape("step", onset, float(np.nanmean(error[onset : first + 1])))
    before = error[max(onset - BEFORE, 0) : onset]
    before = before[~np.isnan(before)]
    change = change_shape(np.concatenate([before, beyond]), len(before))
    return replace(change, start=min(onset + change.start - len(before), first))


def change_shape(level: Floats, onset: int) -> ChangeShape:
    """Decide whether a level steps or ramps up, from where, and how far.

    Compares the squared residuals of a step at ``onset`` with those of a ramp that may start up to
    `RAMP_LEAD` values earlier or later; the level before is estimated with either. The step, the
    simpler model, is chosen unless the ramp's are more than 10 % smaller.
    """
    time = np.arange(len(level), dtype=np.float64)

    def fit(change: Floats) -> tuple[float, float]:
        """Squared residuals, and the size at the last value."""
        rows = np.column_stack([change, np.ones(len(level))])
        coefficients = np.linalg.lstsq(rows, level, rcond=None)[0]
        residual = level - rows @ coefficients
        return float(residual @ residual), float(coefficients[0] * change[-1])

    step_squares, step_size = fit((time >= onset).astype(np.float64))
    starts = range(max(onset - RAMP_LEAD, 0), min(onset + RAMP_LEAD, len(level) - SHAPE_CHECKS) + 1)
    ramps = [fit(np.maximum(time - start + 1.0, 0.0)) for start in starts]
    best = min(range(len(ramps)), key=lambda i: ramps[i][0])
    if ramps[best][0] < 0.9 * step_squares:
        return ChangeShape("drift", starts[best], ramps[best][1])
    if onset == 0:
        step_size = float(level.mean())
    return ChangeShape("step", onset, step_size)


def _causes(
    kind: str,
    service: pd.DataFrame,
    onset_time: pd.Timestamp,
    used: pd.DataFrame,
    onset_index: int,
) -> tuple[Cause, ...]:
    """Likely causes of a change, with weights that sum to 1.

    Service and a move to another site change a setting at once. A drift goes on, so what wears or
    works loose is named first, and service near the onset, whose work may have been left loose,
    after it.
    """
    causes = []
    if kind == "arc-drift":
        reason = "the setting goes on creeping, and air and wear are accounted for"
        causes.append(Cause(WORKING_LOOSE, reason, 0.7))
    near_service = service_near_onset(service, onset_time)
    causes += [
        Cause(f"service: {action}", f"done on {when:%Y-%m-%d}, near the onset", 0.5)
        for action, when in zip(near_service["action"], near_service["serviced_at"], strict=True)
    ]
    sites = used["site"].to_numpy()
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
