"""Findings from the daily checks: missed, late, work done on a failed check, doubtful settings."""

from collections.abc import Iterator, Mapping

import numpy as np
import pandas as pd

from arcdrift.analysis.common.episodes import episodes, severity
from arcdrift.arrays import Datetimes
from arcdrift.finding import Cause, Finding

EPISODE_DAYS = 21
"""Calendar days without another case after which a new finding opens."""
LISTED_DAYS = 31
COUNTED = (
    "splices", "splices_before_check", "failed_attempts", "splices_after_failure", "same_shift",
)  # fmt: skip
"""Columns of a splicer's days that are added up over an episode."""
DOUBTFUL_SD = 3.5
"""Standard deviations from the forecast beyond which a check is doubted, if the next one is not
on its side. Of 1495 checks of three simulated healthy crews (8 splicers, 120 days) at most one was
doubted, at 3.0 seven; of 72 checks moved by 6 sd, 67 were."""
CONFIRMED_SD = 1.0
"""A next check that lies as far off on the same side confirms: the arc itself moved."""

_NO_DAYS: Datetimes = np.zeros(0, "datetime64[us]")


def check_findings(days: pd.DataFrame, now: pd.Timestamp) -> list[Finding]:
    """Turn splicer-days into findings, one for each episode of one splicer.

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
    worked = {
        splicer: np.sort(mine.to_numpy())
        for splicer, mine in days[days["splices"] > 0].groupby("splicer")["day"]
    }
    for kind, chosen in selections.items():
        for splicer, mine in days[chosen].groupby("splicer"):
            found += _of_splicer(kind, str(splicer), mine, worked.get(splicer, _NO_DAYS), now)
    return found


def _of_splicer(
    kind: str, splicer: str, cases: pd.DataFrame, worked: Datetimes, now: pd.Timestamp
) -> Iterator[Finding]:
    cases = cases.sort_values("day")
    day = cases["day"].to_numpy().astype("datetime64[D]")
    at = cases["first_splice_at"].to_numpy(dtype="datetime64[us]").astype(np.int64)
    counts = {name: cases[name].to_numpy() for name in COUNTED}
    # three weeks either side hold no other case, so the share is not picked to look bad
    around = np.timedelta64(EPISODE_DAYS - 1, "D")
    pauses = np.flatnonzero(np.diff(day) > np.timedelta64(EPISODE_DAYS, "D")) + 1
    for rows in np.split(np.arange(len(day)), pauses):
        first, last = (
            pd.Timestamp(edge(at[rows]), unit="us", tz="UTC") for edge in (np.min, np.max)
        )
        begin = np.searchsorted(worked, day[rows[0]] - around, "left")
        end = np.searchsorted(worked, day[rows[-1]] + around, "right")
        workdays = int(end - begin)
        evidence = {
            "days": len(rows),
            "workdays_in_span": workdays,
            "dates": day[rows[:LISTED_DAYS]].astype(str).tolist(),
        }
        part = {name: int(values[rows].sum()) for name, values in counts.items()}
        summary, step, heavy = _words(kind, splicer, len(rows), part, workdays, evidence)
        yield Finding(
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


def _words(
    kind: str,
    splicer: str,
    days: int,
    part: dict[str, int],
    workdays: int,
    evidence: dict[str, object],
) -> tuple[str, str, bool]:
    """Summary, next step, and whether it weighs heavily; adds its own evidence."""
    if kind == "check-missed":
        splices = part["splices"]
        evidence["splices_without_check"] = splices
        step = "Run the arc check before the first splice; ask what kept the crew from it."
        shared = part["same_shift"]
        if shared:
            evidence["days_with_a_check_just_before_the_workday"] = shared
            step = (
                f"On {shared} of these days a check had passed less than 8 hours earlier, but on "
                "the workday before: if that was the same shift, move day_starts_at in crew.toml; "
                "otherwise run the arc check before the first splice."
            )
        return (
            f"{splicer}: no arc check on {_of(days, workdays)}; {splices} splices were made on "
            "an unchecked arc.",
            step,
            days >= 2,
        )
    if kind == "check-late":
        before = part["splices_before_check"]
        evidence["splices_before_check"] = before
        return (
            f"{splicer}: the arc check came after the first splice on {_of(days, workdays)}; "
            f"{before} splices were made before it.",
            "Check first, splice second: agree who checks when the splicer is set up.",
            False,
        )
    after = part["splices_after_failure"]
    evidence["failed_attempts"] = part["failed_attempts"]
    evidence["splices_after_failure"] = after
    return (
        f"{splicer}: splicing went on after a failed arc check on {_of(days, workdays)}; "
        f"{after} splices were made before one passed."
        if after
        else f"{splicer}: no arc check passed on {_of(days, workdays)}, only failed attempts.",
        "Clean the v-grooves and electrodes with the power off, use freshly cleaved standard "
        "fiber, and check again; do not splice customer fiber until a check passes.",
        True,
    )


def _of(days: int, workdays: int) -> str:
    return f"{days} of {workdays} workdays around then"


def doubtful_findings(
    points: pd.DataFrame, units: Mapping[str, str], now: pd.Timestamp
) -> list[Finding]:
    """Checks whose setting jumped, and that the next check did not confirm.

    A badly cleaved check fiber or dirt in the v-grooves spoils one check; an arc that moved shows
    again at the next. A check is doubted once the next judged check on the same electrodes has
    spoken; the latest is not doubted yet.

    Parameters
    ----------
    points : DataFrame
        Charted arc checks (rows of ``result_arc_points``).
    units : mapping
        Setting unit by splicer.
    now : Timestamp
        UTC.
    """
    judged = points[points["z"].notna()] if len(points) else points
    if judged.empty:
        return []
    judged = judged.sort_values(["splicer", "checked_at", "point"], ignore_index=True)
    following = judged.groupby("splicer")[["z", "epoch", "checked_at", "arc_setting"]].shift(-1)
    judged = judged.join(following.add_prefix("next_"))
    doubted = (
        (judged["z"].abs() > DOUBTFUL_SD)
        & (judged["next_epoch"] == judged["epoch"])
        & (np.sign(judged["z"]) * judged["next_z"] < CONFIRMED_SD)
    )
    return [
        _doubtful(mine.loc[rows], units.get(str(splicer), "steps"), now)
        for splicer, mine in judged[doubted].groupby("splicer")
        for rows in episodes(mine["checked_at"], pd.Timedelta(days=EPISODE_DAYS))
    ]


def _doubtful(part: pd.DataFrame, unit: str, now: pd.Timestamp) -> Finding:
    last, splicer = part.iloc[-1], str(part["splicer"].iloc[-1])
    at, again = last["checked_at"], last["next_checked_at"]
    setting, expected, following = (
        float(last[name]) for name in ("arc_setting", "expected", "next_arc_setting")
    )
    times = "" if len(part) == 1 else f"; it is the last of {len(part)} such checks"
    return Finding(
        kind="check-doubtful",
        subject_type="splicer",
        subject_id=splicer,
        since=part["checked_at"].iloc[0].to_pydatetime(),
        until=at.to_pydatetime(),
        severity=severity(at, now, heavy=False),
        evidence={
            "checks": len(part),
            "setting_found": round(setting, 2),
            "setting_forecast": round(expected, 2),
            "setting_next": round(following, 2),
            "setting_unit": unit,
            "sd_from_forecast": round(float(last["z"]), 1),
            "hours_until_next_check": round((again - at) / pd.Timedelta(hours=1), 1),
        },
        likely_causes=(
            Cause(
                "the check itself: a bad check fiber, or dirt in the v-grooves",
                "the next check found the arc about where air and wear put it",
                1.0,
            ),
        ),
        summary=(
            f"{splicer}: the arc check of {at:%Y-%m-%d} set {setting:g} {unit} where "
            f"{expected:.0f} was forecast; the next check did not confirm it "
            f"({following:g} {unit}){times}."
        ),
        next_step="When a check jumps like this, clean the v-grooves with the power off, take "
        "fresh, newly cleaved check fiber and repeat it before splicing; look again at the "
        "splices made between these two checks.",
        assessed_on=now.to_pydatetime(),
    )
