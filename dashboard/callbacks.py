"""Callbacks of all pages; the URL alone decides what is shown.

Each callback states the least role that it serves; one that states none serves leads only.
"""

from collections.abc import Callable, Mapping
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
    dcc,
    html,
    no_update,
)

from arcdrift.errors import ArcdriftError
from arcdrift.figures.theme import Scheme
from dashboard import ids
from dashboard.access.current_user import current_user
from dashboard.access.page_roles import may_open
from dashboard.access.roles import for_role
from dashboard.components import View, card, heading, notice, shown_time
from dashboard.moved_addresses import new_address
from dashboard.pages import FOLDED, PAGES, PAGES_OF_RECORDS, not_allowed, not_found, page_address
from dashboard.pages.budget.budget import save_requested_budget
from dashboard.pages.budget.budget_trial import trial_card
from dashboard.pages.cases import case_callbacks
from dashboard.pages.coaching.coaching_card import typed_note
from dashboard.pages.coaching.person import person_log
from dashboard.pages.loss.baseline_card import typed_mark
from dashboard.pages.loss.stream import grid_rows
from dashboard.pages.shift.shift import shift_board
from dashboard.pages.splicer import written_callbacks
from dashboard.pages.splicer.splicer import charts_below_advice
from dashboard.reading.data import CrewData
from dashboard.static_html import with_static_parts
from dashboard.url_query import day, parse, search

PASSING_KEYS = ("day", "finding")
"""Keys that are dropped from the URL when a filter changes, as they belong to the old choice."""

OUTDATED = (
    "Records, or what people set, have changed since the last analysis; run `arcdrift analyze` to "
    "bring this up to date."
)


def screen(data: CrewData, path: str | None, query: str | None, scheme: Scheme) -> Any:
    """Return the page at a URL, made of one state of the results; at an old address its new page.

    A page that was open while addresses changed still asks for the old ones;
    `assets/arcdrift.js` then puts the new address in place of the old one.
    """
    moved = new_address(path or "/", query or "")
    if moved is not None:
        path, _, query = moved.partition("?")
    return data.in_one_state(lambda: _screen(data, path, query, scheme, moved))


def _screen(
    data: CrewData, path: str | None, query: str | None, scheme: Scheme, moved: str | None
) -> Any:
    address, named = page_address(path)
    if address in PAGES_OF_RECORDS:
        may = may_open(data.viewer, address)
        return PAGES_OF_RECORDS[address](data, parse(query)) if may else not_allowed(address)
    render = PAGES.get(address)
    if render is None:
        return not_found(path or "")
    if not may_open(data.viewer, address):
        return not_allowed(address)
    run = data.run()
    if run is None:
        return html.Div(
            [
                heading("Nothing analyzed yet", f"Crew folder of {data.crew.name}"),
                notice("Add the crew's logs; this page fills itself once they are worked out."),
                html.P(dcc.Link("Add files", href="/records", className="button big")),
            ]
        )
    as_of = (
        f"State of {shown_time(run.now, data)}. Analyzed {shown_time(run.assessed_on, data)}: "
        f"{run.splices:,} splices and {run.checks:,} arc checks. Times are local."
    )
    doubts = [OUTDATED] if data.outdated() else []
    if in_future := data.records_in_future():
        doubts.append(in_future)
    return html.Div(
        [
            notice(*doubts, name="outdated") if doubts else None,
            render(View(data, run, parse(query) | named, scheme)),
            phone_card() if address == "/" else None,
            html.Footer(as_of, className="as-of"),
        ],
        **{} if moved is None else {"data-moved": moved},
    )


def folded_part(data: CrewData, opened: Mapping[str, str], scheme: Scheme) -> Any:
    """Return a part of a page that somebody has opened (`dashboard.components.folded`)."""
    part = FOLDED.get((opened["page"], opened["part"]))
    if part is None or not may_open(data.viewer, f"/{opened['page']}"):
        return no_update
    return _in_slot(data, opened["query"], scheme, part)


def phone_card() -> html.Section | None:
    """Return the address of this dashboard for a phone to read; None where only this computer is.

    A narrow screen does not show it.
    """
    if current_user() is None:
        return None
    return card(
        html.P("Point the phone's camera at this, and sign in there."),
        html.Img(src="/address.svg", alt="The address of this dashboard as a QR code",
                 className="phone-code"),
        html.P(
            [
                html.A("My splicer", href="/pocket"),
                " is a small page that stays on the phone, also without signal.",
            ]
        ),
        title="On the phone",
        name="phone-card",
    )  # fmt: skip


def followed(current: dict[str, str], filters: dict[tuple[str, str], Any]) -> dict[str, str]:
    """Return the query after filters were set; defaults and empty values are left out.

    An address that names a default says the same as one without it: it stays, or the browser would
    have two entries for one page, and Back would lead to the page that it came from.

    Parameters
    ----------
    filters : dict
        Value by (key, default).
    """
    merged = dict(current)
    for (key, default), value in filters.items():
        text = f"{value:g}" if isinstance(value, int | float) else str(value or "")
        if text in ("", default):
            merged.pop(key, None)
        else:
            merged[key] = text
    defaults = dict(filters.keys())
    if merged == {key: value for key, value in current.items() if defaults.get(key) != value}:
        return current
    for key in PASSING_KEYS:
        merged.pop(key, None)
    return merged


