"""Cases as they stand, for a screen or a command: what was found, and what people said since."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Engine

from arcdrift.analysis.cases.case_states import case_view
from arcdrift.case import CLOSINGS, STATES, CaseStatement
from arcdrift.errors import UsageError
from arcdrift.finding import SEVERITY_ORDER
from arcdrift.instants import instant_at
from arcdrift.store.cases.case_statements import add_statement, read_statements
from arcdrift.store.results.result_rows import last_analysis, read_case_documents

FEWEST_DIGITS = 3
"""Shortest abbreviation of a case's id."""


def read_cases(engine: Engine) -> list[dict[str, Any]]:
    """Return every case of the last analysis as it stands, the most pressing first.

    Returns
    -------
    list of dict
        `arcdrift.analysis.cases.case_states.case_view` of each; open before closed, then by
        severity and latest evidence. ``told`` is False for those that are no work for anybody.
    """
    run = last_analysis(engine)
    if run is None:
        return []
    said: dict[str, list[CaseStatement]] = defaultdict(list)
    for statement in read_statements(engine):
        said[statement.case_id].append(statement)
    now = instant_at(run.now)
    cases = [case_view(found, _of_case(found, said), now) for found in read_case_documents(engine)]
    return sorted(cases, key=_order)


def _of_case(
    found: dict[str, Any], said: dict[str, list[CaseStatement]]
) -> Sequence[CaseStatement]:
    statements = [s for name in (found["id"], *found["absorbed"]) for s in said.get(name, ())]
    return sorted(statements, key=lambda statement: statement.recorded_at)


def _order(case: dict[str, Any]) -> tuple[bool, int, float]:
    """Sort key: open ones by severity and latest evidence, then closed ones, the latest first."""
    if case["closed"] is not None:
        return True, 0, -datetime.fromisoformat(case["closed"]["at"]).timestamp()
    until = datetime.fromisoformat(case["until"]).timestamp()
    return False, SEVERITY_ORDER[case["severity"]], -until


def find_case(cases: Iterable[dict[str, Any]], text: str) -> dict[str, Any]:
    """Return the case with an id, or with an id that begins so.

    Raises
    ------
    UsageError
        When there is none, or more than one.
    """
    wanted = text.strip().lower()
    listed = list(cases)
    found = [case for case in listed if wanted in (case["id"], *case["absorbed"])]
    if not found and len(wanted) >= FEWEST_DIGITS:
        found = [
            case
            for case in listed
            if any(name.startswith(wanted) for name in (case["id"], *case["absorbed"]))
        ]
    if len(found) == 1:
        return found[0]
    if found:
        ids = ", ".join(case["id"] for case in found)
        raise UsageError(f"Several cases begin with {wanted}: {ids}; write more of the id.")
    raise UsageError(
        f"There is no case {text.strip()[:40]!r}; `arcdrift cases --all` lists the cases with "
        f"their ids, of which the first {FEWEST_DIGITS} characters or more are enough."
    )


def state_case(
    engine: Engine,
    case: dict[str, Any],
    action: str,
    said_by: str,
    why: str = "",
    *,
    how: str = "",
    acted_on: datetime | None = None,
    based_on: int | None = None,
) -> dict[str, Any]:
    """Add what a person says about a case; return it as it then stands.

    Parameters
    ----------
    case : dict
        From `read_cases`, as the person saw it.
    action : str
        ``take``, ``done``, ``close`` or ``reopen``.
    how : str
        Why it is closed, one of `arcdrift.case.CLOSINGS`.
    acted_on : datetime, optional
        When the work was done (UTC), if not now.
    based_on : int, optional
        Number of statements that the person knew, by default those of `case`.

    Raises
    ------
    UsageError
        When that cannot be said of a case in this state, or a name or reason is missing.
    StaleChange
        When somebody else said something meanwhile.
    """
    if action not in ("take", "done", "close", "reopen"):
        raise UsageError(f"A case can be taken, done, closed or reopened, not {action!r}.")
    if acted_on is not None and acted_on > max(datetime.now(UTC), _now(engine)):
        raise UsageError("That day is in the future; say it when it is done.")
    based_on = case["version"] if based_on is None else based_on
    if based_on == case["version"]:
        _require_possible(case, action, why, how)
    statement = CaseStatement(
        case_id=case["id"],
        action=action,
        said_by=said_by,
        why=why,
        recorded_at=datetime.now(UTC),
        evidence_until=datetime.fromisoformat(case["until"]),
        how=how if action == "close" else "",
        acted_on=acted_on,
    )
    add_statement(engine, statement, same_case=case["absorbed"], based_on=based_on)
    return find_case(read_cases(engine), case["id"])


def _now(engine: Engine) -> datetime:
    """The instant the results speak of, which made-up crews may have later than today."""
    run = last_analysis(engine)
    return datetime.now(UTC) if run is None else instant_at(run.now)


def _require_possible(case: dict[str, Any], action: str, why: str, how: str) -> None:
    closed = case["state"] == "closed"
    if case["cause"] == "air":
        raise UsageError(
            f"Case {case['id']} is about today's air and is no work to keep a record of; "
            f"`arcdrift advise {case['subject']['id']}` says what to do."
        )
    if action == "reopen" and not closed:
        raise UsageError(f"Case {case['id']} is open: it is {STATES[case['state']]}.")
    if action != "reopen" and closed:
        raise UsageError(
            f"Case {case['id']} is closed; open it again first with "
            f"`arcdrift case reopen {case['id'][:6]} --by NAME`."
        )
    if action == "close" and how not in CLOSINGS:
        raise UsageError(f"Say why it is closed: {', '.join(CLOSINGS)}.")
    if action == "close" and how == "not-a-fault" and not why.strip():
        raise UsageError("Say why it is not a fault; give --why TEXT.")
