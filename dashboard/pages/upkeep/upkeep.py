"""The Upkeep page: what is left of every part of the crew, due when, and what to order."""

from collections.abc import Sequence
from datetime import date, timedelta
from itertools import groupby
from typing import Any

import pandas as pd
from dash import dcc, html

from arcdrift.analysis.advice.advice import CAUTIONS
from arcdrift.analysis.advice.checklist import ChecklistItem
from arcdrift.analysis.advice.upkeep_plan import (
    ORDER_DAYS,
    Pace,
    UpkeepItem,
    parts_to_order,
    upkeep_plan,
    work_paces,
)
from arcdrift.instants import day_text
from arcdrift.wording import count_text, percent_text
from dashboard.components import View, card, csv_button, folded, heading, notice, select, tag
from dashboard.pages.attempts.hint_cards import all_hints, hint_list
from dashboard.reading.data import CrewData
from dashboard.static_html import static_part
from dashboard.url_query import href

KINDS = {
    "electrodes": ("Electrodes", ("Electrodes",)),
    "blades": ("Blades", ("Turn the blade", "New blade")),
    "cleaning": ("Cleaning", ("Cleaning", "V-grooves")),
    "factory": ("Factory service", ("Factory service",)),
}
"""Kinds of upkeep by their key in the address: what the filter calls them, and what they are."""
MACHINES = ("splicer", "cleaver", "blade")
"""Types of subjects of hints that upkeep is of."""
ALIKE = 3
"""Number from which rows that differ by nothing but their name are one."""
WEEKS_OPEN = 4
"""Weeks ahead whose rows are open; later ones are one tap away."""
BLADE_CAUTION = "A cleaver's blade cuts: wear eye protection, and keep fingers off its edge."
POWER_OFF = " Power off before touching them."
"""End of what the list for the start of a day says of worn electrodes."""
COLUMNS = (
    "asset", "asset_type", "upkeep", "state", "due", "due_latest", "used_pct", "left", "part",
    "needed_within_8_weeks",
)  # fmt: skip


def all_items(view: View) -> list[UpkeepItem]:
    """Return the upkeep of the whole crew, what is due first first."""
    data = view.data
    nothing = ChecklistItem("Electrodes", "unknown", "No check or splice is on record yet.", {})
    lists: dict[str, tuple[ChecklistItem, ...]] = dict.fromkeys(data.splicers(), (nothing,))
    lists |= {name: advice.start_of_day for name, advice in data.crew_advice().items()}
    blades = data.result("result_blades")
    today = data.today()
    return upkeep_plan(
        lists,
        blades.astype(object).where(blades.notna(), None).to_dict("records"),
        data.keep_with_results(_paces, today),
        data.crew,
        today,
    )


def _paces(data: CrewData, today: date) -> dict[str, Pace]:
    return work_paces(data.result("result_check_days"), today)


def chosen_items(view: View, items: Sequence[UpkeepItem]) -> list[UpkeepItem]:
    """Return the items of the kind in the address."""
    names = KINDS.get(view.query.get("what", ""), ("", ()))[1]
    return [item for item in items if not names or item.what in names]


def upkeep_table(view: View) -> pd.DataFrame:
    """Return the rows of the page."""
    rows = [
        (
            item.asset, item.asset_type, item.what, item.state, item.due, item.due_latest,
            None if item.used is None else round(100 * item.used, 1), item.words, item.part,
            item.count,
        )
        for item in chosen_items(view, all_items(view))
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=list(COLUMNS))


def order_table(view: View) -> pd.DataFrame:
    """Return what to order."""
    rows = [
        (part, count, ", ".join(assets))
        for part, (count, assets) in parts_to_order(all_items(view)).items()
    ]
    return pd.DataFrame(rows, columns=["part", "count", "for"])


TABLES = {"upkeep": upkeep_table, "to-order": order_table}


def render(view: View) -> html.Div:
    """Return the page."""
    everything = all_items(view)
    items, today = chosen_items(view, everything), view.data.today()
    title = heading("Upkeep", _summary(items, today))
    if everything and (count := sum(count for count, _ in parts_to_order(everything).values())):
        title.children[1].children = [
            f"{_summary(items, today)} ",
            html.A(f"{count_text(count, 'part')} to order", href="#to-order"),
        ]
    if not everything:
        return html.Div(
            [
                title,
                notice(
                    "No splicer is known yet. It comes with the first log that names one, or with "
                    "its block in crew.toml."
                ),
            ]
        )
    return html.Div(
        [
            html.Div([title, _filter(view)], className="heading-row case-heading"),
            html.Div(
                [
                    html.Div([_planned(view, items, today), _unknown(items)]),
                    html.Div(
                        [_to_order(view, everything), _errors_of_machines(view), _cautions(items)]
                    ),
                ],
                className="upkeep-page",
            ),
        ]
    )