def _in_slot(data: CrewData, query: str, scheme: Scheme, make: Callable[[View], Any]) -> Any:
    """Return what a page loads later, made of one state of the results."""

    def content() -> Any:
        run = data.run()
        return no_update if run is None else make(View(data, run, parse(query), scheme))

    return with_static_parts(data.in_one_state(content))


def register(app: Dash, data: CrewData) -> None:
    """Attach the callbacks to an app."""

    @app.callback(
        Output(ids.PAGE, "children"),
        Output(ids.TROUBLE, "children"),
        Input(ids.URL, "pathname"),
        Input(ids.URL, "search"),
        Input(ids.SCHEME, "data"),
        Input(ids.RESULTS_VERSION, "data"),
    )
    @for_role("technician")
    def show(path: str, query: str, scheme: Scheme, _version: str) -> tuple[Any, None]:
        page = screen(data, path, query, "dark" if scheme == "dark" else "light")
        return with_static_parts(page), None

    @app.callback(
        Output(ids.URL, "pathname"),
        Output(ids.URL, "search"),
        Input({"type": "filter", "key": ALL, "default": ALL}, "value"),
        Input({"type": "link-grid", "name": ALL}, "selectedRows"),
        Input({"type": "clickable-chart", "name": ALL}, "clickData"),
        State(ids.URL, "search"),
        prevent_initial_call=True,
    )
    @for_role("technician")
    def follow(
        _values: list[Any], rows: list[Any], clicks: list[Any], query: str
    ) -> tuple[Any, Any]:
        current = parse(query)
        kinds = {item["type"] for item in ctx.triggered_prop_ids.values()}
        chosen = next((picked for picked in rows if picked), None)
        if "link-grid" in kinds and chosen:
            path, _, rest = str(chosen[0]["href"]).partition("?")
            return path, f"?{rest}" if rest else ""
        clicked = next((click for click in clicks if click), None)
        if "clickable-chart" in kinds and clicked:
            point = clicked["points"][0]
            more = point.get("customdata")
            address = more[-1] if isinstance(more, list) and more else None
            if isinstance(address, str) and address.startswith("/") and address[1:2] != "/":
                path, _, rest = address.partition("?")
                return path, f"?{rest}" if rest else ""
            chosen = str(point["x"])[:10]
            return no_update, search({**current, "day": chosen})
        if "filter" not in kinds:
            return no_update, no_update
        filters = {
            (item["id"]["key"], item["id"]["default"]): item.get("value")
            for item in ctx.inputs_list[0]
        }
        merged = followed(current, filters)
        return no_update, no_update if merged == current else search(merged)

    @app.callback(
        Output(
            {"type": "splice-grid", "splicer": MATCH, "program": MATCH, "day": MATCH},
            "getRowsResponse",
        ),
        Input(
            {"type": "splice-grid", "splicer": MATCH, "program": MATCH, "day": MATCH},
            "getRowsRequest",
        ),
        State({"type": "splice-grid", "splicer": MATCH, "program": MATCH, "day": MATCH}, "id"),
        prevent_initial_call=True,
    )
    @for_role("technician")
    def page_splices(request: dict[str, Any] | None, grid: dict[str, str]) -> Any:
        if request is None:
            return no_update
        return data.in_one_state(
            lambda: grid_rows(data, grid["splicer"], grid["program"], day(grid, "day"), request)
        )

    @app.callback(
        Output({"type": "rest-slot", "query": MATCH}, "children"),
        Input({"type": "rest-slot", "query": MATCH}, "id"),
        State(ids.SCHEME, "data"),
    )
    @for_role("technician")
    def fill_rest(slot: dict[str, str], scheme: Scheme) -> Any:
        return _in_slot(
            data, slot["query"], "dark" if scheme == "dark" else "light", charts_below_advice
        )

    place = {"page": MATCH, "part": MATCH, "query": MATCH}

    @app.callback(
        Output({"type": "folded-slot", **place}, "children"),
        Input({"type": "folded", **place}, "n_clicks"),
        State({"type": "folded", **place}, "id"),
        State(ids.SCHEME, "data"),
        prevent_initial_call=True,
    )
    @for_role("technician")
    def fill_folded(clicks: int | None, opened: dict[str, str], scheme: Scheme) -> Any:
        if not clicks or clicks > 1:  # it is loaded once
            return no_update
        return folded_part(data, opened, "dark" if scheme == "dark" else "light")

    @app.callback(
        Output({"type": "shift-slot", "mine": MATCH}, "children"),
        Output({"type": "shift-timer", "mine": MATCH}, "disabled"),
        Input({"type": "shift-timer", "mine": MATCH}, "n_intervals"),
        State({"type": "shift-timer", "mine": MATCH}, "id"),
        prevent_initial_call=True,
    )
    @for_role("technician")
    def fill_shift(_ticks: int, timer: dict[str, str]) -> Any:
        query = search({"mine": timer["mine"]} if timer["mine"] else {})
        answer = _in_slot(data, query, "light", lambda view: shift_board(view, 0.0))
        if answer is no_update:
            return no_update, no_update
        board, is_pending = answer
        return board, not is_pending

    @app.callback(
        Output(ids.RESULTS_VERSION, "data", allow_duplicate=True),
        Output({"type": "mark-answer", "splicer": ALL, "program": ALL}, "children"),
        Input({"type": "mark-save", "splicer": ALL, "program": ALL}, "n_clicks"),
        Input({"type": "undo-mark", "number": ALL}, "n_clicks"),
        State({"type": "mark-field", "name": ALL}, "value"),
        prevent_initial_call=True,
    )
    @for_role("lead")
    def change_baseline(saves: list[Any], undos: list[Any], _values: list[Any]) -> Any:
        places = len(ctx.outputs_list[1])
        button = ctx.triggered_id
        if not any([*saves, *undos]) or button is None:
            return no_update, [no_update] * places
        fields = {item["id"]["name"]: item.get("value") for item in ctx.states_list[0]}
        try:
            if button["type"] == "undo-mark":
                data.withdraw_mark(int(button["number"]))
            else:
                data.add_mark(**typed_mark(button["splicer"], button["program"], fields))
        except ArcdriftError as problem:
            return no_update, [notice(str(problem), name="bad")] * places
        return data.version(), [None] * places

    @app.callback(
        Output({"type": "coaching-log", "technician": ALL}, "children"),
        Output({"type": "note-answer", "technician": ALL}, "children"),
        Input({"type": "note-save", "technician": ALL}, "n_clicks"),
        Input({"type": "undo-note", "number": ALL}, "n_clicks"),
        State({"type": "note-field", "name": ALL}, "value"),
        State({"type": "coaching-log", "technician": ALL}, "id"),
        prevent_initial_call=True,
    )
    @for_role("trainer")
    def change_coaching(
        saves: list[Any],
        undos: list[Any],
        _values: list[Any],
        logs: list[dict[str, str]],
    ) -> Any:
        button = ctx.triggered_id
        if not any([*saves, *undos]) or button is None:
            return [no_update] * len(logs), [no_update] * len(logs)
        fields = {item["id"]["name"]: item.get("value") for item in ctx.states_list[0]}
        name = logs[0]["technician"]  # a page is of one person
        try:
            if button["type"] == "undo-note":
                data.withdraw_note(name, int(button["number"]))
            else:
                data.add_note(name, **typed_note(fields))
        except ArcdriftError as problem:
            return [no_update], [notice(str(problem), name="bad")]
        return [person_log(data, name)], [None]

    @app.callback(
        Output({"type": "budget-answer", "query": MATCH}, "children"),
        Input({"type": "budget-save", "query": MATCH}, "n_clicks"),
        State({"type": "budget-save", "query": MATCH}, "id"),
        State({"type": "budget-seen", "query": MATCH}, "data"),
        prevent_initial_call=True,
    )
    @for_role("lead")
    def save_budget(clicks: int | None, button: dict[str, str], seen: str) -> Any:
        return save_requested_budget(data, parse(button["query"]), seen) if clicks else no_update

    @app.callback(
        Output({"type": "trial-slot", "query": MATCH}, "children"),
        Input({"type": "trial-slot", "query": MATCH}, "id"),
        State(ids.SCHEME, "data"),
    )
    @for_role("trainer")
    def fill_trial(slot: dict[str, str], scheme: Scheme) -> Any:
        return _in_slot(data, slot["query"], "dark" if scheme == "dark" else "light", trial_card)

    @app.callback(
        Output(ids.RESULTS_VERSION, "data"),
        Input(ids.RESULTS_TIMER, "n_intervals"),
        State(ids.RESULTS_VERSION, "data"),
        prevent_initial_call=True,
    )
    @for_role("technician")
    def look_for_results(_ticks: int, shown_version: str) -> Any:
        version = data.version()
        if version == shown_version:
            return no_update
        data.prefetch_advice()
        return version

    written_callbacks.register(app, data)
    case_callbacks.register(app, data)

    app.clientside_callback(
        ClientsideFunction("arcdrift", "scheme"),
        Output(ids.SCHEME, "data"),
        Output(ids.PROVIDER, "forceColorScheme"),
        Input(ids.SCHEME_BUTTON, "n_clicks"),
        State(ids.SCHEME, "data"),
    )
    app.clientside_callback(
        ClientsideFunction("arcdrift", "drawn"),
        Output(ids.DRAWN, "data"),
        Input(ids.PAGE, "children"),
    )
