"""The Alarm budget page: the crew's false alarms, shares by chart, and detection delays."""

from typing import Any

import dash_mantine_components as dmc
import pandas as pd
from dash import html

from arcdrift.analysis.budget.detection_delays import ChartPlan
from arcdrift.errors import ArcdriftError
from arcdrift.settings import Crew
from dashboard import ids
from dashboard.components import View, card, csv_button, heading, notice, period, share_table
from dashboard.pages.budget.budget_delays import (
    angle_delay_table,
    delay_cards,
    detection_delay_table,
)
from dashboard.pages.budget.budget_query import (
    CHARTS,
    DEFAULT_PERIOD,
    OUTSIDE_BUDGET,
    RequestedBudget,
    chart_plans_requested,
    requested_budget,
)
from dashboard.pages.budget.budget_trial import trial_alarms, trial_slot
from dashboard.reading.data import CrewData
from dashboard.url_query import Query, search


def chart_plan_table(view: View) -> pd.DataFrame:
    """Return every kind of chart under the requested budget, one row a kind."""
    plans = chart_plans_requested(view, requested_budget(view))
    return pd.DataFrame([vars(plan) for plan in plans])


TABLES = {
    "price": detection_delay_table,
    "angle-price": angle_delay_table,
    "charts": chart_plan_table,
    "alarms": lambda view: trial_alarms(view, requested_budget(view)),
}


FOLDED: dict[str, Any] = {}


def render(view: View) -> html.Div:
    """Return the page."""
    crew = view.data.settings()
    requested = RequestedBudget(view.query, crew)
    budget_in_use, shares_in_use, _ = view.data.budget_in_use()
    outdated = []
    if crew.false_alarms_per_month != budget_in_use:
        outdated.append(f"{budget_in_use:g}")
    if crew.shares != shares_in_use:
        outdated.append("the former shares")
    return html.Div(
        [
            heading("Alarm budget", "How many false alarms the crew puts up with, and the price."),
            notice(
                f"crew.toml says {crew.false_alarms_per_month:g} false alarms a month; the charts "
                f"still go by {' and '.join(outdated)} until the next `arcdrift analyze`.",
                name="caveat",
            )
            if outdated
            else None,
            *(notice(sentence, name="caveat") for sentence in crew.notices),
            _number(view, requested, crew),
            *(
                [notice(requested.problem, name="bad")]
                if requested.problem
                else _answers(view, requested)
            ),
        ]
    )


def _answers(view: View, requested: RequestedBudget) -> list[Any]:
    try:
        charts = chart_plans_requested(view, requested)
        delays = delay_cards(view, requested, charts)
    except ArcdriftError as problem:
        return [notice(str(problem), name="bad")]
    return [
        *delays,
        html.Div([period(view, DEFAULT_PERIOD)], className="filters"),
        trial_slot(view),
        _shares(view, requested, charts),
        _outside_budget(),
    ]


def _number(view: View, requested: RequestedBudget, crew: Crew) -> html.Section:
    budget, shares = crew.false_alarms_per_month, crew.shares
    same = _is_saved(requested, crew)
    text = f"Save {requested.budget:g} a month"
    if requested.shares != shares or crew.notices:
        text += " and these shares"
    if same or requested.problem:
        text = "Nothing to save"
    may_save = view.data.viewer.has_role("lead")
    if not may_save:
        text = "A lead saves it"
    percents = {name: 100 * share for name, share in shares.model_dump().items()}
    return card(
        html.P(
            "Even when nothing is wrong, chance alone makes a chart alarm now and then. One number "
            "says how often that may happen: false alarms a month (22 workdays), all charts of the "
            "crew together. Each chart's limit follows from it. A smaller number means fewer "
            "alarms for nothing, and that a real rise is caught later."
        ),
        html.Div(
            [
                _input(
                    "budget", "False alarms a month", budget, requested.typed["budget"], step=0.5
                ),
                # it saves what it names, whatever is being typed meanwhile
                html.Button(
                    text,
                    id=ids.budget_save(search(view.query)),
                    className="button",
                    disabled=same or bool(requested.problem) or not may_save,
                ),
            ],
            className="filters",
        ),
        html.Div(id=ids.budget_answer(search(view.query)), role="status"),
        html.Details(
            [
                html.Summary("Share it out differently"),
                html.Div(
                    [
                        _input(name, f"{text}, %", percents[name], requested.typed[name], step=1)
                        for name, (text, _) in CHARTS.items()
                    ],
                    className="filters share-inputs",
                ),
                html.P("The shares must add to 100 %.", className="muted hint"),
            ],
            open=any(abs(requested.typed[name] - now) > 1e-6 for name, now in percents.items()),
        ),
        html.P(
            "What you type is tried out below at once and changes nothing; Save writes it into "
            "crew.toml, and the charts follow at the next arcdrift analyze.",
            className="muted hint",
        ),
        title="The one number",
    )


