"""The Alarm budget page: the crew's false alarms, shares by chart, and detection delays."""

import dash_mantine_components as dmc
import pandas as pd
from dash import dcc, html

from arcdrift.analysis.budget.detection_delays import ChartPlan
from arcdrift.analysis.common.days import WORKDAYS_PER_MONTH
from arcdrift.errors import ArcdriftError
from arcdrift.figures.design import days_text
from arcdrift.settings import Crew
from arcdrift.wording import count_text, percent_text
from dashboard import ids
from dashboard.components import View, card, csv_button, folded, heading, notice, share_table
from dashboard.pages.budget.budget_delays import (
    angle_delay_table,
    delay_cards,
    detection_delay_table,
)
from dashboard.pages.budget.budget_query import (
    CHARTS,
    OUTSIDE_BUDGET,
    RequestedBudget,
    chart_plans_requested,
    requested_budget,
)
from dashboard.pages.budget.budget_trial import trial_alarms, trial_list, trial_slot
from dashboard.reading.data import CrewData
from dashboard.url_query import Query, href, search

HIGHEST_ON_SLIDER, SLIDER_STEP = 12.0, 0.5
"""The slider covers what crews choose; other numbers stand in the address."""


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


FOLDED = {
    "exact": lambda view: _exact(view),
    "prices": lambda view: _prices(view),
    "shared-out": lambda view: _shared_out(view),
    "list": lambda view: trial_list(view),
    "outside": lambda view: _outside_budget(),
}


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
                else [trial_slot(view, requested)]
            ),
            _fold(view, "exact", "An exact number, or shared out differently"),
            *(
                []
                if requested.problem
                else [
                    _fold(view, "list", "The alarms as a list"),
                    _fold(view, "prices", "The price of several budgets"),
                    _fold(view, "shared-out", f"How {requested.budget:g} a month are shared out"),
                ]
            ),
            _fold(view, "outside", "Findings outside the budget"),
        ],
        className="budget-page",
    )


def _fold(view: View, part: str, summary: str) -> html.Details:
    return folded(summary, "budget", part, view.query)


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
    return card(
        html.Div(
            [
                _slider(budget, requested),
                # it saves what it names, whatever is being moved meanwhile
                html.Button(
                    text,
                    id=ids.budget_save(search(view.query)),
                    className="button big",
                    disabled=same or bool(requested.problem) or not may_save,
                ),
            ],
            className="budget-row",
        ),
        dcc.Store(id=ids.budget_seen(search(view.query)), data=budget_words(crew)),
        html.Div(id=ids.budget_answer(search(view.query)), role="status"),
        html.Ul(
            [html.Li(sentence) for sentence in consequences(view, requested)], className="answers"
        )
        if not requested.problem
        else None,
        html.P(
            "What you set is tried out at once and changes nothing; Save writes it into crew.toml, "
            "and the charts follow at the next arcdrift analyze.",
            className="muted hint",
        ),
        title="False alarms a month",
    )


def _slider(budget: float, requested: RequestedBudget) -> html.Div:
    highest = max(HIGHEST_ON_SLIDER, 2 * budget)
    marks = [mark for mark in (1, 2, 4, 8, 12, 20, 40, 80, 160) if mark <= highest]
    value = min(max(requested.typed["budget"], SLIDER_STEP), highest)
    return html.Div(
        dmc.Slider(
            id=ids.filter_control("budget", f"{budget:g}"),
            value=value,
            min=SLIDER_STEP,
            max=highest,
            step=SLIDER_STEP,
            marks=[{"value": mark, "label": str(mark)} for mark in marks],
            label=f"{value:g}",
            size="lg",
            thumbLabel="False alarms a month",
        ),
        className="budget-slider",
    )


def consequences(view: View, requested: RequestedBudget) -> list[str]:
    """Say in sentences what a budget means: how often, and how soon a rise is caught."""
    days = WORKDAYS_PER_MONTH / requested.budget
    often = (
        f"about one every {count_text(round(days), 'workday')}"
        if days >= 1.5
        else f"about {requested.budget / WORKDAYS_PER_MONTH:.1f} every workday"
    )
    sentences = [
        f"{requested.budget:g} a month (22 workdays) when nothing is wrong: {often}, all charts of "
        "the crew together."
    ]
    try:
        table = detection_delay_table(view)
    except ArcdriftError as problem:
        return [*sentences, str(problem)]
    rows = table[(table["budget"] - requested.budget).abs() < 1e-9] if len(table) else table
    if not len(rows):
        return [
            *sentences,
            "How soon a rise is caught cannot be said yet: five days of work of one splicer and "
            "program are needed.",
        ]
    delays = {row["rise_pct"]: row["half_within_days"] for row in rows.to_dict("records")}
    caught = ", ".join(f"{rise:g} % in {days_text(days)}" for rise, days in delays.items())
    return [
        *sentences,
        f"Half of all lasting rises of one splicer's loss are caught: {caught} of its work.",
    ]


def _exact(view: View) -> html.Div:
    """Return the fields for an exact number and for the shares."""
    crew = view.data.settings()
    requested = RequestedBudget(view.query, crew)
    percents = {name: 100 * share for name, share in crew.shares.model_dump().items()}
    return html.Div(
        [
            html.P(
                [
                    "Any number from 0.01 to 1,000 can stand in the address, such as ",
                    dcc.Link("12.5 a month", href=href("/budget", view.query, budget="12.5")),
                    ". The shares must add to 100 %.",
                ],
                className="muted hint",
            ),
            html.Div(
                [
                    _input(name, f"{text}, %", percents[name], requested.typed[name], step=1)
                    for name, (text, _) in CHARTS.items()
                ],
                className="filters share-inputs",
            ),
        ]
    )


def _prices(view: View) -> html.Div:
    requested = requested_budget(view)
    return html.Div(delay_cards(view, requested, chart_plans_requested(view, requested)))


def _shared_out(view: View) -> html.Section:
    requested = requested_budget(view)
    return _shares(view, requested, chart_plans_requested(view, requested))


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
                    html.Td(percent_text(plan.share, 0), className="number wide-only"),
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
            "were given. The limit is in standard deviations of what the chart draws"
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


def budget_words(crew: Crew) -> str:
    """Text of a crew's budget and shares; two crews have the same if these are the same."""
    shares = " ".join(f"{share:.6g}" for share in crew.shares.model_dump().values())
    return f"{crew.false_alarms_per_month:.6g} {shares}"


def save_requested_budget(data: CrewData, query: Query, seen: str) -> html.Div:
    """Save the requested budget into crew.toml; return a notice that says whether it was saved.

    Parameters
    ----------
    seen : str
        What crew.toml said when the page was drawn: what somebody else has saved since is kept.
    """
    try:
        crew = data.settings()
        requested = RequestedBudget(query, crew)
        if requested.problem:
            return notice(f"Nothing was saved. {requested.problem}", name="bad")
        if _is_saved(requested, crew):
            return notice("crew.toml says so already; nothing had to be saved.")
        if seen != budget_words(crew):
            return notice(
                "Nothing was saved. Meanwhile somebody else has changed the budget: crew.toml now "
                f"says {crew.false_alarms_per_month:g} false alarms a month. Load the page again "
                "to see it, and decide then.",
                name="bad",
            )
        data.save_budget(requested.budget, requested.shares)
    except ArcdriftError as problem:
        return notice(str(problem), name="bad")
    return notice(
        f"Saved: crew.toml now says {requested.budget:g} false alarms a month. The charts follow "
        "at the next `arcdrift analyze`.",
        name="good",
    )
