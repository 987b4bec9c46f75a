"""Callbacks of the page Records: files and answers about them, mending, a new crew's set-up."""

from typing import Any

from dash import (
    ALL,
    MATCH,
    ClientsideFunction,
    Dash,
    Input,
    Output,
    State,
    ctx,
    no_update,
    set_props,
)

from arcdrift.errors import ArcdriftError
from dashboard import ids
from dashboard.access.roles import for_role
from dashboard.components import notice
from dashboard.error_page import sentence
from dashboard.forms import EVERY_FORM, typed_name
from dashboard.pages.records.conflicts import decide
from dashboard.pages.records.crew_setup_card import save, setup_form, typed_in, with_a_row
from dashboard.pages.records.file_list import undo
from dashboard.pages.records.set_aside import give_up, try_again
from dashboard.pages.records.upload_list import open_part, preview_part, uploads_part
from dashboard.reading.data import CrewData
from dashboard.reading.viewers import look_at_settings_again
from dashboard.uploads.upload import session_of_request
from dashboard.uploads.upload_routes import sender_of_request
from dashboard.uploads.uploads import Uploads

NAME = {"type": "written-field", "form": EVERY_FORM, "name": ALL}
"""The field for the reader's name."""


def register(app: Dash, data: CrewData, uploads: Uploads) -> None:
    """Attach the callbacks to an app."""

    @app.callback(
        Output({"type": "uploads", "place": ALL}, "children"),
        Output({"type": "uploads-open", "place": ALL}, "children"),
        Input({"type": "uploads", "place": ALL}, "id"),
        Input(ids.UPLOADS_SENT, "data"),
        Input(ids.UPLOADS_TIMER, "n_intervals"),
        State({"type": "upload-answer", "token": ALL}, "id"),
    )
    @for_role("technician")
    def show_uploads(
        places: list[Any], _sent: int, _ticks: int | None, asked: list[dict[str, str]]
    ) -> Any:
        ours = uploads.of(session_of_request())
        part = uploads_part(ours, analyzing=uploads.analyzing, failed=uploads.analysis_failed)
        shown = {button["token"] for button in asked}
        if shown and shown == {each.token for each in ours if each.state == "open"}:
            forms: Any = no_update  # somebody may be typing an answer
        else:
            forms = open_part(ours)
        return [part] * len(places), [forms] * len(places)

    @app.callback(
        Output(ids.UPLOADS_TIMER, "disabled"),
        Output(ids.RESULTS_VERSION, "data", allow_duplicate=True),
        Input(ids.UPLOADS_TIMER, "n_intervals"),
        State(ids.RESULTS_VERSION, "data"),
        prevent_initial_call=True,
    )
    @for_role("technician")
    def follow_uploads(_ticks: int | None, shown_version: str) -> Any:
        if uploads.is_busy(session_of_request()):
            return no_update, no_update
        version = data.version()
        return True, version if version != shown_version else no_update

    @app.callback(
        Output({"type": "upload-preview", "token": MATCH}, "children"),
        Input({"type": "upload-question", "token": MATCH, "key": ALL}, "value"),
        State({"type": "upload-preview", "token": MATCH}, "id"),
    )
    @for_role("technician")
    def preview_upload(_values: list[Any], place: dict[str, str]) -> Any:
        try:
            found = uploads.preview(place["token"], session_of_request(), _answers())
        except ArcdriftError as problem:
            return notice(sentence(problem), name="bad")
        return preview_part(*found)

    @app.callback(
        Output(ids.UPLOADS_SENT, "data"),
        Output(ids.UPLOADS_TIMER, "disabled", allow_duplicate=True),
        Input({"type": "upload-answer", "token": ALL}, "n_clicks"),
        Input({"type": "upload-drop", "token": ALL}, "n_clicks"),
        State({"type": "upload-question", "token": ALL, "key": ALL}, "value"),
        State(ids.UPLOADS_SENT, "data"),
        prevent_initial_call=True,
    )
    @for_role("technician")
    def answer_upload(_answers_given: Any, _dropped: Any, _values: list[Any], sent: int) -> Any:
        pressed: Any = ctx.triggered_id
        if pressed is None or not any(item["value"] for item in ctx.triggered):
            return no_update, no_update
        token, session = pressed["token"], session_of_request()
        if pressed["type"] == "upload-drop":
            uploads.give_up(token, session)
        else:
            answers = {
                item["id"]["key"]: str(item.get("value") or "")
                for item in ctx.states_list[0]
                if item["id"]["token"] == token
            }
            uploads.answer(token, session, answers)
        return (sent or 0) + 1, False

    @app.callback(
        Output({"type": "undo-answer", "place": ALL}, "children"),
        Output(ids.RESULTS_VERSION, "data", allow_duplicate=True),
        Input({"type": "import-undo", "number": ALL}, "n_clicks"),
        prevent_initial_call=True,
    )
    @for_role("technician")
    def undo_file(_clicks: list[Any]) -> Any:
        pressed: Any = ctx.triggered_id
        places = len(ctx.outputs_list[0])
        if pressed is None or not any(item["value"] for item in ctx.triggered):
            return [no_update] * places, no_update
        try:
            said = undo(data, int(pressed["number"]))
        except ArcdriftError as problem:
            return [notice(sentence(problem), name="bad")] * places, no_update
        uploads.analyze()
        return [notice(said, name="good")] * places, data.version()

    @app.callback(
        Output({"type": "mend-answer", "number": MATCH}, "children"),
        Input({"type": "mend-try", "number": MATCH}, "n_clicks"),
        Input({"type": "mend-drop", "number": MATCH}, "n_clicks"),
        State({"type": "mend-grid", "number": MATCH}, "rowData"),
        State({"type": "mend-why", "number": MATCH}, "value"),
        State(NAME, "value"),
        prevent_initial_call=True,
    )
    @for_role("technician")
    def mend_rows(
        _tries: int | None, _drops: int | None, grid: list[dict[str, Any]] | None, why: str | None,
        names: list[str | None],
    ) -> Any:  # fmt: skip
        pressed: Any = ctx.triggered_id
        if pressed is None or not any(item["value"] for item in ctx.triggered):
            return no_update
        number, typed = int(pressed["number"]), next(iter(names), "")
        try:
            if pressed["type"] == "mend-try":
                said = try_again(data, uploads, number, grid or [], sender_of_request(data, typed))
                set_props(ids.UPLOADS_TIMER, {"disabled": False})
            else:
                said = give_up(data, number, grid or [], why or "", typed_name(typed))
                set_props(ids.RESULTS_VERSION, {"data": data.version()})
        except ArcdriftError as problem:
            return notice(sentence(problem), name="bad")
        return notice(said, name="good")

    @app.callback(
        Output({"type": "conflict-answer", "place": ALL}, "children"),
        Output(ids.RESULTS_VERSION, "data", allow_duplicate=True),
        Input({"type": "conflict-keep", "number": ALL, "choice": ALL}, "n_clicks"),
        State(NAME, "value"),
        prevent_initial_call=True,
    )
    @for_role("trainer")
    def decide_conflict(_clicks: list[Any], names: list[str | None]) -> Any:
        pressed: Any = ctx.triggered_id
        places = len(ctx.outputs_list[0])
        if pressed is None or not any(item["value"] for item in ctx.triggered):
            return [no_update] * places, no_update
        try:
            by = typed_name(next(iter(names), ""))
            said = decide(data, int(pressed["number"]), pressed["choice"], by)
        except ArcdriftError as problem:
            return [notice(sentence(problem), name="bad")] * places, no_update
        if pressed["choice"] == "new":
            uploads.analyze()
        return [notice(said, name="good")] * places, data.version()

    @app.callback(
        Output({"type": "setup-form", "place": ALL}, "children"),
        Input({"type": "setup-button", "action": ALL}, "n_clicks"),
        State({"type": "setup-field", "name": ALL, "row": ALL}, "value"),
        prevent_initial_call=True,
    )
    @for_role("lead")
    def set_up(_clicks: list[Any], _values: list[Any]) -> Any:
        pressed: Any = ctx.triggered_id
        places = len(ctx.outputs_list)
        if pressed is None or not any(item["value"] for item in ctx.triggered):
            return [no_update] * places
        typed = typed_in((item["id"], item.get("value")) for item in ctx.states_list[0])
        if pressed["action"] != "save":
            return [setup_form(with_a_row(typed, pressed["action"]))] * places
        problem = save(data, typed)
        if problem:
            return [setup_form(typed, problem)] * places
        set_props(ids.CREW_NAME, {"children": typed.name.strip()})
        look_at_settings_again()
        set_props(ids.RESULTS_VERSION, {"data": data.version()})
        return [no_update] * places

    zone = {"type": "setup-field", "name": "zone", "row": MATCH}
    app.clientside_callback(
        ClientsideFunction("arcdrift", "zone"),
        Output(zone, "value"),
        Input(zone, "id"),
        State(zone, "value"),
        State(zone, "data"),
    )


def _answers() -> dict[str, str]:
    """Return what the fields of the triggering form say, by the key of the question."""
    return {item["id"]["key"]: str(item.get("value") or "") for item in ctx.inputs_list[0]}
