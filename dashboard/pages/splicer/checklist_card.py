"""Part of the splicer page: what to look at before the first splice, what is due first."""

from collections.abc import Sequence

from dash import html

from arcdrift.analysis.advice.checklist import ChecklistItem
from dashboard.components import card

STATES = {"due": ("!", "due"), "unknown": ("?", "not known"), "ok": ("✓", "in order")}


def checklist_card(items: Sequence[ChecklistItem]) -> html.Section | None:
    """Return the list: what is due, then what nothing on record tells; what is in order folded."""
    if not items:
        return None
    by_state = {state: [item for item in items if item.state == state] for state in STATES}
    in_order = by_state["ok"]
    open_items = [*by_state["due"], *by_state["unknown"]]
    names = ", ".join(dict.fromkeys(_name(item) for item in in_order))
    return card(
        html.Ul([_line(item) for item in open_items], className="start-list")
        if open_items
        else html.P("Nothing is due."),
        html.Details(
            [
                html.Summary(f"In order: {names}"),
                html.Ul([_line(item) for item in in_order], className="start-list"),
            ]
        )
        if in_order
        else None,
        title="Before the first splice",
        name="checklist",
    )


def _name(item: ChecklistItem) -> str:
    return item.what if item.what == "V-grooves" else item.what[:1].lower() + item.what[1:]


def _line(item: ChecklistItem) -> html.Li:
    mark, words = STATES[item.state]
    return html.Li(
        [
            html.Span(mark, className=f"cell start-{item.state}", **{"aria-hidden": "true"}),
            html.Span(f"{words}: ", className="for-readers"),
            html.Strong(item.what),
            html.Span(item.words),
        ]
    )
