"""What is new for a reader: cases, checks and splices, since an instant or since the last message.

Pure: rows in, a frozen digest out. `arcdrift.digest.digest_from_store` reads the rows.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from typing import Any, Literal

from arcdrift.analysis.cases.outcome import SETTLED_DAYS
from arcdrift.case import CLOSED_WORDS
from arcdrift.digest.since import workday
from arcdrift.digest.told import (
    LOOKS_BACK_DAYS,
    CaseMark,
    Told,
    case_mark,
    known_mark,
    splice_mark,
)

Change = Literal["new", "reopened", "result", "done", "taken-on", "closed"]
CHANGES: dict[Change, str] = {
    "reopened": "Came back or opened again",
    "new": "New",
    "result": "With a result",
    "done": "Done, the result is to come",
    "taken-on": "Taken on",
    "closed": "Closed",
}
"""What happened to a case, in words, in the order in which it is told."""
NOT_IN_TIME = ("missed", "failed-only", "late")
"""Statuses of a daily check that are told, the worst first."""
OLD = timedelta(days=4)
"""Age of the newest record from which on the data are old: longer than a long weekend."""


@dataclass(frozen=True)
class CaseNews:
    """What is new of one case.

    Attributes
    ----------
    text : str
        What happened, in a few words; empty where the title says it.
    by : str or None
        The person who did or said so.
    at : datetime or None
        When (UTC).
    """

    id: str
    change: Change
    title: str
    subject_type: str
    subject: str
    severity: str
    state: str
    owner: str | None
    text: str
    by: str | None
    at: datetime | None
    next_step: str


@dataclass(frozen=True)
class CheckNews:
    """A daily check that was not in time: the local day, the splicer, and the status."""

    day: date
    splicer: str
    status: str
    splices_before: int


@dataclass(frozen=True)
class SpliceNews:
    """A splice over the accepted limit that waits to be revisited."""

    splice_id: int
    place: str
    splicer: str
    spliced_at: datetime
    loss_db: float
    limit_db: float


@dataclass(frozen=True)
class Digest:
    """What is new for a reader.

    Attributes
    ----------
    crew : str
        Its name.
    invented : bool
        Whether its data are made up.
    since, now : datetime
        What is told lies between them (UTC).
    zone : str
        Time zone in which days and times are told.
    since_last : bool
        Whether it tells what is new since the last message, rather than since `since`.
    cases, checks, splices : tuple
        What is new, in the order in which it is told.
    open_cases : int
        Number of all cases that are not closed.
    verdicts : tuple of tuple
        Code of a verdict (`arcdrift.verdicts`) and the splicers that have it now; empty when
        nothing is new.
    newest_record : datetime or None
        The newest check or splice (UTC).
    data_old, data_old_is_news : bool
        Whether it is old, and whether that is new.
    outdated : bool
        Whether there are records that were not analyzed yet.
    told : Told
        What the reader knows after reading it.
    """

    crew: str
    invented: bool
    since: datetime
    now: datetime
    zone: str
    since_last: bool
    cases: tuple[CaseNews, ...]
    checks: tuple[CheckNews, ...]
    splices: tuple[SpliceNews, ...]
    open_cases: int
    verdicts: tuple[tuple[str, tuple[str, ...]], ...]
    newest_record: datetime | None
    data_old: bool
    data_old_is_news: bool
    outdated: bool
    told: Told

    @property
    def has_news(self) -> bool:
        """Whether there is anything to tell."""
        return bool(self.cases or self.checks or self.splices or self.data_old_is_news)


@dataclass(frozen=True)
class DigestRows:
    """What a digest is made of.

    Attributes
    ----------
    cases : sequence of dict
        `arcdrift.analysis.cases.case_states.case_view` of each that the reader may see.
    first_found : mapping of datetime
        When an analysis first found each case (UTC), by id; one that is missing counts from its
        first alarm.
    workdays : mapping of sequence of str
        Latest workdays of each case's subject, by id (ISO 8601).
    check_days : sequence of dict
        ``splicer``, ``day`` (ISO 8601), ``status``, ``splices_before_check``.
    revisit : sequence of dict
        `arcdrift.store.cases.revisit_rows.read_revisit`.
    verdicts : callable
        Returns the code of the verdict by splicer; called only when there is something to tell,
        because a large crew's verdicts take seconds.
    """

    cases: Sequence[Mapping[str, Any]]
    first_found: Mapping[str, datetime]
    workdays: Mapping[str, Sequence[str]]
    check_days: Sequence[Mapping[str, Any]]
    revisit: Sequence[Mapping[str, Any]]
    verdicts: Callable[[], Mapping[str, str]]
    newest_record: datetime | None
    outdated: bool = False


def make_digest(
    rows: DigestRows,
    *,
    since: datetime,
    now: datetime,
    zone: str,
    crew: str,
    invented: bool = False,
    day_offset: timedelta = timedelta(0),
    told: Told | None = None,
    subjects: Iterable[str] = (),
) -> Digest:
    """Select what is new.

    Parameters
    ----------
    since : datetime
        What happened or was written down from then on is new (UTC).
    told : Told, optional
        What the reader was told; given, everything else is new, whenever it happened.
    subjects : iterable of str
        Splicers, people, sites and other subjects that the reader wants to hear of; none for all.
    """
    wanted = frozenset(subjects)
    cases = [case for case in rows.cases if case["told"] and _wants(wanted, case["subject"]["id"])]
    checks = [
        row
        for row in rows.check_days
        if row["status"] in NOT_IN_TIME and _wants(wanted, row["splicer"])
    ]
    waiting = [row for row in rows.revisit if _wants(wanted, row["splicer"])]
    news = [_case_news(case, rows, since, now, zone, told) for case in cases]
    data_old = rows.newest_record is not None and now - rows.newest_record > OLD
    if told is not None:
        old_is_news = data_old and not told.data_old
    else:
        old_is_news = rows.newest_record is not None and since <= rows.newest_record + OLD < now
    today = workday(now, zone, day_offset)
    first_day = today - timedelta(days=LOOKS_BACK_DAYS)
    if told is not None and told.since_day > today - timedelta(days=LOOKS_BACK_DAYS // 2):
        # told under a clock that was far ahead, so that no check of now would be new
        told = replace(told, since_day=first_day)
    since_day = workday(since, zone, day_offset).isoformat()
    digest = Digest(
        crew=crew,
        invented=invented,
        since=since,
        now=now,
        zone=zone,
        since_last=told is not None,
        cases=tuple(sorted((one for one in news if one is not None), key=_order)),
        checks=tuple(
            CheckNews(
                date.fromisoformat(row["day"]),
                str(row["splicer"]),
                str(row["status"]),
                int(row["splices_before_check"] or 0),
            )
            for row in sorted(checks, key=lambda row: (row["day"], row["splicer"]))
            if _is_new_check(row, since_day, told)
        ),
        splices=tuple(
            _splice_news(row)
            for row in waiting
            if row["state"] == "open" and _is_new_splice(row, since, told)
        ),
        open_cases=sum(case["state"] != "closed" for case in cases),
        verdicts=(),
        newest_record=rows.newest_record,
        data_old=data_old,
        data_old_is_news=old_is_news,
        outdated=rows.outdated,
        told=Told(
            at=now,
            since_day=first_day,
            cases={str(case["id"]): case_mark(case) for case in cases},
            checks=frozenset(
                _check_key(row) for row in checks if row["day"] >= first_day.isoformat()
            ),
            splices=frozenset(
                splice_mark(row) for row in waiting if str(row["day"]) >= first_day.isoformat()
            ),
            data_old=data_old,
        ),
    )
    return (
        replace(digest, verdicts=_by_verdict(rows.verdicts(), wanted))
        if digest.has_news
        else digest
    )


def _wants(wanted: frozenset[str], subject: object) -> bool:
    return not wanted or subject in wanted


def _order(news: CaseNews) -> tuple[int, int]:
    severity = ("act", "watch", "note")
    return list(CHANGES).index(news.change), severity.index(news.severity)


def _case_news(
    case: Mapping[str, Any],
    rows: DigestRows,
    since: datetime,
    now: datetime,
    zone: str,
    told: Told | None,
) -> CaseNews | None:
    if told is None:
        change = _change_since(case, rows, since, now, zone)
    else:
        change = _change_from(case, known_mark(case, told.cases), since)
    if change is None:
        return None
    text, by, at = _what_happened(case, change)
    return CaseNews(
        id=str(case["id"]),
        change=change,
        title=str(case["title"]),
        subject_type=str(case["subject"]["type"]),
        subject=str(case["subject"]["id"]),
        severity=str(case["severity"]),
        state=str(case["state"]),
        owner=case["owner"],
        text=text,
        by=by,
        at=at,
        next_step=str(case["next_step"]),
    )


def _change_since(
    case: Mapping[str, Any], rows: DigestRows, since: datetime, now: datetime, zone: str
) -> Change | None:
    """What happened to a case since an instant, the most telling of it."""
    if case["state"] == "closed":
        return "closed" if _instant(case["closed"]["at"]) >= since else None
    first_found = rows.first_found.get(str(case["id"]))
    # a log that is imported late makes a case that is new, although it was there to be seen
    found = _instant(case["seen"]) if first_found is None else max(
        _instant(case["seen"]), min(first_found, now)
    )  # fmt: skip
    if found >= since:
        return "new"
    what = {row["what"] for row in case["history"] if since <= _instant(row["at"])}
    if what & {"came-back", "reopened"}:
        return "reopened"
    told_on = _result_day(case, rows.workdays.get(str(case["id"]), ()))
    if told_on is not None and told_on >= since.astimezone(UTC).date():
        return "result"
    if "done" in what:
        return "done"
    return "taken-on" if "taken-on" in what else None


def _result_day(case: Mapping[str, Any], workdays: Sequence[str]) -> date | None:
    """Local day on which the result of the last action could first be told; None without one."""
    if not case_mark(case).result:
        return None
    later = [day for day in workdays if day > str(case["actions"][-1]["day"])]
    return date.fromisoformat(later[SETTLED_DAYS - 1]) if len(later) >= SETTLED_DAYS else None


def _change_from(
    case: Mapping[str, Any], before: CaseMark | None, since: datetime
) -> Change | None:
    """What happened to a case since the reader was told where it stood."""
    now = case_mark(case)
    if before is None:
        if now.state != "closed":
            return "new"
        return "closed" if _instant(case["closed"]["at"]) >= since else None
    if now.state == "closed":
        return None if before.state == "closed" else "closed"
    said = [row["what"] for row in case["history"] if row["by"] is not None][-1:]
    if before.state == "closed" or now.showed > before.showed:
        return "reopened"
    if now.said > before.said and said == ["reopened"]:
        return "reopened"
    if now.result and now.result != before.result:
        return "result"
    if now.acted > before.acted:
        return "done"
    return "taken-on" if now.state == "taken-on" and now.said > before.said else None


def _what_happened(
    case: Mapping[str, Any], change: Change
) -> tuple[str, str | None, datetime | None]:
    """Words, person and time of what happened to a case."""
    if change == "closed":
        closed = case["closed"]
        text = ": ".join(part for part in (CLOSED_WORDS[closed["how"]], closed["why"]) if part)
        return text, closed["by"], _instant(closed["at"])
    if change == "result":
        return str(case["result_text"]), None, None
    if change == "done":
        action = case["actions"][-1]
        return str(action["what"]), action["by"], _instant(action["at"])
    kinds = {"new": ("seen",), "taken-on": ("taken-on",), "reopened": ("came-back", "reopened")}
    rows = [row for row in case["history"] if row["what"] in kinds[change]]
    if not rows:
        return "", None, None
    text = "" if change == "new" else str(rows[-1]["text"])
    return text, rows[-1]["by"], _instant(rows[-1]["at"])


def _check_key(row: Mapping[str, Any]) -> tuple[str, str, str]:
    return str(row["day"]), str(row["splicer"]), str(row["status"])


def _is_new_check(row: Mapping[str, Any], since_day: str, told: Told | None) -> bool:
    if told is None:
        return str(row["day"]) >= since_day
    return str(row["day"]) >= told.since_day.isoformat() and _check_key(row) not in told.checks


def _splice_news(row: Mapping[str, Any]) -> SpliceNews:
    return SpliceNews(
        splice_id=int(row["splice_id"]),
        place=str(row["location"] or row["site"] or "place not logged"),
        splicer=str(row["splicer"]),
        spliced_at=row["spliced_at"],
        loss_db=float(row["loss_db"]),
        limit_db=float(row["limit_db"]),
    )


def _is_new_splice(row: Mapping[str, Any], since: datetime, told: Told | None) -> bool:
    if told is None:
        return bool(row["spliced_at"] >= since)
    return str(row["day"]) >= told.since_day.isoformat() and splice_mark(row) not in told.splices


def _by_verdict(
    verdicts: Mapping[str, str], wanted: frozenset[str]
) -> tuple[tuple[str, tuple[str, ...]], ...]:
    found: dict[str, list[str]] = {}
    for splicer in sorted(verdicts):
        if _wants(wanted, splicer):
            found.setdefault(verdicts[splicer], []).append(splicer)
    return tuple((code, tuple(splicers)) for code, splicers in found.items())


def _instant(text: str) -> datetime:
    return datetime.fromisoformat(text)
