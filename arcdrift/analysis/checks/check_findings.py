"""Findings from the daily checks: missed, late, failed (with splicing after it), doubtful."""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from arcdrift.analysis.checks.doubtful_checks import next_checks
from arcdrift.analysis.common.episodes import episodes, severity
from arcdrift.arrays import Ints, Microseconds
from arcdrift.finding import Cause, Finding
from arcdrift.wording import count_text

EPISODE_DAYS = 21
"""Calendar days without another case after which a new finding opens."""
LISTED_DAYS = 31
"""Most dates listed in a finding."""
COUNTED = (
    "splices", "splices_before_check", "failed_attempts", "splices_after_failure", "same_shift",
)  # fmt: skip
"""Columns of a splicer's days that are summed over an episode."""


def check_findings(days: pd.DataFrame, now: pd.Timestamp) -> list[Finding]:
    """Findings on missed, late and failed checks, one for each episode of one splicer.

    Parameters
    ----------
    days : DataFrame
        From `arcdrift.analysis.checks.daily_checks.daily_checks`.
    now : Timestamp
        UTC.
    """
    found: list[Finding] = []
    if days.empty:
        return found
    failed = (days["splices_after_failure"] > 0) | (days["status"] == "failed-only")
    selections = {
        "check-missed": days["status"] == "missed",
        "check-late": days["status"] == "late",
        "check-failed": failed,
    }
    splicer, names = pd.factorize(days["splicer"], sort=True)
    day = days["day"].to_numpy(dtype="datetime64[D]").astype(np.int64)
    time = days["first_splice_at"].to_numpy(dtype="datetime64[us]").astype(np.int64)
    counts = {name: days[name].to_numpy() for name in COUNTED}
    # splicer and day as one number, so that the workdays of a span are found in one search
    first_day, width = day.min() - EPISODE_DAYS, np.ptp(day) + 2 * EPISODE_DAYS
    number = splicer * width + day - first_day
    worked = np.sort(number[(days["splices"] > 0).to_numpy()])
    for kind, selected in selections.items():
        cases = np.flatnonzero(selected)
        cases = cases[np.argsort(number[cases], kind="stable")]
        pause = np.diff(day[cases]) > EPISODE_DAYS
        starts = 1 + np.flatnonzero(pause | (np.diff(splicer[cases]) != 0))
        for rows in np.split(cases, starts) if len(cases) else ():
            # the share of workdays includes the three weeks without a case before and after the
            # episode; counting from the first to the last case only would overstate it
            span = number[rows[0]] - EPISODE_DAYS + 1, number[rows[-1]] + EPISODE_DAYS - 1
            begin, end = (
                np.searchsorted(worked, span[0], "left"),
                np.searchsorted(worked, span[1], "right"),
            )
            sums = {name: int(values[rows].sum()) for name, values in counts.items()}
            name, workdays = str(names[splicer[rows[0]]]), int(end - begin)
            found.append(_finding(kind, name, day[rows], time[rows], sums, workdays, now))
    return found


def _finding(
    kind: str, splicer: str, day: Ints, time: Microseconds, sums: dict[str, int], workdays: int,
    now: pd.Timestamp,
) -> Finding:  # fmt: skip
    """Finding of one episode, from its days and the first splice on each."""
    first, last = (pd.Timestamp(edge(time), unit="us", tz="UTC") for edge in (np.min, np.max))
    evidence = {
        "days": len(day),
        "workdays_in_span": workdays,
        "dates": day[:LISTED_DAYS].astype("datetime64[D]").astype(str).tolist(),
    }
    summary, step, heavy = _finding_text(kind, splicer, len(day), sums, workdays, evidence)
    return Finding(
        kind=kind,
        subject_type="splicer",
        subject_id=splicer,
        since=first.to_pydatetime(),
        until=last.to_pydatetime(),
        severity=severity(last, now, heavy=heavy),
        evidence=evidence,
        summary=summary,
        next_step=step,
        assessed_on=now.to_pydatetime(),
    )