def _is_saved(requested: RequestedBudget, crew: Crew) -> bool:
    """Whether crew.toml says what is requested, with nothing added when it was read."""
    saved = (crew.false_alarms_per_month, crew.shares)
    return (requested.budget, requested.shares) == saved and not crew.notices


def _input(key: str, label: str, default: float, value: float, *, step: float) -> dmc.NumberInput:
    return dmc.NumberInput(
        id=ids.filter_control(key, f"{default:g}"),
        label=label,
        value=float(f"{value:g}"),
        min=0,
        step=step,
        debounce=700,
        size="sm",
        className="filter",
    )


def _shares(view: View, requested: RequestedBudget, charts: list[ChartPlan]) -> html.Section:
    heads = (
        ("Chart", ""), ("Share", "number wide-only"), ("A month", "number"),
        ("Charts", "number wide-only"),
        ("One chart's false alarm", "number"), ("Limit", "number wide-only"),
    )  # fmt: skip
    body = []
    for plan in charts:
        text, buys = CHARTS[plan.name]
        points = "checks" if plan.name in ("arc", "doubtful") else "days of work"
        rarely = "–" if not plan.charts else f"every {plan.run_length:,.0f} {points}"
        limit = "follows the count" if pd.isna(plan.limit) else f"{plan.limit:.2f}"
        body.append(
            html.Tr(
                [
                    html.Th([text, html.Span(f"finds {buys}", className="aside")], scope="row"),
                    html.Td(f"{plan.share:.0%}", className="number wide-only"),
                    html.Td(f"{plan.per_month:.2f}", className="number"),
                    html.Td(f"{plan.charts:,}", className="number wide-only"),
                    html.Td(rarely, className="number"),
                    html.Td(limit, className="number wide-only"),
                ]
            )
        )
    widening = view.data.budget_in_use()[2]
    return card(
        share_table(heads, body, "budget-shares wraps"),
        html.P(
            "How often one chart alarms for nothing follows from its share of the budget, how many "
            "such charts were in use during the last 22 workdays, and how many days or checks they "
            "were given. The limit is counted in ordinary swings of what the chart draws"
            + (
                f"; for loss it is drawn {widening:.2f} times as far out, because days resemble "
                "the days before them."
                if widening > 1.005
                else "."
            ),
            className="muted hint",
        ),
        title=f"How {requested.budget:g} a month are shared out",
        aside=csv_button("/budget", "charts", view.query, "the charts and their limits"),
    )


def _outside_budget() -> html.Section:
    return card(
        html.P(
            "These findings come from no chart and do not count toward the budget:",
            className="muted hint",
        ),
        html.Ul(
            [html.Li([html.Strong(f"{text}: "), why]) for text, why in OUTSIDE_BUDGET],
            className="plain-list",
        ),
        title="Findings outside the budget",
    )


def save_requested_budget(data: CrewData, query: Query) -> html.Div:
    """Save the requested budget into crew.toml; return a notice that says whether it was saved."""
    try:
        crew = data.settings()
        requested = RequestedBudget(query, crew)
        if requested.problem:
            return notice(f"Nothing was saved. {requested.problem}", name="bad")
        if _is_saved(requested, crew):
            return notice("crew.toml says so already; nothing had to be saved.")
        data.save_budget(requested.budget, requested.shares)
    except ArcdriftError as problem:
        return notice(str(problem), name="bad")
    return notice(
        f"Saved: crew.toml now says {requested.budget:g} false alarms a month. The charts follow "
        "at the next `arcdrift analyze`.",
        name="good",
    )