def _summary(items: Sequence[UpkeepItem], today: date) -> str:
    due = sum(item.state == "due" for item in items)
    soon = sum(item.state == "soon" for item in items)
    if due or soon:
        now = f"{due} due now" if due else "Nothing is due now"
        more = "more " if due else ""
        return f"{now}, {soon} {more}within a week." if soon else f"{now}."
    following = next((item for item in items if item.due is not None), None)
    if following is not None and following.due is not None:
        return f"Nothing is due within a week; next on {day_text(following.due)}."
    return "When anything is due is not known."


def _filter(view: View) -> html.Details:
    chosen = view.query.get("what")
    return html.Details(
        [
            html.Summary("Choose", className="button"),
            html.Div(
                select(
                    "what",
                    "Kind",
                    [(key, text) for key, (text, _) in KINDS.items()],
                    chosen if chosen in KINDS else None,
                ),
                className="filters",
            ),
        ],
        open=chosen in KINDS,
        className="case-filters",
    )


def _near_and_later(
    items: Sequence[UpkeepItem], today: date
) -> tuple[list[UpkeepItem], list[UpkeepItem]]:
    """Return what is due within `WEEKS_OPEN` weeks, and what is due later or at no known day."""
    known = [item for item in items if item.state != "unknown"]
    open_until = today + timedelta(weeks=WEEKS_OPEN)
    near = [item for item in known if item.due is not None and item.due <= open_until]
    return near, known[len(near) :]


def _later_list(view: View) -> html.Div:
    items = chosen_items(view, all_items(view))
    return _kept_list(view, _near_and_later(items, view.data.today())[1])


FOLDED = {"later": _later_list}


def _planned(view: View, items: Sequence[UpkeepItem], today: date) -> html.Section:
    near, later = _near_and_later(items, today)
    parts: list[Any] = []
    if near:
        parts.append(_kept_list(view, near))
    elif later:
        parts.append(notice(f"Nothing is due within {WEEKS_OPEN} weeks.", name="good"))
    else:
        parts.append(notice("Of nothing here is it known when it is due; below is why."))
    if later:
        # some hundred rows take a browser seconds to draw
        part = folded(f"{len(later):,} later than that", "upkeep", "later", view.query)
        part.className = None  # it lies within the card
        parts.append(part)
    return card(
        *parts,
        title=f"Due within {WEEKS_OPEN} weeks",
        aside=csv_button("/upkeep", "upkeep", view.query, "the upkeep of the crew"),
    )


def _kept_list(view: View, items: Sequence[UpkeepItem]) -> html.Div:
    """Return the list as it was made last, unless something in it has changed since."""
    rows: html.Div = view.data.keep_with_results(_list_of, tuple(items))
    return rows


def _list_of(_: CrewData, items: Sequence[UpkeepItem]) -> html.Div:
    return upkeep_list(items)


def upkeep_list(items: Sequence[UpkeepItem]) -> html.Div:
    """Return a row each; those that differ by nothing but their name share one."""
    alike = groupby(items, key=lambda item: (item.what, item.words, item.state, due_text(item)))
    rows: list[html.Li] = []
    for _, found in alike:
        group = list(found)
        if len(group) >= ALIKE:
            rows.append(_row(group[0], group))
        else:
            rows += [_row(item, [item]) for item in group]
    return static_part(html.Ul(rows, className="upkeep-list"))


def _row(item: UpkeepItem, group: Sequence[UpkeepItem]) -> html.Li:
    names = [_name(one) for one in group]
    alone = len(group) == 1
    asset = names[0] if alone else count_text(len(group), item.asset_type)
    # the caution stands once, beside the list
    words = [html.Div(item.words.removesuffix(POWER_OFF))]
    if not alone:
        words.append(html.Div(names, className="row upkeep-asset"))
    return html.Li(
        [
            html.Div(_when(item), className="upkeep-due"),
            html.Div(
                [html.Strong(item.what), html.Span(asset, className="upkeep-asset")],
                className="upkeep-what",
            ),
            _bar(item),
            html.Div(words, className="upkeep-left"),
        ],
        className=f"upkeep-row is-{item.state}",
    )


