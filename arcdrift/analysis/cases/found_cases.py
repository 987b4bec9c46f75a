"""Cases as an analysis finds them: findings of one cause on one subject, and what ended them."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

from arcdrift.analysis.cases.case_groups import CaseGroup, Episode, case_groups, onset_of
from arcdrift.analysis.cases.case_keys import cause_text, leading_cause
from arcdrift.analysis.cases.case_matching import match_cases
from arcdrift.analysis.cases.case_measures import CaseMeasures
from arcdrift.analysis.cases.case_records import CaseRecords, FoundAction
from arcdrift.analysis.cases.case_titles import case_title, leading_finding, title_of_past_year
from arcdrift.analysis.cases.check_habits import CheckHabit
from arcdrift.analysis.cases.outcome import (
    FOLLOWS,
    SETTLED_DAYS,
    Outcome,
    levels_text,
    may_have_ended,
)
from arcdrift.analysis.checks.compliance import wilson
from arcdrift.case import KeptCase, Key
from arcdrift.finding import Finding
from arcdrift.instants import day_text

MOST_WORKDAYS = 30
"""Latest workdays of a case's subject that are kept with it, to count those since an action."""
PASSES = timedelta(days=28)
"""Time without evidence after which a case that nobody took on has passed, as findings fade."""
RATES = {
    "loss-dirty": ("dirty", "splices"),
    "first-time-lowered": ("not right first time", "places"),
    "errors-raised": ("ended with an error", "attempts"),
}
"""Kinds of finding about a share: what is counted, and of what."""
MEASURED = ("arc", "loss", "cleave")
"""Causes whose charts tell when the measure is back to usual."""
TRANSIENT = "air"
"""Cause that is new every day: nothing of it is kept, and nobody can say anything about it."""
REPLACED_WITHIN = timedelta(days=28)
"""Time after the latest evidence of worn electrodes within which their replacement closes a case of
which nobody has said anything; later ones end another pair."""
FAILED_CHECK_TOLD = timedelta(days=7)
"""Time for which work after one failed check is listed when a check has passed since."""
QUIET = (TRANSIENT, "better")
"""Causes that are no work for anybody: `arcdrift advise` tells of today's air, and less loss than
before is good news."""


@dataclass(frozen=True)
class FoundCases:
    """Cases of an analysis.

    Attributes
    ----------
    documents : tuple of dict
        What was found of each (`arcdrift.analysis.cases.case_states.case_view` adds what people
        said).
    case_ids : dict of str
        Case of each finding by the finding's id; those of the revisit list have none.
    kept : tuple of KeptCase
        What is to be kept of them.
    """

    documents: tuple[dict[str, Any], ...]
    case_ids: dict[str, str]
    kept: tuple[KeptCase, ...]


@dataclass(frozen=True)
class Resolution:
    """Why a case closes itself: how (a key of `arcdrift.case.CLOSED_WORDS`), when (UTC), why."""

    how: str
    at: datetime
    why: str


def found_cases(
    findings: Iterable[Finding],
    kept: Sequence[KeptCase],
    records: CaseRecords,
    now: datetime,
    measures: CaseMeasures | None = None,
    said: Mapping[str, Sequence[datetime]] | None = None,
) -> FoundCases:
    """Group findings to cases, give them the ids of kept cases, and see what ended them.

    Parameters
    ----------
    findings : iterable of Finding
        All findings of the analysis.
    kept : sequence of KeptCase
        What earlier analyses kept.
    now : datetime
        The instant the results speak of (UTC).
    measures : CaseMeasures, optional
        What tells whether an action helped; without it only the end of the evidence does.
    said : mapping of str to sequence of datetime, optional
        By id of a case: when people said that something was done (UTC).
    """
    documents: list[dict[str, Any]] = []
    case_ids: dict[str, str] = {}
    keep: list[KeptCase] = []
    matched = match_cases(case_groups(findings, records.cleavers), kept)
    for match in matched:
        ids = (match.kept.id, *match.absorbed)
        done = [at for name in ids for at in (said or {}).get(name, ())]
        document = _document(match.group, records, now, measures, done)
        document = {"id": match.kept.id, "absorbed": list(match.absorbed), **document}
        documents.append(document)
        if match.group.key[0] != TRANSIENT:
            keep.append(replace(match.kept, title=document["title"]))
        case_ids |= {finding.id: match.kept.id for finding in match.group.findings}
    known = {name for match in matched for name in (match.kept.id, *match.absorbed)}
    lost = [case for case in kept if case.id not in known]
    documents += [
        _lost_document(case, records, now)
        for case in lost
        if case.spoken or _is_replaced(case, records)
    ]
    return FoundCases(tuple(documents), case_ids, tuple(keep))