def _finding_text(
    kind: str,
    splicer: str,
    days: int,
    sums: dict[str, int],
    workdays: int,
    evidence: dict[str, object],
) -> tuple[str, str, bool]:
    """Summary, next step, and whether the finding is heavy; adds to ``evidence``."""
    days_text = f"{days} of {workdays} workdays around then"
    if kind == "check-missed":
        splices = sums["splices"]
        evidence["splices_without_check"] = splices
        step = "Run the arc check before the first splice; ask what kept the crew from it."
        same_shift_days = sums["same_shift"]
        if same_shift_days:
            evidence["days_with_a_check_just_before_the_workday"] = same_shift_days
            step = (
                f"On {same_shift_days} of these days a check had passed less than 8 hours "
                "earlier, but on the workday before: if that was the same shift, move "
                "day_starts_at in crew.toml; otherwise run the arc check before the first splice."
            )
        return (
            f"{splicer}: no arc check on {days_text}; {_made(splices)} on an unchecked arc.",
            step,
            days >= 2,
        )
    if kind == "check-late":
        splices_before = sums["splices_before_check"]
        evidence["splices_before_check"] = splices_before
        return (
            f"{splicer}: the arc check came after the first splice on {days_text}; "
            f"{_made(splices_before)} before it.",
            "Check first, splice second: agree who checks when the splicer is set up.",
            False,
        )
    splices_after = sums["splices_after_failure"]
    evidence["failed_attempts"] = sums["failed_attempts"]
    evidence["splices_after_failure"] = splices_after
    return (
        f"{splicer}: splicing went on after a failed arc check on {days_text}; "
        f"{_made(splices_after)} before one passed."
        if splices_after
        else f"{splicer}: no arc check passed on {days_text}, only failed attempts.",
        "Clean the v-grooves and electrodes with the power off, use freshly cleaved standard "
        "fiber, and check again; do not splice customer fiber until a check passes.",
        True,
    )


def doubtful_findings(
    points: pd.DataFrame, units: Mapping[str, str], now: pd.Timestamp
) -> list[Finding]:
    """Findings on checks whose setting jumped and was not confirmed by the next check.

    Parameters
    ----------
    points : DataFrame
        Charted arc checks (rows of ``result_arc_points``), with ``doubt_limit`` from
        `arcdrift.analysis.checks.doubtful_checks.doubt_limits`.
    units : mapping
        Setting unit by splicer.
    now : Timestamp
        UTC.
    """
    if points.empty:
        return []
    points = points.join(next_checks(points, ["checked_at", "arc_setting"]).add_prefix("next_"))
    doubted = points[points["doubt_limit"].notna()].sort_values("checked_at")
    return [
        _doubtful(rows.loc[labels], units.get(str(splicer), "steps"), now)
        for splicer, rows in doubted.groupby("splicer")
        for labels in episodes(rows["checked_at"], pd.Timedelta(days=EPISODE_DAYS))
    ]


def _doubtful(checks: pd.DataFrame, unit: str, now: pd.Timestamp) -> Finding:
    last, splicer = checks.iloc[-1], str(checks["splicer"].iloc[-1])
    checked_at, next_checked_at = last["checked_at"], last["next_checked_at"]
    setting, expected, following = (
        float(last[name]) for name in ("arc_setting", "expected", "next_arc_setting")
    )
    count_note = "" if len(checks) == 1 else f"; it is the last of {len(checks)} such checks"
    return Finding(
        kind="check-doubtful",
        subject_type="splicer",
        subject_id=splicer,
        since=checks["checked_at"].iloc[0].to_pydatetime(),
        until=checked_at.to_pydatetime(),
        severity=severity(checked_at, now, heavy=False),
        evidence={
            "checks": len(checks),
            "setting_found": round(setting, 2),
            "setting_forecast": round(expected, 2),
            "setting_next": round(following, 2),
            "setting_unit": unit,
            "sd_from_forecast": round(float(last["z"]), 1),
            "hours_until_next_check": round(
                (next_checked_at - checked_at) / pd.Timedelta(hours=1), 1
            ),
        },
        likely_causes=(
            Cause(
                "the check itself: a bad check fiber, or dirt in the v-grooves",
                "the next check found the arc about where air and wear put it",
                1.0,
            ),
        ),
        summary=(
            f"{splicer}: the arc check of {checked_at:%Y-%m-%d} set {setting:g} {unit} where "
            f"{expected:.0f} was forecast; the next check did not confirm it "
            f"({following:g} {unit}){count_note}."
        ),
        next_step="When a check jumps like this, clean the v-grooves with the power off, take "
        "fresh, newly cleaved check fiber and repeat it before splicing; look again at the "
        "splices made between these two checks.",
        assessed_on=now.to_pydatetime(),
    )


def _made(splices: int) -> str:
    return f"{count_text(splices, 'splice')} {'was' if splices == 1 else 'were'} made"
