"""Where a case stands: what was found of it, and what people said about it, folded to one state.

Without pandas: a command that lists cases would spend most of its time on loading it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from arcdrift.analysis.cases.case_steps import step_after
from arcdrift.analysis.cases.outcome import (
    SETTLED_DAYS,
    Outcome,
    levels_text,
    may_have_ended,
    outcome,
    outcome_text,
)
from arcdrift.case import CLOSED_WORDS, CaseStatement, State
from arcdrift.instants import day_text

GOES_ON = timedelta(days=7)
"""Evidence for so long after a person called a case cured opens it again."""


def case_view(
    found: Mapping[str, Any], statements: Sequence[CaseStatement], now: datetime
) -> dict[str, Any]:
    """Fold a case as found by the last analysis and what people said to where it stands.

    Parameters
    ----------
    found : mapping
        Document of ``result_cases`` (`arcdrift.analysis.cases.found_cases`).
    statements : sequence of CaseStatement
        What people said about it, in order.
    now : datetime
        The instant the results speak of (UTC).

    Returns
    -------
    dict
        The JSON of a case: what was found, with ``state``, ``owner``, ``actions``, ``result``,
        ``closed``, ``history``, ``days_open``, ``next_step`` and ``version``, the number of
        statements, on which a new one is based.
    """
    state, owner, closed = _said_state(found, statements)
    actions = _actions(found, statements)
    last = actions[-1] if actions else None
    came_back_since = last is not None and last["day"] < _began_day(found)
    result = None if last is None or came_back_since else _result(found, last)
    if state != "closed" and not _overruled(found, statements):
        closed = _closed_by_itself(found, actions, taken_on=state != "new")
        state = "closed" if closed is not None else state
    if state != "closed":
        closed = None
        waits = last is not None and _waits(found, last, result)
        if waits:
            state = "waiting"
        elif state == "waiting":
            state = "taken-on" if owner else "new"
    view = {name: value for name, value in found.items() if name not in _HIDDEN}
    view |= {
        "state": state,
        "told": bool(found["told"] or statements),
        "owner": owner,
        "actions": actions,
        "result": None if result is None else asdict(result),
        "closed": closed,
        "history": _history(found, statements, actions, closed),
        "days_open": _days_open(found, closed, now),
        "result_text": None if result is None else outcome_text(result),
        "next_step": _next_step(found, state, actions, result),
        "version": len(statements),
    }
    return view


_HIDDEN = (
    "zone",
    "workdays",
    "outcomes",
    "causes",
    "resolution",
    "episodes",
    "found_actions",
    "until_day",
)


def _said_state(
    found: Mapping[str, Any], statements: Sequence[CaseStatement]
) -> tuple[State, str | None, dict[str, Any] | None]:
    """State, owner and closing by what people said and what was found after they closed it."""
    state: State = "new"
    owner, closed, last_close = None, None, None
    for statement in statements:
        if statement.action == "take":
            state, owner = "taken-on", statement.said_by
        elif statement.action == "done":
            state, owner = "waiting", owner or statement.said_by
        elif statement.action == "close":
            state, last_close = "closed", statement
            closed = _closing(
                statement.how, statement.recorded_at, statement.said_by, statement.why
            )
        else:
            state = "taken-on" if owner else "new"
    if state == "closed" and last_close is not None and came_back(found, last_close) is not None:
        return ("taken-on" if owner else "new"), owner, None
    return state, owner, closed


def came_back(found: Mapping[str, Any], close: CaseStatement) -> datetime | None:
    """When a case that a person closed came back (UTC); None if it did not.

    It comes back with evidence that began after what was known when it was closed, and if it was
    called cured also with evidence that went on for a week.
    """
    for episode in found["episodes"]:
        if _instant(episode["began"]) > close.evidence_until:
            return _instant(episode["seen"])
    until = _instant(found["until"])
    if close.how == "cured" and until > close.evidence_until + GOES_ON:
        return until
    return None


def _overruled(found: Mapping[str, Any], statements: Sequence[CaseStatement]) -> bool:
    """Whether a person opened it again, who knew all there is to know now."""
    last = next((s for s in reversed(statements) if s.action in ("close", "reopen")), None)
    if last is None or last.action != "reopen":
        return False
    done_since = any(s.action == "done" and s.recorded_at > last.recorded_at for s in statements)
    return not done_since and _instant(found["until"]) <= last.evidence_until


def _closed_by_itself(
    found: Mapping[str, Any], actions: Sequence[Mapping[str, Any]], *, taken_on: bool
) -> dict[str, Any] | None:
    """Closing by evidence; a case that somebody has taken on does not pass unnoticed."""
    resolution = found["resolution"]
    said = [action for action in actions if action["source"] == "said"]
    if said and found["measured"]:
        last = said[-1]
        if (result := _result(found, last)).verdict == "cured" and may_have_ended(
            *_days(found, last)
        ):
            levels = levels_text(result) or f"back to usual since {_shown_day(found['until_day'])}"
            text = f"{last['what']}: {levels}"
            return _closing("cured", _settled_at(found, last), None, text)
    if resolution is None or (resolution["how"] == "passed" and taken_on):
        return None
    return _closing(resolution["how"], _instant(resolution["at"]), None, resolution["why"])


def _settled_at(found: Mapping[str, Any], action: Mapping[str, Any]) -> datetime:
    after = max(date.fromisoformat(action["day"]), date.fromisoformat(found["until_day"]))
    days = [day for day in _workdays(found) if day > after]
    last = days[min(SETTLED_DAYS, len(days)) - 1] if days else after
    return datetime(last.year, last.month, last.day, 12, tzinfo=UTC)


def _closing(how: str, at: datetime, by: str | None, why: str) -> dict[str, Any]:
    return {"how": how, "at": _stamp(at), "by": by, "why": why}


def _actions(found: Mapping[str, Any], statements: Sequence[CaseStatement]) -> list[dict[str, Any]]:
    """What was done since the onset, found in the records or said, in order of time."""
    actions = [dict(action) for action in found["found_actions"]]
    zone = _zone(found)
    for statement in statements:
        if statement.action == "done":
            at = statement.acted_on or statement.recorded_at
            actions.append(
                {
                    "at": _stamp(at),
                    "day": at.astimezone(zone).date().isoformat(),
                    "what": statement.why or "work done",
                    "by": statement.said_by,
                    "source": "said",
                }
            )
    return sorted(actions, key=lambda action: (str(action["at"]), str(action["what"])))


def _result(found: Mapping[str, Any], action: Mapping[str, Any]) -> Outcome:
    measured = found["outcomes"].get(action["day"])
    if measured is not None:
        return Outcome(**measured)
    if not found["measured"]:
        return Outcome("not-assessable")
    acted_on, until = _days(found, action)
    return outcome(acted_on, until, _workdays(found))


def _waits(found: Mapping[str, Any], action: Mapping[str, Any], result: Outcome | None) -> bool:
    """Whether the result of the last action is still to come."""
    if result is None:
        return False
    if result.verdict == "too-early":
        return True
    if action["day"] in found["outcomes"]:
        return False  # the result stands
    if not found["measured"]:
        return True
    return may_have_ended(*_days(found, action))


def _days(found: Mapping[str, Any], action: Mapping[str, Any]) -> tuple[date, date]:
    """Local days of an action and of the latest evidence."""
    return date.fromisoformat(action["day"]), date.fromisoformat(found["until_day"])


def _workdays(found: Mapping[str, Any]) -> list[date]:
    return [date.fromisoformat(day) for day in found["workdays"]]


def _history(
    found: Mapping[str, Any],
    statements: Sequence[CaseStatement],
    actions: Sequence[Mapping[str, Any]],
    closed: Mapping[str, Any] | None,
) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = []
    for number, episode in enumerate(found["episodes"]):
        if number == 0:
            rows.append(_row(episode["began"], "started", "estimated onset"))
        seen = "first alarm" if number == 0 else "it showed again"
        rows.append(_row(episode["seen"], "seen" if number == 0 else "came-back", seen))
        ended = episode.get("closed")
        if ended and not _spoken_before(ended, statements):
            text = f"{CLOSED_WORDS[ended['how']]}: {ended['why']}"
            rows.append(_row(ended["at"], "closed", text))
    rows += [
        _row(action["at"], "done", action["what"], action["by"])
        for action in actions
        if action["source"] != "said"
    ]
    words = {"take": "taken-on", "done": "done", "close": "closed", "reopen": "reopened"}
    for statement in statements:
        how = f"{CLOSED_WORDS[statement.how]}" if statement.how else ""
        if statement.action == "done" and statement.acted_on is not None:
            how = f"on {day_text(statement.acted_on.astimezone(_zone(found)).date())}"
        text = ": ".join(part for part in (how, statement.why) if part)
        rows.append(
            _row(_stamp(statement.recorded_at), words[statement.action], text, statement.said_by)
        )
    if closed is not None and closed["by"] is None:
        text = f"{CLOSED_WORDS[closed['how']]}: {closed['why']}"
        rows.append(_row(closed["at"], "closed", text))
    return sorted(rows, key=lambda row: str(row["at"]))


def _spoken_before(ended: Mapping[str, Any], statements: Sequence[CaseStatement]) -> bool:
    """Whether a case was a person's by the time it would have closed itself."""
    actions = [
        statement.action
        for statement in statements
        if statement.recorded_at <= _instant(ended["at"])
    ]
    return bool(actions) and (ended["how"] == "passed" or actions[-1] == "close")