def _name(item: UpkeepItem) -> Any:
    if item.asset_type != "splicer":
        return html.Span(item.asset)
    return dcc.Link(item.asset, href=href("/splicer", splicer=item.asset), className="name")


def _when(item: UpkeepItem) -> Any:
    if item.state == "unknown":
        return tag("?", due_text(item), "plain")
    if item.state == "due":
        return tag("!", due_text(item), "act")
    if item.due is None:
        return html.Span(due_text(item), className="muted")
    return due_text(item)


def due_text(item: UpkeepItem) -> str:
    """Say when a piece of upkeep is due."""
    if item.state == "unknown":
        return "not known"
    if item.state == "due":
        return "due now"
    if item.due is None:
        return "in years"
    text = day_text(item.due)
    if item.due_latest is None or item.due_latest == item.due:
        return text
    if (item.due.year, item.due.month) == (item.due_latest.year, item.due_latest.month):
        return f"{item.due.day} to {day_text(item.due_latest)}"
    return f"{day_text(item.due)} to {day_text(item.due_latest)}"


def _bar(item: UpkeepItem) -> html.Div:
    """Return the used share of its life as a small bar, with the share in words."""
    if item.used is None:
        return html.Div(className="upkeep-bar")
    return html.Div(
        [
            html.Div(
                html.Div(
                    style={"width": f"{100 * min(item.used, 1.0):.0f}%"},
                    className=f"fill fill-{item.state}",
                ),
                className="upkeep-track",
                **{"aria-hidden": "true"},
            ),
            html.Span(
                [percent_text(item.used, 0), html.Span(" used", className="for-readers")],
                className="muted",
            ),
        ],
        className="upkeep-bar",
    )


def _errors_of_machines(view: View) -> html.Section | None:
    """Return what errors point to about splicers, cleavers and blades."""
    hints = all_hints(view)
    machines = hints[hints["subject_type"].isin(MACHINES)] if len(hints) else hints
    if machines.empty:
        return None
    return card(hint_list(view, machines, with_cautions=False), title="What errors point to")


def _unknown(items: Sequence[UpkeepItem]) -> html.Section | None:
    rows = [item for item in items if item.state == "unknown"]
    if not rows:
        return None
    reasons: dict[tuple[str, str], list[str]] = {}
    for item in rows:
        # a reason that names its own splicer stands once for all of them
        words = item.words.replace(f".{item.asset}]", ".NAME]").replace(item.asset, "NAME")
        reasons.setdefault((item.what, words), []).append(item.asset)
    return html.Section(
        html.Details(
            [
                html.Summary(f"When is not known: {len(rows):,}"),
                static_part(
                    html.Ul(
                        [_reason(what, words, names) for (what, words), names in reasons.items()],
                        className="finding-list",
                    )
                ),
            ],
            open=len(rows) == len(items),
        ),
        className="card closed-cases",
    )


def _reason(what: str, words: str, names: Sequence[str]) -> html.Li:
    return html.Li(
        [
            html.Div([html.Strong(what), ": ", ", ".join(names)]),
            html.Div(
                words.replace("NAME", names[0] if len(names) == 1 else "NAME"), className="muted"
            ),
        ],
        className="mark-line",
    )


def _to_order(view: View, items: Sequence[UpkeepItem]) -> html.Section:
    parts = parts_to_order(items)
    weeks = ORDER_DAYS // 7
    if not parts:
        return card(
            notice(f"Nothing that is known will be needed within {weeks} weeks."),
            title="To order",
        )
    return card(
        html.Span(id="to-order"),
        html.P(f"Needed within {weeks} weeks at the present pace.", className="muted hint"),
        static_part(
            html.Ul(
                [
                    html.Li(
                        [
                            html.Strong(
                                f"{count:,} \N{MULTIPLICATION SIGN}", className="order-count"
                            ),
                            html.Div(
                                [
                                    html.Div(part),
                                    html.Div(f"for {', '.join(assets)}", className="muted"),
                                ]
                            ),
                        ]
                    )
                    for part, (count, assets) in parts.items()
                ],
                className="order-list",
            )
        ),
        title=f"To order: {count_text(sum(count for count, _ in parts.values()), 'part')}",
        aside=csv_button("/upkeep", "to-order", view.query, "what to order"),
    )


def _cautions(items: Sequence[UpkeepItem]) -> html.Section | None:
    if not items:
        return None
    cautions = [CAUTIONS[0], BLADE_CAUTION, *CAUTIONS[1:3], CAUTIONS[-1]]
    return card(
        html.Ul([html.Li(caution) for caution in cautions], className="cautions"),
        title="Before you touch anything",
    )