def _document(
    group: CaseGroup,
    records: CaseRecords,
    now: datetime,
    measures: CaseMeasures | None,
    done: Sequence[datetime],
) -> dict[str, Any]:
    key, episodes = group.key, group.episodes
    latest = [finding for finding in group.findings if onset_of(finding) >= episodes[-1].began]
    finding = leading_finding(latest)
    habit = _habit(group, records)
    day = records.local_day
    until = episodes[-1].until if habit is None else habit.until.to_pydatetime()
    today, until_day = day(key, now), day(key, until)
    latest_day = until_day + timedelta(days=FOLLOWS)
    actions = [
        action
        for action in records.actions(key, group.began)
        if day(key, action.at) <= latest_day  # what is done later is not about this case
    ]
    workdays = records.workdays_since(key, min(until_day, today))
    recent = records.workdays_since(key, day(key, group.began))[-MOST_WORKDAYS:]
    outcomes = _outcomes(
        group, latest, habit, [*(action.at for action in actions), *done], records, measures, now
    )
    resolution = _resolution(
        group, episodes[-1], finding, habit, actions, workdays, outcomes, records, now
    )
    cause = leading_cause(finding)
    if habit is not None:
        title = case_title(key, finding, day(key, habit.since), until_day, today, habit)
    else:
        title = case_title(
            key, finding, day(key, onset_of(finding)), day(key, finding.until), today
        )
    onset = finding.onset
    return {
        "title": title,
        "subject": {"type": key[1], "id": key[2]},
        "cause": key[0],
        "cause_text": cause_text(key[0]) if cause is None else cause.cause,
        "severity": finding.severity,
        "told": _is_told(group, finding, habit, resolution, now),
        "measured": _is_measured(group),
        "since": _stamp(group.began if habit is None else habit.since),
        "since_earliest": None if onset is None else _stamp(onset.earliest),
        "since_latest": None if onset is None else _stamp(onset.latest),
        "seen": _stamp(group.seen if habit is None else habit.seen),
        "until": _stamp(until),
        "until_day": until_day.isoformat(),
        "zone": str(records.zone(*key[1:])),
        "episodes": _episodes(key, episodes, actions, records)
        if habit is None
        else _episodes(key, _habit_episode(habit), (), records),
        "rate": _rate(habit, finding),
        "found_actions": [_action(action, key, records) for action in actions],
        "workdays": [one.isoformat() for one in recent],
        "outcomes": {day: asdict(one) for day, one in outcomes.items()},
        "causes": [{"cause": one.cause, "weight": one.weight} for one in finding.likely_causes],
        "resolution": None
        if resolution is None
        else {"how": resolution.how, "at": _stamp(resolution.at), "why": resolution.why},
        "next_step": finding.next_step,
        "findings": [finding.id for finding in group.findings],
    }


def _is_replaced(case: KeptCase, records: CaseRecords) -> bool:
    """Whether a case of electrodes ended with their replacement, as worn ones do."""
    key = case.keys[0]
    return key[0] == "electrodes" and any(
        case.until <= action.at <= case.until + REPLACED_WITHIN
        for action in records.actions(key, case.began)
    )


def _lost_document(case: KeptCase, records: CaseRecords, now: datetime) -> dict[str, Any]:
    """Document of a case of which nothing is found any more."""
    key = case.keys[0]
    actions = records.actions(key, case.began)
    upkeep = [action for action in actions if key[0].split(":")[0] in ("electrodes", "service")]
    until_day = records.local_day(key, case.until)
    if upkeep:
        last = next((action for action in upkeep if action.at >= case.until), upkeep[-1])
        ended = Resolution("cured", last.at, _done_text(last, key, records))
    else:
        ended = Resolution("not-found", now, "the records no longer show it")
    return {
        "id": case.id,
        "absorbed": [],
        "title": title_of_past_year(case.title, until_day, records.local_day(key, now)),
        "subject": {"type": key[1], "id": key[2]},
        "cause": key[0],
        "cause_text": cause_text(key[0]),
        "severity": "note",
        "told": True,
        "measured": False,
        "since": _stamp(case.began),
        "since_earliest": None,
        "since_latest": None,
        "seen": _stamp(case.first_seen),
        "until": _stamp(case.until),
        "until_day": until_day.isoformat(),
        "zone": str(records.zone(*key[1:])),
        "episodes": [
            {"began": _stamp(case.began), "seen": _stamp(case.first_seen),
             "until": _stamp(case.until)}
        ],
        "rate": None,
        "found_actions": [_action(action, key, records) for action in actions],
        "workdays": [],
        "outcomes": {},
        "causes": [],
        "resolution": {"how": ended.how, "at": _stamp(ended.at), "why": ended.why},
        "next_step": "",
        "findings": [],
    }  # fmt: skip


