"""Findings from the daily checks: missed, late, and work done on a failed check."""

from collections.abc import Iterator

import pandas as pd

from arcdrift.analysis.episodes import episodes, severity
from arcdrift.finding import Finding

EPISODE_DAYS = 21
"""Calendar days without another case after which a new finding opens."""
LISTED_DAYS = 31


def check_findings(days: pd.DataFrame, now: pd.Timestamp) -> list[Finding]:
    """Turn splicer-days into findings, one for each episode of one splicer.

    Parameters
    ----------
    days : DataFrame
        From `arcdrift.analysis.checks.daily_checks`.
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
    for kind, chosen in selections.items():
        for splicer, mine in days[chosen].groupby("splicer"):
            worked = days[(days["splicer"] == splicer) & (days["splices"] > 0)]
            found += _of_splicer(kind, str(splicer), mine, worked, now)
    return found


def _of_splicer(
    kind: str, splicer: str, cases: pd.DataFrame, worked: pd.DataFrame, now: pd.Timestamp
) -> Iterator[Finding]:
    for rows in episodes(cases["day"], pd.Timedelta(days=EPISODE_DAYS)):
        part = cases.loc[rows]
        first, last = part["first_splice_at"].min(), part["first_splice_at"].max()
        # three weeks either side hold no other case, so the share is not picked to look bad
        around = pd.Timedelta(days=EPISODE_DAYS - 1)
        inside = worked["day"].between(part["day"].min() - around, part["day"].max() + around)
        workdays = int(inside.sum())
        evidence = {
            "days": len(part),
            "workdays_in_span": workdays,
            "dates": [day.strftime("%Y-%m-%d") for day in part["day"][:LISTED_DAYS]],
        }
        summary, step, heavy = _words(kind, splicer, part, workdays, evidence)
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
    kind: str, splicer: str, part: pd.DataFrame, workdays: int, evidence: dict[str, object]
) -> tuple[str, str, bool]:
    """Summary, next step, and whether it weighs heavily; adds its own evidence."""
    days = len(part)
    if kind == "check-missed":
        splices = int(part["splices"].sum())
        evidence["splices_without_check"] = splices
        return (
            f"{splicer}: no arc check on {_of(days, workdays)}; {splices} splices were made on "
            "an unchecked arc.",
            "Run the arc check before the first splice; ask what kept the crew from it.",
            days >= 2,
        )
    if kind == "check-late":
        before = int(part["splices_before_check"].sum())
        evidence["splices_before_check"] = before
        return (
            f"{splicer}: the arc check came after the first splice on {_of(days, workdays)}; "
            f"{before} splices were made before it.",
            "Check first, splice second: agree who checks when the splicer is set up.",
            False,
        )
    after = int(part["splices_after_failure"].sum())
    evidence["failed_attempts"] = int(part["failed_attempts"].sum())
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
