"""Callbacks of the pages of cases: what a person says about a case, and ticks splices off."""

from collections.abc import Mapping
from datetime import datetime
from time import time
from typing import Any

from dash import ALL, MATCH, ClientsideFunction, Dash, Input, Output, State, ctx, html, no_update

from arcdrift.case import CLOSED_WORDS
from arcdrift.errors import ArcdriftError, StaleChange
from arcdrift.instants import day_text
from dashboard import ids
from dashboard.access.roles import for_role
from dashboard.components import notice
from dashboard.forms import EVERY_FORM
from dashboard.pages.cases.case_forms import FieldProblems, typed_statement
from dashboard.pages.cases.revisit import PLACE, tick, untick
from dashboard.reading.data import CrewData

NAME = {"type": "written-field", "form": EVERY_FORM, "name": ALL}
"""The field for the reader's name."""
ANSWER_SECONDS = 600
"""How long a page says what was last written down."""
SAID = {
    "take": "You have taken it on. Say Done once the work is done.",
    "done": "Noted. The result is worked out from the workdays that follow.",
    "close": "Closed: {how}. It opens again by itself if the fault comes back.",
    "reopen": "Open again.",
}
MEANWHILE = {
    "taken-on": "took it on",
    "done": "said that the work is done",
    "closed": "closed it",
    "reopened": "opened it again",
}
SAID_ALREADY = {"take": "taken-on", "done": "done", "close": "closed", "reopen": "reopened"}


def register(app: Dash, data: CrewData) -> None:
    """Attach the callbacks to an app."""

    @app.callback(
        Output(ids.CASE_SAID, "data"),
        Output(ids.RESULTS_VERSION, "data", allow_duplicate=True),
        Output({"type": "case-text", "form": ALL, "name": ALL}, "error"),
        Output({"type": "case-choice", "form": ALL, "name": ALL}, "error"),
        Output(NAME, "error", allow_duplicate=True),
        Input({"type": "case-save", "case": ALL, "action": ALL, "version": ALL}, "n_clicks"),
        Input({"type": "case-text", "form": ALL, "name": ALL}, "n_submit"),
        State({"type": "case-text", "form": ALL, "name": ALL}, "value"),
        State({"type": "case-choice", "form": ALL, "name": ALL}, "value"),
        State(NAME, "value"),
        State({"type": "case-save", "case": ALL, "action": ALL, "version": ALL}, "id"),
        prevent_initial_call=True,
    )
    @for_role("technician")
    def state_case(
        _saves: list[Any],
        _enters: list[Any],
        _texts: list[Any],
        _choices: list[Any],
        _names: list[Any],
        buttons: list[dict[str, Any]],
    ) -> Any:
        places = [[item["id"] for item in places] for places in ctx.outputs_list[2:]]
        untouched = [[no_update] * len(fields_of_kind) for fields_of_kind in places]
        pressed: Any = ctx.triggered_id
        if pressed is None or not any(item["value"] for item in ctx.triggered):
            return no_update, no_update, *untouched
        action = pressed.get("action") or pressed["form"]
        button = next((one for one in buttons if one["action"] == action), None)
        if button is None:
            return no_update, no_update, *untouched
        fields = {
            item["id"]["name"]: item.get("value")
            for state in ctx.states_list[:3]
            for item in state
            if item["id"]["form"] in (action, EVERY_FORM)
        }
        try:
            answer = said(data, button, fields)
        except FieldProblems as problem:
            errors = [
                [
                    problem.problems.get(item["name"])
                    if item["form"] in (action, EVERY_FORM)
                    else None
                    for item in fields_of_kind
                ]
                for fields_of_kind in places
            ]
            return no_update, no_update, *errors
        return answer, data.version(), *([None] * len(fields_of_kind) for fields_of_kind in places)

    @app.callback(
        Output(ids.CASE_SAID, "data", allow_duplicate=True),
        Output(ids.RESULTS_VERSION, "data", allow_duplicate=True),
        Output(NAME, "error", allow_duplicate=True),
        Input(ids.REVISIT_PRESSED, "data"),
        State(NAME, "value"),
        prevent_initial_call=True,
    )
    @for_role("technician")
    def tick_off_splice(pressed: dict[str, Any] | None, _names: list[Any]) -> Any:
        names = [item["id"] for item in ctx.outputs_list[2]]
        if not pressed:
            return no_update, no_update, [no_update] * len(names)
        fields = {item["id"]["name"]: item.get("value") for item in ctx.states_list[0]}
        number = int(pressed["splice"])
        try:
            if pressed["back"]:
                sentence, ticked = untick(data, number, fields), None
            else:
                sentence, ticked = tick(data, number, fields), number
            answer = _answer(PLACE, sentence, ticked=ticked)
        except FieldProblems as problem:
            return no_update, no_update, [problem.problems.get(item["name"]) for item in names]
        except ArcdriftError as problem:
            answer = _answer(PLACE, str(problem), bad=True)
        return answer, data.version(), [None] * len(names)

    @app.callback(
        Output({"type": "case-answer", "place": MATCH}, "children"),
        Input({"type": "case-answer", "place": MATCH}, "id"),
        Input(ids.CASE_SAID, "data"),
    )
    @for_role("technician")
    def fill_case_answer(slot: dict[str, str], answer: dict[str, Any] | None) -> Any:
        if not answer or answer["place"] != slot["place"]:
            return None
        if time() - answer["at"] > ANSWER_SECONDS:
            return None
        undo = None
        if answer.get("ticked") is not None:
            undo = html.Button(
                "Put it back", className="button big", **{"data-put-back": answer["ticked"]}
            )
        name = "bad" if answer.get("bad") else "good"
        return html.Div(
            [notice(answer["sentence"], name=name), undo], className="case-told", tabIndex="-1"
        )

    app.clientside_callback(
        ClientsideFunction("arcdrift_cases", "said"),
        Output(ids.DRAWN, "data", allow_duplicate=True),
        Input(ids.CASE_SAID, "data"),
        prevent_initial_call=True,
    )
    app.clientside_callback(
        ClientsideFunction("arcdrift_cases", "refused"),
        Output(ids.DRAWN, "data", allow_duplicate=True),
        Input({"type": "case-text", "form": ALL, "name": ALL}, "error"),
        Input({"type": "case-choice", "form": ALL, "name": ALL}, "error"),
        Input(NAME, "error"),
        prevent_initial_call=True,
    )
    app.clientside_callback(
        ClientsideFunction("arcdrift_cases", "news"),
        Output({"type": "news-line", "place": ALL}, "children"),
        Output({"type": "new-mark", "case": ALL, "what": ALL, "at": ALL}, "children"),
        Input({"type": "news", "place": ALL}, "data"),
        State({"type": "new-mark", "case": ALL, "what": ALL, "at": ALL}, "id"),
        State({"type": "news-line", "place": ALL}, "id"),
    )