def _habit(group: CaseGroup, records: CaseRecords) -> CheckHabit | None:
    """The latest habit within the time of a case of missed and late checks."""
    if group.key[0] != "checks":
        return None
    habits = [
        habit
        for habit in records.habits.get(group.key[2], ())
        if habit.since <= group.until and habit.until >= group.began
    ]
    return habits[-1] if habits else None


def _episodes(
    key: Key, episodes: Sequence[Episode], actions: Sequence[FoundAction], records: CaseRecords
) -> list[dict[str, Any]]:
    """Episodes of a case; earlier ones with when and why it had closed itself, if it had."""
    rows: list[dict[str, Any]] = []
    for number, episode in enumerate(episodes):
        row: dict[str, Any] = {
            name: _stamp(getattr(episode, name)) for name in ("began", "seen", "until")
        }
        if number + 1 < len(episodes):
            row["closed"] = _closed_between(
                key, episode.until, episodes[number + 1].seen, actions, records
            )
        rows.append(row)
    return rows


def _closed_between(
    key: Key,
    until: datetime,
    again: datetime,
    actions: Sequence[FoundAction],
    records: CaseRecords,
) -> dict[str, Any] | None:
    """How a case closed itself between two episodes, as far as their evidence tells."""
    day = records.local_day
    cure = _cure(key, until, [action for action in actions if action.at < again], records)
    if cure is not None:
        since = max(day(key, cure.at), day(key, until))
        later = [
            workday for workday in records.workdays_since(key, since) if workday < day(key, again)
        ]
        if len(later) >= SETTLED_DAYS:
            at = _noon(later[SETTLED_DAYS - 1])
            return {"how": "cured", "at": _stamp(at), "why": _done_text(cure, key, records)}
    if cure is None and again - until >= PASSES:
        why = f"no evidence since {day_text(day(key, until))}"
        return {"how": "passed", "at": _stamp(until + PASSES), "why": why}
    return None


def _habit_episode(habit: CheckHabit) -> list[Episode]:
    seen, until = habit.seen.to_pydatetime(), habit.until.to_pydatetime()
    return [Episode(habit.since.to_pydatetime(), seen, until)]


def _rate(habit: CheckHabit | None, finding: Finding) -> dict[str, Any] | None:
    """Rate of a habit, or of a share, beside the usual one."""
    if habit is not None:
        bad, of, usual = habit.bad, habit.days, habit.usual
        what, unit = "missed or late", "workdays"
    elif finding.kind in RATES and finding.evidence.get(f"{RATES[finding.kind][1]}_since"):
        what, unit = RATES[finding.kind]
        of, usual = int(finding.evidence[f"{unit}_since"]), finding.evidence["share_expected"]
        bad = round(of * finding.evidence["share_since"])
    else:
        return None
    low, high = wilson(bad, of)
    values = {"share": bad / of, "low": low, "high": high, "usual": usual}
    return {
        "what": what, "bad": bad, "of": of, "unit": unit,
        **{name: round(float(value), 4) for name, value in values.items()},
    }  # fmt: skip


def _is_told(
    group: CaseGroup,
    finding: Finding,
    habit: CheckHabit | None,
    resolution: Resolution | None,
    now: datetime,
) -> bool:
    """Whether a case is listed: work for somebody, and no habit that is usual."""
    cause = group.key[0]
    if cause == "failed-check" and resolution is not None and len(group.episodes) == 1:
        return now - resolution.at < FAILED_CHECK_TOLD  # once is no habit
    if cause in QUIET:
        return False
    if cause == "checks":
        return habit is not None
    if cause == "doubtful-check":
        return finding.severity != "note"
    if cause.startswith("service: "):
        return finding.severity == "act"  # until it is overdue, the list of upkeep tells of it
    return True


def _is_measured(group: CaseGroup) -> bool:
    """Whether a chart tells when the measure of a case is back to usual."""
    if group.key[0] == "hand":
        return all("alarms" in finding.evidence or "ended" in finding.evidence
                   for finding in group.findings)  # fmt: skip
    return group.key[0] in MEASURED


