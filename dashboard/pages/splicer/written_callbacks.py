"""Callbacks of the forms that write down a check, a service or a remark."""

from collections.abc import Mapping
from time import time
from typing import Any

from dash import ALL, MATCH, ClientsideFunction, Dash, Input, Output, State, ctx, html, no_update

from arcdrift.errors import ArcdriftError
from arcdrift.intake.storing.written_records import RefusedRecord
from arcdrift.intake.storing.written_sentences import report_text
from arcdrift.verdicts import VERDICTS
from dashboard import ids
from dashboard.access.current_user import current_user
from dashboard.access.roles import for_role
from dashboard.components import notice
from dashboard.forms import EVERY_FORM
from dashboard.pages.splicer.written_card import FIELD_OF_COLUMN, entry_words, typed_entry
from dashboard.reading.data import CrewData

ANSWER_SECONDS = 600
"""How long the page says what was last written down."""


def register(app: Dash, data: CrewData) -> None:
    """Attach the callbacks to an app."""

    @app.callback(
        Output(ids.WRITTEN, "data"),
        Output(ids.RESULTS_VERSION, "data", allow_duplicate=True),
        Output({"type": "written-field", "form": ALL, "name": ALL}, "error"),
        Output({"type": "written-trouble", "form": ALL}, "children"),
        Input({"type": "written-save", "form": ALL, "splicer": ALL}, "n_clicks"),
        Input({"type": "written-field", "form": ALL, "name": ALL}, "n_submit"),
        Input({"type": "undo-written", "number": ALL, "place": ALL}, "n_clicks"),
        State({"type": "written-field", "form": ALL, "name": ALL}, "value"),
        State({"type": "written-choice", "form": ALL, "name": ALL}, "value"),
        State({"type": "written-save", "form": ALL, "splicer": ALL}, "id"),
        prevent_initial_call=True,
    )
    @for_role("technician")
    def write_down(
        _saves: list[Any],
        _enters: list[Any],
        _undos: list[Any],
        _values: list[Any],
        _choices: list[Any],
        buttons: list[dict[str, str]],
    ) -> Any:
        field_ids = [item["id"] for item in ctx.outputs_list[2]]
        trouble_ids = [item["id"] for item in ctx.outputs_list[3]]
        untouched = [no_update] * len(field_ids), [no_update] * len(trouble_ids)
        pressed: Any = ctx.triggered_id
        if pressed is None or not any(item["value"] for item in ctx.triggered) or not buttons:
            return no_update, no_update, *untouched
        splicer = buttons[0]["splicer"]  # a page is of one splicer
        form = "list" if pressed["type"] == "undo-written" else pressed["form"]
        if form == EVERY_FORM:  # Enter in the name belongs to no form
            return no_update, no_update, *untouched
        fields = {
            item["id"]["name"]: item.get("value")
            for state in ctx.states_list[:2]
            for item in state
            if item["id"]["form"] in (form, EVERY_FORM)
        }
        try:
            if form == "list":
                answer = _undone(data, splicer, int(pressed["number"]))
            else:
                answer = _written(data, form, splicer, fields)
        except ArcdriftError as problem:
            problems = _by_field(problem)
            errors = [
                problems.get(item["name"]) if item["form"] in (form, EVERY_FORM) else None
                for item in field_ids
            ]
            elsewhere = [problems[""]] if "" in problems else []
            if form != "list" and "by" in problems:
                elsewhere.append(problems["by"])  # the name stands above the form
            shown = notice(*elsewhere, name="bad") if elsewhere else None
            places = [
                shown if item["form"] == form or (form == "list" and place == 0) else None
                for place, item in enumerate(trouble_ids)
            ]
            if form == "list":
                return _stored_answer(splicer, str(problem), bad=True), no_update, *untouched
            return no_update, no_update, errors, places
        blank = [None] * len(field_ids), [None] * len(trouble_ids)
        return answer, data.version(), *blank

    @app.callback(
        Output({"type": "written-answer", "splicer": MATCH}, "children"),
        Input({"type": "written-answer", "splicer": MATCH}, "id"),
        Input(ids.WRITTEN, "data"),
    )
    @for_role("technician")
    def fill_answer(slot: dict[str, str], answer: dict[str, Any] | None) -> Any:
        if not answer or answer["splicer"] != slot["splicer"]:
            return None
        if time() - answer["at"] > ANSWER_SECONDS:
            return None
        undo = None
        if answer.get("number") is not None:
            undo = html.Button(
                "Undo", id=ids.undo_written(answer["number"], "answer"), className="button big"
            )
        name = "bad" if answer.get("bad") else "good"
        return html.Div([notice(answer["sentence"], name=name), undo], className="written-told")

    app.clientside_callback(
        ClientsideFunction("arcdrift", "written"),
        Output(ids.DRAWN, "data", allow_duplicate=True),
        Input(ids.WRITTEN, "data"),
        prevent_initial_call=True,
    )


def _written(data: CrewData, form: str, splicer: str, fields: Mapping[str, Any]) -> dict[str, Any]:
    """Store a filled form; return what to say, and the number that Undo takes."""
    report = data.write_down(**typed_entry(form, splicer, fields))
    sentence = report_text(report, data.zone_of_splicer(splicer))
    if form != "remark" and not report.repeated:
        sentence += _verdict(data, splicer)
    return _stored_answer(splicer, sentence, number=report.import_id)


def _undone(data: CrewData, splicer: str, number: int) -> dict[str, Any]:
    user = current_user()
    only_by = user.name if user is not None and user.viewer.role == "technician" else None
    entry = data.undo_written(number, only_by=only_by)
    sentence = f"Undone: {entry_words(data, entry)}."
    if entry.kind != "remarks":
        sentence += _verdict(data, splicer)
    return _stored_answer(splicer, sentence)


def _verdict(data: CrewData, splicer: str) -> str:
    """Say the verdict as it is now; empty where no advice can be given."""
    try:
        advice = data.advice(splicer, None, None, None)
    except ArcdriftError:
        return ""
    words = VERDICTS[advice.verdict].words
    return f" Verdict: {words[0].lower()}{words[1:]}."


def _stored_answer(
    splicer: str, sentence: str, *, number: int | None = None, bad: bool = False
) -> dict[str, Any]:
    return {
        "splicer": splicer, "sentence": sentence, "number": number, "bad": bad, "at": time()
    }  # fmt: skip


def _by_field(problem: ArcdriftError) -> dict[str, str]:
    """Sentences by the field that they stand beside; "" for none."""
    if not isinstance(problem, RefusedRecord):
        return {"": str(problem)}
    found: dict[str, str] = {}
    for column, sentence in problem.problems.items():
        found.setdefault(FIELD_OF_COLUMN.get(column, ""), sentence)
    return found