def said(data: CrewData, button: Mapping[str, Any], fields: Mapping[str, Any]) -> dict[str, Any]:
    """Write down what a person says about a case; return what to answer.

    Parameters
    ----------
    button : mapping
        The id of the pressed button: ``case``, ``action`` and ``version``, the version of the case
        that the person saw.
    fields : mapping
        Values by name of the field, as typed and chosen.

    Raises
    ------
    FieldProblems
        When the form cannot be used as it is filled in.
    """
    case, action = str(button["case"]), str(button["action"])
    statement = typed_statement(action, fields, data.today(), data.zone_of_case(case))
    if _case(data, case) is None:
        return _answer(case, "This case is no longer here, or is not shown to you.", bad=True)
    sentence = SAID[action].format(how=CLOSED_WORDS.get(statement["how"], ""))
    try:
        data.state_case(case, action, based_on=int(button["version"]), **statement)
    except StaleChange:
        if _said_before(data, case, action, statement["said_by"], int(button["version"])):
            return _answer(case, sentence)  # the button was pressed twice
        refill = {name: value for name, value in fields.items() if name != "by" and value}
        return _answer(case, meanwhile(data, case), bad=True, form=action, refill=refill)
    except ArcdriftError as problem:
        return _answer(case, str(problem), bad=True)
    return _answer(case, sentence)


def meanwhile(data: CrewData, case_id: str) -> str:
    """Say what somebody else did about a case since a person looked at it."""
    case = _case(data, case_id)
    rows = [] if case is None else [row for row in case["history"] if row["by"]]
    if not rows:
        return "This case has changed since you looked at it; below is how it stands now."
    last = rows[-1]
    at = datetime.fromisoformat(last["at"]).astimezone(data.zone_of_case(case_id))
    why = f" ({last['text']})" if last["text"] else ""
    return (
        f"Meanwhile {last['by']} {MEANWHILE.get(last['what'], 'changed it')} on {day_text(at)}, "
        f"{at:%H:%M}{why}. Nothing of yours was stored. Below is how the case stands now; say it "
        "once more if it still holds."
    )


def _case(data: CrewData, case_id: str) -> dict[str, Any] | None:
    return next((one for one in data.cases() if case_id in (one["id"], *one["absorbed"])), None)


def _said_before(data: CrewData, case_id: str, action: str, by: str, version: int) -> bool:
    """Whether the same person has just said the same."""
    case = _case(data, case_id)
    if case is None or case["version"] != version + 1:
        return False
    rows = [row for row in case["history"] if row["by"] == by]
    return bool(rows) and bool(rows[-1]["what"] == SAID_ALREADY[action])


def _answer(place: str, sentence: str, *, bad: bool = False, **more: Any) -> dict[str, Any]:
    return {"place": place, "sentence": sentence, "bad": bad, "at": time(), **more}