def _resolution(
    group: CaseGroup,
    episode: Episode,
    finding: Finding,
    habit: CheckHabit | None,
    actions: Sequence[FoundAction],
    workdays: Sequence[date],
    outcomes: Mapping[str, Outcome],
    records: CaseRecords,
    now: datetime,
) -> Resolution | None:
    """Why a case is over by its latest evidence; None where it is not."""
    key, until = group.key, episode.until
    cause, day = key[0], records.local_day
    if cause == "checks":
        if habit is not None and not habit.ended:
            return None
        until = until if habit is None else habit.until.to_pydatetime()
        text = "checks are in time about as often as in the rest of the crew"
        return Resolution("past", until, text)
    if cause == "failed-check":
        passed = records.next_passed_check(key[2], day(key, until))
        if passed is None:
            return None
        return Resolution("past", passed, f"a check passed on {day_text(day(key, passed))}")
    if cause == "doubtful-check":
        return Resolution("past", until, "the next check did not confirm it")
    if cause == "better":
        return Resolution("past", until, "less loss than before needs no work")
    if cause == "electrodes" and finding.kind in ("electrodes-late", "electrodes-early"):
        return Resolution("past", until, f"replaced on {day_text(day(key, until))}")
    if cause == "readings" and workdays:
        return Resolution("past", until, "records after it have air readings near them")
    if cause in ("clock", "air") or cause.startswith("service: ") or (
        finding.kind == "electrodes-worn"
    ):  # fmt: skip
        return None  # told only while it is so
    if _is_measured(group) and len(workdays) >= SETTLED_DAYS:
        cure = _cure(key, until, actions, records)
        if cure is not None:
            later = [d for d in workdays if d > day(key, cure.at)]
            measured = outcomes.get(day(key, cure.at).isoformat())
            if measured is None and len(later) >= SETTLED_DAYS:
                why = f"{_done_text(cure, key, records)}, and it is back to usual"
                return Resolution("cured", _noon(later[SETTLED_DAYS - 1]), why)
            if measured is not None and measured.verdict == "cured":
                why = f"{_done_text(cure, key, records)}: {levels_text(measured)}"
                return Resolution("cured", _noon(later[SETTLED_DAYS - 1]), why)
            if measured is None or measured.verdict == "too-early":
                return None
    if now - until >= PASSES and (workdays or not _is_measured(group)):
        why = f"no evidence since {day_text(day(key, until))}, and no action on record explains it"
        return Resolution("passed", until + PASSES, why)
    return None


def _outcomes(
    group: CaseGroup,
    latest: Sequence[Finding],
    habit: CheckHabit | None,
    acted: Sequence[datetime],
    records: CaseRecords,
    measures: CaseMeasures | None,
    now: datetime,
) -> dict[str, Outcome]:
    """By local day of an action (ISO): whether it helped, where a measure tells."""
    key, day = group.key, records.local_day
    if measures is None:
        return {}
    found: dict[str, Outcome] = {}
    # what was measured first is what the case is about
    measured = sorted(latest, key=lambda one: (one is not leading_finding(latest), onset_of(one)))
    for action in sorted({day(key, at) for at in acted}):
        if habit is not None:
            result = measures.habit_outcome(habit, day(key, habit.since), action)
        else:
            results = (
                measures.outcome(key, one, day(key, onset_of(one)), action, day(key, now))
                for one in measured
            )
            result = next((one for one in results if one is not None), None)
        if result is not None:
            found[action.isoformat()] = result
    return found


def _cure(
    key: Key, until: datetime, actions: Sequence[FoundAction], records: CaseRecords
) -> FoundAction | None:
    """The latest action that may have ended a case."""
    last = records.local_day(key, until)
    near = [action for action in actions if may_have_ended(records.local_day(key, action.at), last)]
    return near[-1] if near else None


def _done_text(action: FoundAction, key: Key, records: CaseRecords) -> str:
    return f"{action.what} on {day_text(records.local_day(key, action.at))}"


def _action(action: FoundAction, key: Key, records: CaseRecords) -> dict[str, Any]:
    return {
        "at": _stamp(action.at),
        "day": records.local_day(key, action.at).isoformat(),
        "what": action.what,
        "by": action.by,
        "source": action.source,
    }


def _noon(day: date) -> datetime:
    return datetime(day.year, day.month, day.day, 12, tzinfo=UTC)


def _stamp(at: datetime | None) -> str | None:
    if at is None:
        return None
    return at.astimezone(UTC).isoformat().replace("+00:00", "Z")
