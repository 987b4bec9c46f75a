"""A walk through everything a browser can ask the dashboard for: pages, callbacks, downloads."""

import json
import os
from collections.abc import Callable, Iterator
from typing import Any
from urllib.parse import quote

from dash import Dash

from dashboard.pages import PAGES, PAGES_OF_RECORDS, TABLES
from dashboard.reports.report_kinds import REPORT_KINDS
from dashboard.url_query import search
from tests.dashboard.access.signing_in import Browser
from tests.dashboard.invented import findings
from tests.dashboard.invented_prep import PEOPLE

Answers = dict[str, str]
STREAM = {"splicer": "Kestrel", "program": "single-mode fixed"}
QUERIES: tuple[str, ...] = (
    "",
    search(STREAM | {"period": "all", "technician": "Birch", "kind": "both-sides"}),
    "?subject=technician:Birch&period=all",
)
"""Addresses of which any page may make something."""
if os.environ.get("ARCDRIFT_LONG") == "1":
    QUERIES += (
        "?splicer=Kestrel",
        "?splicer=Heron&period=all",
        search(STREAM | {"day": "2025-06-12"}),
        "?subject=crew:crew",
        "?subject=stream:Kestrel / single-mode fixed&measure=dirty",
        *(f"?finding={finding.id}" for finding in findings()),
        *(f"?technician={name}&kind=both-sides" for name in PEOPLE),
        *(f"?subject=technician:{name}" for name in PEOPLE),
    )


def callbacks(app: Dash) -> dict[str, str]:
    """Output of each callback that the server computes, by the name of its function."""
    return {
        known["callback"].__name__: output
        for output, known in app.callback_map.items()
        if known.get("callback") is not None
    }


def is_asked(page: Any, kind: str) -> Iterator[dict[str, Any]]:
    """Ids of a type in a page as sent, which the browser asks for next."""
    if isinstance(page, dict):
        found = page.get("id")
        if isinstance(found, dict) and found.get("type") == kind:
            yield found
        for value in page.values():
            yield from is_asked(value, kind)
    elif isinstance(page, list):
        for value in page:
            yield from is_asked(value, kind)


SLOTS = {"rest-slot": "fill_rest", "trial-slot": "fill_trial"}


def slot_call(browser: Browser, name: str, slot: dict[str, Any]) -> Any:
    """Ask for what a page loads into one of its slots."""
    state = [{"id": "scheme", "property": "data", "value": "light"}] if name != "fill_shift" else []
    return browser.call(
        callbacks(browser.app)[name],
        [{"id": slot, "property": "id", "value": slot}],
        state,
        outputs={"id": slot, "property": "children"},
    )


def folded_call(browser: Browser, place: dict[str, Any]) -> Any:
    """Open a folded part of a page."""
    return browser.call(
        callbacks(browser.app)["fill_folded"],
        [{"id": place, "property": "n_clicks", "value": 1}],
        [
            {"id": place, "property": "id", "value": place},
            {"id": "scheme", "property": "data", "value": "light"},
        ],
        outputs={"id": place | {"type": "folded-slot"}, "property": "children"},
        triggered=f"{json.dumps(place, sort_keys=True, separators=(',', ':'))}.n_clicks",
    )


def grid_call(browser: Browser, grid: dict[str, Any]) -> Any:
    """Ask for the first block of a long table."""
    wanted = {"startRow": 0, "endRow": 100}
    return browser.call(
        callbacks(browser.app)["page_splices"],
        [{"id": grid, "property": "getRowsRequest", "value": wanted}],
        [{"id": grid, "property": "id", "value": grid}],
        outputs={"id": grid, "property": "getRowsResponse"},
        triggered=f"{json.dumps(grid, sort_keys=True, separators=(',', ':'))}.getRowsRequest",
    )


