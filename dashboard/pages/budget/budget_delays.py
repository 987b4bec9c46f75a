"""Part of the Design page: days until rises give an alarm, under several budgets."""

import pandas as pd
from dash import html

from arcdrift.analysis.budget.angle_delays import angle_delays
from arcdrift.analysis.budget.detection_delays import (
    ChartPlan,
    detection_delays,
    streams_in_use,
)
from arcdrift.figures.design import days_text, price_chart, price_table
from dashboard.components import View, card, chart, csv_button, csv_link, notice, share_table
from dashboard.kept_parts import kept_with_results
from dashboard.pages.budget.budget_query import (
    HIGHEST_BUDGET,
    RequestedBudget,
    chart_plans_requested,
    requested_budget,
)

FACTORS = (0.5, 1.0, 2.0, 5.0)
"""Budgets that are compared, as multiples of the one requested."""


def detection_delay_table(view: View) -> pd.DataFrame:
    """Return the days until rises of a splicer's loss are detected: rows of `price_table`."""
    requested = requested_budget(view)
    return _loss_delays(view, requested, chart_plans_requested(view, requested))


def angle_delay_table(view: View) -> pd.DataFrame:
    """Return the days until rises of cleave angles are detected: rows of `price_table`."""
    requested = requested_budget(view)
    return _angle_delays(view, requested, chart_plans_requested(view, requested))


def _loss_delays(view: View, requested: RequestedBudget, charts: list[ChartPlan]) -> pd.DataFrame:
    return _simulated_loss_delays(view, *_compared(requested, charts, "loss_raised"))


@kept_with_results
def _simulated_loss_delays(
    view: View, budgets: tuple[float, ...], lengths: tuple[float, ...]
) -> pd.DataFrame:
    history = view.data.alarm_history()
    streams = streams_in_use(view.data.result("result_streams"), history)
    if streams.empty or history.stream_days.empty:
        return price_table([], [])
    return price_table(budgets, detection_delays(streams, view.data.budget_in_use()[2], lengths))


def _angle_delays(view: View, requested: RequestedBudget, charts: list[ChartPlan]) -> pd.DataFrame:
    return _simulated_angle_delays(view, *_compared(requested, charts, "cleave"))


@kept_with_results
def _simulated_angle_delays(
    view: View, budgets: tuple[float, ...], lengths: tuple[float, ...]
) -> pd.DataFrame:
    days = view.data.result("result_angle_days")
    delays = angle_delays(days, view.data.angle_widening(), lengths)
    return price_table(budgets if delays else [], delays)


def _compared(
    requested: RequestedBudget, charts: list[ChartPlan], name: str
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Budgets that are compared, and the run length of one kind of chart under each."""
    factors = [factor for factor in FACTORS if requested.budget * factor <= HIGHEST_BUDGET]
    plan = next(plan for plan in charts if plan.name == name)
    return (
        tuple(round(requested.budget * factor, 6) for factor in factors),
        tuple(plan.pace / plan.per_month / factor for factor in factors),
    )


def delay_cards(
    view: View, requested: RequestedBudget, charts: list[ChartPlan]
) -> list[html.Div | html.Section]:
    """Return the cards on how soon rises of loss and of cleave angles are detected."""
    return [
        _loss_card(view, requested, _loss_delays(view, requested, charts)),
        _angle_card(view, requested, _angle_delays(view, requested, charts)),
    ]


def _loss_card(
    view: View, requested: RequestedBudget, table: pd.DataFrame
) -> html.Div | html.Section:
    if table.empty:
        return card(
            notice(
                "No splicer and program has enough days yet to say how soon a rise would be "
                "caught; five days of work are needed, and forty for limits to settle."
            ),
            title="What it buys",
        )
    return html.Div(
        [
            chart(
                "What it buys: days until a lasting rise is caught",
                price_chart(table, chosen=requested.budget, scheme=view.scheme),
                csv=csv_link("/budget", "price", view.query),
                hint="One splicer's loss with one program rises for good by a quarter, by half, or "
                "doubles. Counted in days on which it is used.",
            ),
            card(
                _delays_by_budget(table, requested),
                html.P(
                    "Half of such rises are caught within the days named first. Simulated for the "
                    "splicers and programs now in use, each with its own splices a day and "
                    "scatter, after 40 days of history; one that scatters more takes longer.",
                    className="muted hint",
                ),
                title="The price of several budgets",
            ),
        ]
    )


def _angle_card(view: View, requested: RequestedBudget, table: pd.DataFrame) -> html.Section:
    title = "Dull blades: the price of several budgets"
    if table.empty:
        return card(
            notice(
                "No cleaver or person has enough days with cleave angles yet to say how soon a "
                "rise would be caught; ten days of the crew are needed."
            ),
            title=title,
        )
    return card(
        _delays_by_budget(table, requested),
        html.P(
            "The cleave angles of one cleaver, or of one person, rise for good by a quarter, by "
            "half, or double. Half of such rises are caught within the days named first, counted "
            "in days of work with it. Simulated for the cleavers and people now at work.",
            className="muted hint",
        ),
        title=title,
        aside=csv_button("/budget", "angle-price", view.query, "these delays"),
    )


def _delays_by_budget(table: pd.DataFrame, requested: RequestedBudget) -> html.Table:
    """One row a budget, one column a rise."""
    rises = sorted(table["rise_pct"].unique())
    heads = [("False alarms a month", ""), *((f"+{rise:g} %", "number") for rise in rises)]
    body = []
    for budget, rows in table.groupby("budget"):
        chosen = abs(float(str(budget)) - requested.budget) < 1e-6
        body.append(
            html.Tr(
                [
                    html.Th(
                        [
                            f"{budget:g}",
                            html.Span(" (this)", className="muted") if chosen else None,
                        ],
                        scope="row",
                    ),
                    *(
                        html.Td(
                            [
                                days_text(row["half_within_days"]),
                                html.Span(
                                    f"9 of 10: {days_text(row['nine_of_ten_within_days'])}",
                                    className="aside",
                                ),
                            ],
                            className="number",
                        )
                        for row in rows.sort_values("rise_pct").to_dict("records")
                    ),
                ],
                className="chosen-row" if chosen else "",
            )
        )
    return share_table(heads, body, "price wraps")