def _row(at: str, what: str, text: str, by: str | None = None) -> dict[str, Any]:
    return {"at": at, "what": what, "text": text, "by": by}


def _days_open(found: Mapping[str, Any], closed: Mapping[str, Any] | None, now: datetime) -> int:
    end = now if closed is None else _instant(str(closed["at"]))
    return max((end - _instant(found["seen"])).days, 0)


def _next_step(
    found: Mapping[str, Any],
    state: State,
    actions: Sequence[Mapping[str, Any]],
    result: Outcome | None,
) -> str:
    if state == "closed":
        return ""
    if state == "waiting" and result is not None:
        if result.verdict == "too-early":
            days = result.workdays_needed
            return f"Wait for the result: {days} more workday{'' if days == 1 else 's'}."
        if not found["measured"]:
            return (
                "The records do not show the work yet: write it down on the splicer's page or with "
                "`arcdrift log`, or close the case."
            )
        return "Look at the result: the measure has not shown it yet."
    # what was done before it came back may be due again
    since = [action for action in actions if action["day"] >= _began_day(found)]
    step = step_after(
        found["causes"], [str(action["what"]) for action in since], str(found["next_step"])
    )
    if not actions:
        return step
    done = f"{actions[-1]['what']} on {_shown_day(actions[-1]['day'])}"
    if result is not None and result.verdict in ("better", "no-change", "worse"):
        return f"{_AFTER[result.verdict]} after {done}. {step}"
    verb = "went on" if since else "came back"
    return f"It {verb} after this: {done}. {step}"


_AFTER = {
    "better": "Better, but not back to usual,",
    "no-change": "No clear change",
    "worse": "Worse",
}


def _began_day(found: Mapping[str, Any]) -> str:
    """Local day (ISO) on which the latest episode began."""
    began = _instant(found["episodes"][-1]["began"])
    return began.astimezone(_zone(found)).date().isoformat()


def _zone(found: Mapping[str, Any]) -> ZoneInfo:
    """Time zone of a case's subject; results of before do not name it."""
    return ZoneInfo(found.get("zone", "UTC"))


def _shown_day(day: str) -> str:
    return day_text(date.fromisoformat(day))


def _stamp(at: datetime) -> str:
    return at.isoformat().replace("+00:00", "Z")


def _instant(text: str) -> datetime:
    return datetime.fromisoformat(text)