def form_call(
    browser: Browser, name: str, button: dict[str, Any], fields: dict[str, Any], kind: str,
    outputs: list[Any], more_state: tuple[Any, ...] = (), inputs: int = 2,
) -> Any:  # fmt: skip
    """Press the button of a form that changes something."""
    pressed = [{"id": button, "property": "n_clicks", "value": 1}]
    return browser.call(
        callbacks(browser.app)[name],
        [pressed] + [[]] * (inputs - 1),
        [
            [{"id": {"name": key, "type": kind}, "property": "value", "value": value}
             for key, value in fields.items()],
            *more_state,
        ],
        outputs=outputs,
        triggered=f"{json.dumps(button, sort_keys=True, separators=(',', ':'))}.n_clicks",
    )  # fmt: skip


def mark_a_baseline(browser: Browser) -> Any:
    place = {"program": STREAM["program"], "splicer": "Kestrel", "type": "mark-answer"}
    return form_call(
        browser, "change_baseline", place | {"type": "mark-save"},
        {"action": "exclude", "scope": "stream", "first": "2025-06-02", "last": "2025-06-02",
         "note": "reel", "by": "X"},
        "mark-field",
        [{"id": "results-version", "property": "data"}, [{"id": place, "property": "children"}]],
    )  # fmt: skip


def note_a_session(browser: Browser, technician: str) -> Any:
    log = {"technician": technician, "type": "coaching-log"}
    return form_call(
        browser, "change_coaching", {"technician": technician, "type": "note-save"},
        {"day": "2025-06-02", "topic": "cleaving", "note": "", "by": "X"}, "note-field",
        [[{"id": log, "property": "children"}],
         [{"id": log | {"type": "note-answer"}, "property": "children"}]],
        ([{"id": log, "property": "id", "value": log}],),
    )  # fmt: skip


def save_a_budget(browser: Browser) -> Any:
    button = {"query": "?budget=3", "type": "budget-save"}
    return browser.call(
        callbacks(browser.app)["save_budget"],
        [{"id": button, "property": "n_clicks", "value": 1}],
        [
            {"id": button, "property": "id", "value": button},
            {"id": button | {"type": "budget-seen"}, "property": "data", "value": "2"},
        ],
        outputs={"id": button | {"type": "budget-answer"}, "property": "children"},
        triggered=f"{json.dumps(button, sort_keys=True, separators=(',', ':'))}.n_clicks",
    )


def set_a_filter(browser: Browser) -> Any:
    control = {"default": "", "key": "splicer", "type": "filter"}
    return browser.call(
        callbacks(browser.app)["follow"],
        [[{"id": control, "property": "value", "value": "Heron"}], [], []],
        [{"id": "url", "property": "search", "value": ""}],
        outputs=[{"id": "url", "property": "pathname"}, {"id": "url", "property": "search"}],
        triggered=f"{json.dumps(control, sort_keys=True, separators=(',', ':'))}.value",
    )


def look_for_results(browser: Browser) -> Any:
    return browser.call(
        callbacks(browser.app)["look_for_results"],
        [{"id": "results-timer", "property": "n_intervals", "value": 1}],
        [{"id": "results-version", "property": "data", "value": "0"}],
        outputs={"id": "results-version", "property": "data"},
        triggered="results-timer.n_intervals",
    )


def write_a_remark(browser: Browser) -> Any:
    """Write nothing down: the form is refused, since it holds no remark."""
    button = {"form": "remark", "splicer": "Kestrel", "type": "written-save"}
    field = {"form": "remark", "name": "remark", "type": "written-field"}
    trouble = {"form": "remark", "type": "written-trouble"}
    return browser.call(
        callbacks(browser.app)["write_down"],
        [
            [{"id": button, "property": "n_clicks", "value": 1}],
            [{"id": field, "property": "n_submit", "value": None}],
            [],
        ],
        [
            [{"id": field, "property": "value", "value": ""}],
            [],
            [{"id": button, "property": "id", "value": button}],
        ],
        outputs=[
            {"id": "written", "property": "data"},
            {"id": "results-version", "property": "data"},
            [{"id": field, "property": "error"}],
            [{"id": trouble, "property": "children"}],
        ],
        triggered=f"{json.dumps(button, sort_keys=True, separators=(',', ':'))}.n_clicks",
    )


