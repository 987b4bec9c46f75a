"""The buttons of a case, and reading what a person filled in."""

from collections.abc import Mapping
from datetime import UTC, date, datetime, time
from typing import Any
from zoneinfo import ZoneInfo

import dash_mantine_components as dmc
from dash import html

from arcdrift.case import CLOSED_WORDS, CLOSINGS
from arcdrift.errors import UsageError
from arcdrift.intake.schema.kinds import ACTIONS
from arcdrift.store.cases.case_statements import MAX_NAME_LENGTH, MAX_TEXT_LENGTH
from dashboard import ids
from dashboard.components import View
from dashboard.forms import remembered_name_field, typed_day, typed_name
from dashboard.pages.cases.case_words import Case

OTHER_WORK = "other work"
WORK = (
    *(action for action in ACTIONS if action != "other"),
    "arc check repeated",
    "coaching",
    "splicers swapped",
    "cleavers swapped",
    OTHER_WORK,
)
"""What may have been done about a case; the first are the actions of service logs."""
CLOSING_WORDS = {
    "not-a-fault": "It is not a fault",
    "accepted": "It stays as it is: accepted",
    "cured": "It is cured",
}
NEEDS_NAME = "Say who you are."


class FieldProblems(UsageError):
    """A form cannot be used as it is filled in.

    Attributes
    ----------
    problems : dict of str
        Sentence by the name of the field it stands beside.
    """

    def __init__(self, problems: Mapping[str, str]) -> None:
        super().__init__(" ".join(problems.values()))
        self.problems = dict(problems)


def case_forms(view: View, case: Case) -> html.Div:
    """Return the name and the three buttons of an open case, or the one of a closed case."""
    if case["state"] == "closed":
        buttons = [
            _form(case, "reopen", "Open again", [_words("reopen", "Why, if you like")],
                  "Open it again")
        ]  # fmt: skip
    else:
        buttons = [
            html.Button(
                "I take this on",
                id=ids.case_save(case["id"], "take", case["version"]),
                className="button big first" if case["state"] == "new" else "button big",
            ),
            _form(
                case,
                "done",
                "Done",
                _done_fields(view, case),
                "The work is done",
                likely=case["state"] == "taken-on",
            ),
            _form(case, "close", "Close", _close_fields(), "Close the case"),
        ]
    return html.Div([remembered_name_field(), html.Div(buttons, className="case-forms")])


def _form(
    case: Case, action: str, label: str, fields: list[Any], save: str, *, likely: bool = False
) -> html.Details:
    """Return a button that opens its form; `likely` if it is the next thing to say."""
    return html.Details(
        [
            html.Summary(label, className="button big first" if likely else "button big"),
            html.Div(
                [
                    *fields,
                    html.Button(
                        save,
                        id=ids.case_save(case["id"], action, case["version"]),
                        className="button big primary",
                    ),
                ],
                className="written-fields",
            ),
        ],
        className=f"case-form form-{action}",
    )


def _words(form: str, label: str) -> dmc.TextInput:
    return dmc.TextInput(
        id=ids.case_text(form, "why"), label=label, value="", size="md", autoComplete="off"
    )


def _done_fields(view: View, case: Case) -> list[Any]:
    splicer = case["subject"]["type"] == "splicer"
    return [
        dmc.Select(
            id=ids.case_choice("done", "what"),
            label="What was done",
            data=[{"value": work, "label": work} for work in WORK],
            value=None,
            placeholder="Choose",
            allowDeselect=False,
            size="md",
        ),
        _words("done", "In your words, if you like"),
        dmc.DateInput(
            id=ids.case_choice("done", "day"),
            label="When",
            value=view.data.today().isoformat(),
            valueFormat="YYYY-MM-DD",
            placeholder="2026-05-04",
            size="md",
        ),
        html.P(
            "A service counts for arcs and blades left only when it is logged too: on the page "
            f"of {case['subject']['id']}."
            if splicer
            else "Its result is worked out from the splices of the workdays that follow.",
            className="muted hint",
        ),
    ]


def _close_fields() -> list[Any]:
    return [
        dmc.RadioGroup(
            [dmc.Radio(label=CLOSING_WORDS[how], value=how, size="md") for how in _CLOSING_ORDER],
            id=ids.case_choice("close", "how"),
            label="Why it is closed",
            value=None,
        ),
        _words("close", "The reason, in your words"),
        html.P("It opens again by itself when the fault comes back.", className="muted hint"),
    ]


_CLOSING_ORDER = tuple(how for how in CLOSING_WORDS if how in CLOSINGS)


def typed_statement(
    action: str, fields: Mapping[str, Any], today: date, zone: ZoneInfo
) -> dict[str, Any]:
    """Convert a filled form to the fields of `dashboard.reading.data.CrewData.state_case`.

    Parameters
    ----------
    action : str
        ``take``, ``done``, ``close`` or ``reopen``.
    fields : mapping
        Values by name of the field, as typed and chosen.
    today : date
        Local day that counts as today; what was done on it counts from its noon.
    zone : ZoneInfo
        Where it was done.

    Raises
    ------
    FieldProblems
        When something is missing or cannot be; it says so for each field.
    """
    problems: dict[str, str] = {}
    by, why = typed_name(fields.get("by")), str(fields.get("why") or "").strip()
    if not by:
        problems["by"] = NEEDS_NAME
    elif len(by) > MAX_NAME_LENGTH:
        problems["by"] = f"A name may be {MAX_NAME_LENGTH} characters long."
    if len(why) > MAX_TEXT_LENGTH:
        problems["why"] = f"It may be {MAX_TEXT_LENGTH:,} characters long."
    how, acted_on = "", None
    if action == "done":
        why, acted_on = _typed_work(fields, why, today, zone, problems)
    if action == "close":
        how = str(fields.get("how") or "")
        if how not in CLOSINGS:
            problems["how"] = "Choose why it is closed."
        elif how == "not-a-fault" and not why:
            problems["why"] = f"Say why it is {CLOSED_WORDS[how]}."
    if problems:
        raise FieldProblems(problems)
    return {"said_by": by, "why": why, "how": how, "acted_on": acted_on}


def _typed_work(
    fields: Mapping[str, Any],
    words: str,
    today: date,
    zone: ZoneInfo,
    problems: dict[str, str],
) -> tuple[str, datetime | None]:
    what = str(fields.get("what") or "")
    if what not in WORK:
        problems["what"] = "Choose what was done."
    elif what == OTHER_WORK and not words:
        problems["why"] = "Say in a few words what was done."
    acted_on = None
    try:
        day = typed_day(fields.get("day"), "This") or today
        if day > today:
            problems["day"] = "This day is yet to come; say it once the work is done."
        else:
            acted_on = datetime.combine(day, time(12), zone).astimezone(UTC)
    except UsageError as problem:
        problems["day"] = str(problem)
    if what == OTHER_WORK:
        return words, acted_on
    return ": ".join(part for part in (what, words) if part), acted_on
