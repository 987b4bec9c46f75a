"""Titles of cases: plain sentences such as "Dunlin: loss up 45 % since 19 Oct"."""

import re
from collections.abc import Sequence
from datetime import date

from arcdrift.analysis.cases.check_habits import CheckHabit
from arcdrift.case import Key
from arcdrift.finding import KINDS, SEVERITY_ORDER, Finding
from arcdrift.wording import holding_text, percent_text

LEADING_KINDS = (
    "arc-step", "arc-drift", "clock-wrong", "cleave-raised", "loss-raised", "loss-dirty",
    "first-time-lowered", "errors-raised", "cleave-uneven", "cleave-run", "prep-inconsistent",
    "loss-scattered", "loss-over-limit",
)  # fmt: skip
"""Kinds whose finding gives a case its title before others of the same severity."""
SHARES = {
    "loss-dirty": "splices dirty",
    "first-time-lowered": "places needed another attempt",
    "errors-raised": "attempts ended with an error",
}
"""What a share of each such kind is of, and what these are."""
SERVICE = {
    "cleaned": "cleaning", "v-grooves cleaned": "v-groove cleaning",
    "blade rotated": "turn of the blade", "blade replaced": "new blade",
}  # fmt: skip


def leading_finding(findings: Sequence[Finding]) -> Finding:
    """The finding that speaks for a case: the most severe, most telling and latest one."""

    def order(finding: Finding) -> tuple[int, int, float]:
        kind = finding.kind
        rank = LEADING_KINDS.index(kind) if kind in LEADING_KINDS else len(LEADING_KINDS)
        return SEVERITY_ORDER[finding.severity], rank, -finding.until.timestamp()

    return min(findings, key=order)


def short_day(day: date, today: date) -> str:
    """A day as on a calendar; with the year where it is not the present one."""
    text = f"{day.day} {day:%b}"
    return text if day.year == today.year else f"{text} {day.year}"


_ENDS_WITH_DAY = re.compile(r"\d{1,2} [A-Z][a-z]{2}$")


def title_of_past_year(title: str, until: date, today: date) -> str:
    """Add its year to the day at the end of a title that was made in an earlier year.

    A title without a year was made in the year of its day. As no day of a title is later than the
    latest evidence, and no evidence later than the analysis, that is the year of `until`, too.
    """
    if until.year == today.year or _ENDS_WITH_DAY.search(title) is None:
        return title
    return f"{title} {until.year}"


def case_title(
    key: Key,
    finding: Finding,
    began: date,
    until: date,
    today: date,
    habit: CheckHabit | None = None,
) -> str:
    """Title of a case in one plain sentence.

    Parameters
    ----------
    finding : Finding
        Its `leading_finding`.
    began, until, today : date
        Local days of the finding's onset and latest evidence, and of today.
    habit : CheckHabit, optional
        Of a case of missed and late checks.
    """
    subject = key[2]
    if finding.subject_type == "stream" and key[1] == "splicer":
        subject = finding.subject_id.replace(" / ", ", ", 1)
    elif key[1] == "crew":
        subject = "The whole crew"
    elif key[1] == "holding":
        subject = holding_text(subject)
    since = f"since {short_day(began, today)}"
    if habit is not None:
        return f"{subject}: check missed or late on {habit.bad} of {habit.days} workdays {since}"
    return f"{subject}: {_what(finding, since, short_day(until, today))}"


def _what(finding: Finding, since: str, last: str) -> str:
    evidence, kind = finding.evidence, finding.kind
    if kind in ("loss-raised", "loss-lowered", "loss-scattered"):
        change = 100 * (float(evidence["ratio"]) - 1)
        if kind == "loss-scattered":
            return f"losses scatter {change:.0f} % more {since}"
        return f"loss {'up' if change > 0 else 'down'} {abs(change):.0f} % {since}"
    if kind in SHARES:
        now, usual = (
            percent_text(float(evidence[name])) for name in ("share_since", "share_expected")
        )
        return f"{now} of {SHARES[kind]} {since}, usually {usual}"
    if kind in ("arc-step", "arc-drift"):
        change, unit = float(evidence["unexplained_change"]), evidence["setting_unit"]
        digits = 0 if abs(change) >= 1.0 else 1  # some units are large
        if kind == "arc-drift":
            return f"arc setting creeping, {change:+.{digits}f} {unit} {since}"
        way = "up" if change > 0 else "down"
        return f"arc setting {way} {abs(change):.{digits}f} {unit} {since}"
    if kind == "cleave-raised":
        change = float(evidence["angle_change_pct"])
        if "ended" not in evidence:
            return f"cleave angles {change:.0f} % above the median colleague's"
        return f"cleave angles up {change:.0f} % {since}"
    if kind == "cleave-run":
        runs = int(evidence["runs"])
        return f"{runs} run{'' if runs == 1 else 's'} of bad cleaves {since}"
    if kind == "check-failed":
        splices = int(evidence["splices_after_failure"])
        if not splices:
            return f"no check passed, only failed attempts, {last}"
        return f"{splices:,} splice{'' if splices == 1 else 's'} after a failed check, {last}"
    if kind == "electrodes-worn":
        return _worn(evidence)
    if kind == "service-due":
        return f"{SERVICE.get(evidence['service'], evidence['service'])} due {since}"
    if kind == "loss-over-limit":
        mean, limit = (float(evidence[name]) for name in ("mean_db", "average_limit_db"))
        return f"{mean:.2f} dB a splice, {limit:.2f} accepted, {since}"
    return f"{KINDS[kind][:1].lower()}{KINDS[kind][1:]}, {last}"


def _worn(evidence: dict[str, object]) -> str:
    left = evidence.get("arcs_left")
    if left is None:
        return "electrodes near their limit"
    if int(str(left)) <= 0:
        return "electrodes past their life"
    return f"electrodes near their limit, {int(str(left)):,} arcs left"