def say_what_was_written(browser: Browser) -> Any:
    slot = {"splicer": "Kestrel", "type": "written-answer"}
    return browser.call(
        callbacks(browser.app)["fill_answer"],
        [
            {"id": slot, "property": "id", "value": slot},
            {"id": "written", "property": "data", "value": None},
        ],
        outputs={"id": slot, "property": "children"},
    )


def take_a_case_on(browser: Browser) -> Any:
    """Take on a case that is not there."""
    button = {"action": "take", "case": "none", "type": "case-save", "version": 0}
    return browser.call(
        callbacks(browser.app)["state_case"],
        [[{"id": button, "property": "n_clicks", "value": 1}], []],
        [[], [], [], [{"id": button, "property": "id", "value": button}]],
        outputs=[
            {"id": "case-said", "property": "data"},
            {"id": "results-version", "property": "data"},
            [],
            [],
            [],
        ],
        triggered=f"{json.dumps(button, sort_keys=True, separators=(',', ':'))}.n_clicks",
    )


def tick_a_splice_off(browser: Browser) -> Any:
    """Tick off a splice that is not on the list."""
    pressed = {"splice": 999, "back": False, "at": 0}
    return browser.call(
        callbacks(browser.app)["tick_off_splice"],
        [{"id": "revisit-pressed", "property": "data", "value": pressed}],
        [[]],
        outputs=[
            {"id": "case-said", "property": "data"},
            {"id": "results-version", "property": "data"},
            [],
        ],
        triggered="revisit-pressed.data",
    )


def say_what_was_said(browser: Browser) -> Any:
    slot = {"place": "revisit", "type": "case-answer"}
    return browser.call(
        callbacks(browser.app)["fill_case_answer"],
        [
            {"id": slot, "property": "id", "value": slot},
            {"id": "case-said", "property": "data", "value": None},
        ],
        outputs={"id": slot, "property": "children"},
    )


RECORDS = {"place": "records", "type": "uploads"}
TIMER = "uploads-timer"


def list_what_was_sent(browser: Browser) -> Any:
    return browser.call(
        callbacks(browser.app)["show_uploads"],
        [
            [{"id": RECORDS, "property": "id", "value": RECORDS}],
            {"id": "uploads-sent", "property": "data", "value": 0},
            {"id": TIMER, "property": "n_intervals", "value": None},
        ],
        [[]],
        outputs=[
            [{"id": RECORDS, "property": "children"}],
            [{"id": RECORDS | {"type": "uploads-open"}, "property": "children"}],
        ],
        triggered="uploads-sent.data",
    )


def follow_what_was_sent(browser: Browser) -> Any:
    return browser.call(
        callbacks(browser.app)["follow_uploads"],
        [{"id": TIMER, "property": "n_intervals", "value": 1}],
        [{"id": "results-version", "property": "data", "value": "0"}],
        outputs=[
            {"id": TIMER, "property": "disabled"},
            {"id": "results-version", "property": "data"},
        ],
        triggered=f"{TIMER}.n_intervals",
    )


def preview_a_file(browser: Browser) -> Any:
    """Ask how a file is read that nobody has sent in."""
    place = {"token": "0123456789abcdef", "type": "upload-preview"}
    return browser.call(
        callbacks(browser.app)["preview_upload"],
        [[]],
        [{"id": place, "property": "id", "value": place}],
        outputs={"id": place, "property": "children"},
    )


def answer_about_a_file(browser: Browser) -> Any:
    """Answer about a file that nobody has sent in."""
    button = {"token": "0123456789abcdef", "type": "upload-answer"}
    return browser.call(
        callbacks(browser.app)["answer_upload"],
        [[{"id": button, "property": "n_clicks", "value": 1}], []],
        [[], {"id": "uploads-sent", "property": "data", "value": 0}],
        outputs=[
            {"id": "uploads-sent", "property": "data"},
            {"id": TIMER, "property": "disabled"},
        ],
        triggered=f"{json.dumps(button, sort_keys=True, separators=(',', ':'))}.n_clicks",
    )


