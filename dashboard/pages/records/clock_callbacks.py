"""Callbacks of the card about clocks on the page Records: its content, shifts set and undone."""

from typing import Any

from dash import ALL, MATCH, Dash, Input, Output, State, ctx, no_update, set_props

from arcdrift.errors import ArcdriftError
from arcdrift.figures.theme import Scheme
from dashboard import ids
from dashboard.access.roles import for_role
from dashboard.components import notice
from dashboard.error_page import sentence
from dashboard.forms import EVERY_FORM, typed_name
from dashboard.pages.records.clocks_card import clocks_card, set_typed_shift
from dashboard.reading.clocks import undo_clock_shift
from dashboard.reading.data import CrewData
from dashboard.uploads.uploads import Uploads

NAME = {"type": "written-field", "form": EVERY_FORM, "name": ALL}
"""The field for the reader's name."""


def register(app: Dash, data: CrewData, uploads: Uploads) -> None:
    """Attach the callbacks to an app."""

    @app.callback(
        Output({"type": "clocks", "place": MATCH}, "children"),
        Input({"type": "clocks", "place": MATCH}, "id"),
        State(ids.SCHEME, "data"),
    )
    @for_role("technician")
    def fill_clocks(_place: dict[str, str], scheme: Scheme) -> Any:
        shown: Scheme = "dark" if scheme == "dark" else "light"
        failed = uploads.analysis_failed
        return data.in_one_state(lambda: clocks_card(data, shown, failed=failed))

    stretch = {"splicer": MATCH, "start": MATCH}

    @app.callback(
        Output({"type": "clock-answer", **stretch}, "children"),
        Input({"type": "clock-set", **stretch}, "n_clicks"),
        State({"type": "clock-field", **stretch, "name": ALL}, "value"),
        State(NAME, "value"),
        prevent_initial_call=True,
    )
    @for_role("trainer")
    def set_clock(clicks: int | None, _values: list[Any], names: list[str | None]) -> Any:
        pressed: Any = ctx.triggered_id
        if pressed is None or not clicks:
            return no_update
        fields = {item["id"]["name"]: item.get("value") for item in ctx.states_list[0]}
        try:
            by = typed_name(next(iter(names), ""))
            said = set_typed_shift(data, pressed["splicer"], pressed["start"], fields, by)
        except ArcdriftError as problem:
            return notice(sentence(problem), name="bad")
        return _brought_up_to_date(said)

    shift = {"splicer": MATCH, "number": MATCH}

    @app.callback(
        Output({"type": "clock-undo-answer", **shift}, "children"),
        Input({"type": "clock-undo", **shift}, "n_clicks"),
        prevent_initial_call=True,
    )
    @for_role("trainer")
    def undo_clock(clicks: int | None) -> Any:
        pressed: Any = ctx.triggered_id
        if pressed is None or not clicks:
            return no_update
        try:
            undo_clock_shift(data, pressed["splicer"], int(pressed["number"]))
        except ArcdriftError as problem:
            return notice(sentence(problem), name="bad")
        return _brought_up_to_date(
            "Taken back: its records are read as logged again. The results are being brought up to "
            "date."
        )

    def _brought_up_to_date(said: str) -> Any:
        """Say something at once; the page follows when the results are up to date."""
        uploads.analyze()
        set_props(ids.UPLOADS_TIMER, {"disabled": False})
        return notice(said, name="good")
