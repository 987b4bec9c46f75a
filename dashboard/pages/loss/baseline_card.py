"""Part of a stream's page: its usual level, the marks people set on it, and a form to set one."""

from collections.abc import Hashable, Mapping
from typing import Any

import dash_mantine_components as dmc
from dash import html

from arcdrift.analysis.loss.baseline import Baseline, describe_baseline
from arcdrift.analysis.loss.day_level import LAG_FROM
from arcdrift.errors import UsageError
from arcdrift.wording import count_text
from dashboard import ids
from dashboard.components import View, card, facts, shown_day, shown_time
from dashboard.forms import day_field, name_field, typed_day, typed_name, words_field
from dashboard.service_moves_text import loss_moves_text

Mark = Mapping[Hashable, Any]
ACTIONS = {
    "exclude": "Leave days out",
    "freeze": "Freeze the usual level",
}
DOES = {
    "exclude": "left out, neither judged nor learned from",
    "freeze": "usual level frozen, days are judged and nothing is learned",
}
SCOPES = {
    "stream": "this splicer and program",
    "splicer": "all programs of this splicer",
    "all": "everybody",
}
FROM_NEXT = "counts from the next arcdrift analyze"


def baseline_card(view: View, splicer: str, program: str) -> html.Section:
    """Return the card of one stream's baseline."""
    days = view.data.result("result_stream_days", splicer=splicer, program=program)
    baseline = describe_baseline(days, view.data.service_records(splicer))
    may_change = view.data.viewer.has_role("lead")
    marks = view.data.baseline_marks(splicer, program).to_dict("records")
    return card(
        html.P(
            "The usual level is what a splice here loses when nothing is wrong. It is learned from "
            "earlier days. "
            "New electrodes, factory service and new firmware may move what is usual: the level "
            "goes on, is less certain at first, and follows more quickly. A rise that begins with "
            "service, and is not much larger than what service moves, cannot be known from it.",
            className="muted hint",
        ),
        facts(_facts(view, baseline, splicer)),
        html.H3("Set by people"),
        html.Ul([_mark(view, row) for row in marks], className="finding-list")
        if marks
        else html.P("No days are left out and nothing is frozen.", className="muted"),
        _form(splicer, program) if may_change else None,
        name="baseline",
        title="Usual level",
    )


def _facts(view: View, baseline: Baseline, splicer: str) -> list[tuple[str, Any]]:
    days = count_text(baseline.learned, "day")
    if baseline.first and baseline.last:
        days += f", {shown_day(baseline.first)} to {shown_day(baseline.last)}"
    newest_days = "up to the latest day"
    if baseline.lag:
        newest_days = (
            f"stays {baseline.lag} days of work behind, so that it does not learn from a slow rise"
        )
    state = f"learning: day {baseline.days} of {LAG_FROM}"
    if baseline.days >= LAG_FROM:
        state = f"known, from {baseline.days} days of work"
    service = "none on record"
    if baseline.last_service and baseline.last_service_at is not None:
        at = shown_time(baseline.last_service_at, view.data, splicer)
        service = f"{baseline.last_service}, {at}"
    left_out = [
        f"{count} {text}"
        for count, text in (
            (baseline.alarmed, "with an alarm"),
            (baseline.frozen, "frozen"),
            (baseline.excluded, "left out"),
        )
        if count
    ]
    return [
        ("State", state),
        ("Made of", days),
        ("Last service", service),
        ("What service moves", loss_moves_text(view.data.service_shifts())),
        ("Newest days", newest_days),
        ("Days it did not learn from", ", ".join(left_out) or "none"),
    ]


def _mark(view: View, row: Mark) -> html.Li:
    number = int(row["id"])
    span = f"from {shown_day(row['first_day'])} on, until taken back"
    if isinstance(row["last_day"], str):
        span = shown_day(row["first_day"])
        if row["last_day"] != row["first_day"]:
            span += f" to {shown_day(row['last_day'])}"
    scope_text = SCOPES["stream"]
    if not isinstance(row["program"], str):
        scope_text = SCOPES["splicer"] if isinstance(row["splicer"], str) else SCOPES["all"]
    elif not isinstance(row["splicer"], str):
        scope_text = "this program on every splicer"
    is_new = row["id"] > view.run.records.last_mark
    return html.Li(
        [
            html.Div(
                [html.Strong(f"{span}: {DOES[row['action']]}"), html.Span(f"({scope_text})")],
                className="row",
            ),
            html.Div(row["note"]),
            html.Div(
                f"{row['said_by']}, {shown_time(row['recorded_at'], view.data)}"
                + (f"; {FROM_NEXT}" if is_new else ""),
                className="muted",
            ),
            html.Button(
                "Take back",
                id=ids.undo_mark(number),
                className="button",
                **{"aria-label": f"Take back: {span}, {DOES[row['action']]}"},
            )
            if view.data.viewer.has_role("lead")
            else None,
        ],
        className="mark-line",
    )


def _form(splicer: str, program: str) -> html.Details:
    return html.Details(
        [
            html.Summary("Leave days out, or freeze the usual level"),
            html.P(
                "Leave out days that say nothing about this splicer, such as a bad reel of fiber. "
                "Freeze the usual level when the days to come should be compared with what was "
                "usual before them; without a last day it stays frozen. Either can be taken back.",
                className="muted hint",
            ),
            html.Div(
                [
                    _choice("action", "What", ACTIONS, "exclude"),
                    _choice("scope", "For", SCOPES, "stream"),
                    day_field(ids.mark_field("first"), "First day"),
                    day_field(ids.mark_field("last"), "Last day"),
                    words_field(ids.mark_field("note"), "Why"),
                    name_field(ids.mark_field("by")),
                    html.Button(
                        "Write it down", id=ids.mark_save(splicer, program), className="button"
                    ),
                ],
                className="filters",
            ),
            html.Div(id=ids.mark_answer(splicer, program), role="status"),
        ]
    )


def _choice(name: str, label: str, options: Mapping[str, str], chosen: str) -> dmc.Select:
    return dmc.Select(
        id=ids.mark_field(name),
        label=label,
        data=[{"value": value, "label": text} for value, text in options.items()],
        value=chosen,
        allowDeselect=False,
        size="sm",
        className="filter",
        comboboxProps={"withinPortal": True},
    )


def typed_mark(splicer: str, program: str, fields: Mapping[str, Any]) -> dict[str, Any]:
    """Convert a filled form to arguments of `arcdrift.store.annotations.baseline_marks.add_mark`.

    Parameters
    ----------
    fields : mapping
        ``action``, ``scope``, ``first``, ``last``, ``note`` and ``by`` as typed.

    Raises
    ------
    UsageError
        When a day is missing or none.
    """
    scope = fields.get("scope") or "stream"
    first = typed_day(fields.get("first"), "The first day")
    if first is None:
        raise UsageError("Give the first day.")
    return {
        "action": "freeze" if fields.get("action") == "freeze" else "exclude",
        "first_day": first,
        "last_day": typed_day(fields.get("last"), "The last day"),
        "splicer": None if scope == "all" else splicer,
        "program": program if scope == "stream" else None,
        "note": str(fields.get("note") or ""),
        "said_by": typed_name(fields.get("by")),
    }