def undo_a_file(browser: Browser) -> Any:
    """Undo an import that is not there."""
    button = {"number": 999, "type": "import-undo"}
    return browser.call(
        callbacks(browser.app)["undo_file"],
        [[{"id": button, "property": "n_clicks", "value": 1}]],
        outputs=[
            [{"id": RECORDS | {"type": "undo-answer"}, "property": "children"}],
            {"id": "results-version", "property": "data"},
        ],
        triggered=f"{json.dumps(button, sort_keys=True, separators=(',', ':'))}.n_clicks",
    )


def mend_a_row(browser: Browser) -> Any:
    """Mend a row that is not set aside."""
    button = {"number": 999, "type": "mend-try"}
    return browser.call(
        callbacks(browser.app)["mend_rows"],
        [
            {"id": button, "property": "n_clicks", "value": 1},
            {"id": button | {"type": "mend-drop"}, "property": "n_clicks", "value": None},
        ],
        [
            {"id": button | {"type": "mend-grid"}, "property": "rowData", "value": [{"id": 1}]},
            {"id": button | {"type": "mend-why"}, "property": "value", "value": ""},
            [],
        ],
        outputs={"id": button | {"type": "mend-answer"}, "property": "children"},
        triggered=f"{json.dumps(button, sort_keys=True, separators=(',', ':'))}.n_clicks",
    )


def decide_what_counts(browser: Browser) -> Any:
    """Decide a conflict that is not there."""
    button = {"choice": "old", "number": 999, "type": "conflict-keep"}
    return browser.call(
        callbacks(browser.app)["decide_conflict"],
        [[{"id": button, "property": "n_clicks", "value": 1}]],
        [[]],
        outputs=[
            [{"id": RECORDS | {"type": "conflict-answer"}, "property": "children"}],
            {"id": "results-version", "property": "data"},
        ],
        triggered=f"{json.dumps(button, sort_keys=True, separators=(',', ':'))}.n_clicks",
    )


def look_at_clocks(browser: Browser) -> Any:
    place = RECORDS | {"type": "clocks"}
    return slot_call(browser, "fill_clocks", place)


def set_a_clock(browser: Browser, splicer: str = "Kestrel", start: str = "0", **typed: Any) -> Any:
    """Set the shift of a stretch, by default of one that is not there."""
    button = {"splicer": splicer, "start": start, "type": "clock-set"}
    fields = {"way": "later", "days": 0, "hours": 1, "minutes": 0, "why": "seen"} | typed
    return browser.call(
        callbacks(browser.app)["set_clock"],
        [{"id": button, "property": "n_clicks", "value": 1}],
        [
            [
                {"id": button | {"type": "clock-field", "name": name}, "property": "value",
                 "value": value}
                for name, value in fields.items()
            ],
            [],
        ],
        outputs={"id": button | {"type": "clock-answer"}, "property": "children"},
        triggered=f"{json.dumps(button, sort_keys=True, separators=(',', ':'))}.n_clicks",
    )  # fmt: skip


def set_a_crew_up(browser: Browser) -> Any:
    """Set up a crew that has records: refused."""
    button = {"action": "save", "type": "setup-button"}
    typed = {("name", 0): "North", ("zone", 0): "Europe/Oslo"}
    return browser.call(
        callbacks(browser.app)["set_up"],
        [[{"id": button, "property": "n_clicks", "value": 1}]],
        [
            [
                {"id": {"name": name, "row": row, "type": "setup-field"}, "property": "value",
                 "value": value}
                for (name, row), value in typed.items()
            ]
        ],
        outputs=[{"id": RECORDS | {"type": "setup-form"}, "property": "children"}],
        triggered=f"{json.dumps(button, sort_keys=True, separators=(',', ':'))}.n_clicks",
    )  # fmt: skip


def undo_a_clock(browser: Browser, splicer: str = "Kestrel", number: int = 999) -> Any:
    """Undo a clock shift, by default one that is not there."""
    button = {"number": number, "splicer": splicer, "type": "clock-undo"}
    return browser.call(
        callbacks(browser.app)["undo_clock"],
        [{"id": button, "property": "n_clicks", "value": 1}],
        outputs={"id": button | {"type": "clock-undo-answer"}, "property": "children"},
        triggered=f"{json.dumps(button, sort_keys=True, separators=(',', ':'))}.n_clicks",
    )


def ask_for_more_advice(browser: Browser) -> Any:
    slot = {"mine": "Kestrel", "type": "shift-slot"}
    timer = slot | {"type": "shift-timer"}
    return browser.call(
        callbacks(browser.app)["fill_shift"],
        [{"id": timer, "property": "n_intervals", "value": 1}],
        [{"id": timer, "property": "id", "value": timer}],
        outputs=[
            {"id": slot, "property": "children"},
            {"id": timer, "property": "disabled"},
        ],
        triggered=f"{json.dumps(timer, sort_keys=True, separators=(',', ':'))}.n_intervals",
    )


GRID = STREAM | {"day": "", "type": "splice-grid"}
CALLS: dict[str, Callable[[Browser], Any]] = {
    "show": lambda browser: browser.page("/coaching"),
    "follow": set_a_filter,
    "page_splices": lambda browser: grid_call(browser, GRID),
    "fill_rest": lambda browser: slot_call(
        browser, "fill_rest", {"query": "?splicer=Kestrel", "type": "rest-slot"}
    ),
    "fill_shift": ask_for_more_advice,
    "fill_trial": lambda browser: slot_call(
        browser, "fill_trial", {"query": "?period=all", "type": "trial-slot"}
    ),
    "fill_folded": lambda browser: folded_call(
        browser, {"page": "loss", "part": "table", "query": "", "type": "folded"}
    ),
    "change_baseline": mark_a_baseline,
    "change_coaching": lambda browser: note_a_session(browser, "Alder"),
    "save_budget": save_a_budget,
    "look_for_results": look_for_results,
    "write_down": write_a_remark,
    "fill_answer": say_what_was_written,
    "state_case": take_a_case_on,
    "tick_off_splice": tick_a_splice_off,
    "fill_case_answer": say_what_was_said,
    "show_uploads": list_what_was_sent,
    "follow_uploads": follow_what_was_sent,
    "preview_upload": preview_a_file,
    "answer_upload": answer_about_a_file,
    "undo_file": undo_a_file,
    "mend_rows": mend_a_row,
    "decide_conflict": decide_what_counts,
    "fill_clocks": look_at_clocks,
    "set_clock": set_a_clock,
    "undo_clock": undo_a_clock,
    "set_up": set_a_crew_up,
}
"""How to ask for each callback, by the name of its function."""


def walk(browser: Browser, queries: tuple[str, ...] = QUERIES) -> Iterator[tuple[str, str, str]]:
    """Yield what everything answers: where, the query that was typed, and the text."""
    for path in (*PAGES, *PAGES_OF_RECORDS):
        for query in queries:
            answer = browser.page(path, query)
            text = answer.get_data(as_text=True)
            yield f"page {path}", query, text
            page = json.loads(text) if answer.status_code == 200 else None
            for kind, name in SLOTS.items():
                for slot in is_asked(page, kind):
                    yield f"{name} on {path}", query, _text(slot_call(browser, name, slot))
            for place in is_asked(page, "folded"):
                yield f"{place['part']} on {path}", query, _text(folded_call(browser, place))
            for grid in is_asked(page, "splice-grid"):
                yield f"splices on {path}", query, _text(grid_call(browser, grid))
        yield f"frame {path}", "", _text(browser.get(path + "?splicer=Kestrel"))
    for path in ("/pocket", "/pocket?splicer=Kestrel", "/address.svg"):
        yield f"frame {path}", "", _text(browser.get(path))
    for page_name, table in TABLES:
        for query in queries:
            address = f"/csv/{page_name}/{table}.csv{quote(query, safe='?=&/:+')}"
            yield address.partition("?")[0], query, _text(browser.get(address))
    for kind in REPORT_KINDS:
        for query in queries:
            address = f"/report/{kind}.html{quote(query, safe='?=&/:+')}"
            yield address.partition("?")[0], query, _text(browser.get(address))
    for name, call in CALLS.items():
        yield f"callback {name}", "", _text(call(browser))


def _text(answer: Any) -> str:
    return str(answer.get_data(as_text=True))
