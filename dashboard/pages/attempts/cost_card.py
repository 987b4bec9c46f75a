"""What splices made again cost in a week and its month, and what their errors point to."""

from calendar import monthrange
from collections.abc import Hashable, Mapping
from datetime import date, timedelta
from typing import Any

import pandas as pd
from dash import dcc, html

from arcdrift.analysis.attempts.hints.hint_words import CAUSES, hint_words, hints_of
from arcdrift.analysis.attempts.period_costs import PeriodCosts, costs_by_month, period_costs
from arcdrift.wording import capitalized, count_text, number_text, percent_text
from dashboard.components import View, card, csv_button, share_table
from dashboard.kept_parts import kept_with_results
from dashboard.pages.attempts.hint_cards import all_hints, hint_list
from dashboard.url_query import href

MOST_MONTHS = 6
NOTHING = "No splice was made again in this week or its month, as far as the logs tell."
HOW = (
    "Minutes run from the first attempt at a place to its last; a gap of over 30 minutes is left "
    "out. The reason is that of the attempt before, from its error, or its loss over the limit."
)


def made_again_table(view: View) -> pd.DataFrame:
    """Return attempts, minutes and arcs of splices made again by day, splicer and cause."""
    rows = view.data.result("result_made_again")
    return rows.assign(cause=rows["cause"].map(CAUSES))


@kept_with_results
def cost_card(view: View, monday: date, today: date) -> html.Section:
    """Return the card of the week that begins on a Monday, and of its month until today.

    It is not printed with the page, which keeps to one sheet; the week's report has all of it.
    """
    rows = view.data.result("result_made_again")
    sunday = monday + timedelta(days=6)
    day = min(sunday, today)
    first = day.replace(day=1)
    last = day.replace(day=monthrange(day.year, day.month)[1])
    week, month = period_costs(rows, monday, sunday), period_costs(rows, first, last)
    hints = hints_of(all_hints(view), "crew", "")
    title = "Splices made again"
    if not month.any_made_again and not week.any_made_again:
        return card(html.P(NOTHING), _hints(view, hints), title=title, name="screen-only")
    name = f"{day:%B}"
    return card(
        html.P([html.Strong("This week: "), cost_sentence(view, week)]),
        html.P([html.Strong(f"{name}: "), cost_sentence(view, month)]),
        _table("Because of", name, week.by_cause, month.by_cause, CAUSES),
        html.Details(
            [
                html.Summary("By splicer and by month"),
                _table("Splicer", name, week.by_splicer, month.by_splicer, {}),
                _months(view, rows),
            ]
        ),
        html.P(f"{HOW} {unknown_sentence(month, name)}".strip(), className="muted hint"),
        _hints(view, hints),
        title=title,
        aside=csv_button("/week", "made-again", view.query, "splices made again"),
        name="screen-only",
    )


def cost_sentence(view: View, costs: PeriodCosts) -> str:
    """Say how many attempts, minutes and arcs a period took, and their price."""
    if not costs.any_made_again:
        return "nothing was made again."
    total, settings = costs.total, view.data.crew.costs
    words = (
        f"{count_text(int(total['attempts']), 'attempt')}, {hours_text(total['minutes'])}, "
        f"{count_text(int(total['arcs']), 'arc')}"
    )
    price = costs.price(settings.hour)
    if price is None:
        return f"{words}."
    return f"{words}; about {price:,.0f} {settings.currency} of working time."


def unknown_sentence(costs: PeriodCosts, name: str) -> str:
    """Say of what share minutes or arcs are not known; empty where all are."""
    total = costs.total
    attempts = max(float(total["attempts"]), 1.0)
    shares = [
        f"the {what} of {percent_text(float(total[column]) / attempts)}"
        for what, column in (("minutes", "untimed"), ("arcs", "uncounted"))
        if total[column]
    ]
    known = " and ".join(shares)
    return f"{capitalized(known)} of the attempts in {name} are not known." if known else ""


def hours_text(minutes: float) -> str:
    """Write minutes as "48 min" or "3 h 20 min"."""
    whole = round(float(minutes))
    return f"{whole} min" if whole < 60 else f"{whole // 60:,} h {whole % 60} min"


def _table(
    head: str, month_name: str, week: pd.DataFrame, month: pd.DataFrame, words: Mapping[str, str]
) -> html.Table:
    """Return both periods by cause or splicer, those that cost most time in the month first.

    Parameters
    ----------
    words : mapping of str to str
        What is shown for the first column.
    """
    key = str(month.columns[0])
    of_week, of_month = (
        {str(row[key]): row for row in rows.to_dict("records")} for rows in (week, month)
    )
    body = []
    for name in dict.fromkeys([*of_month, *of_week]):
        shown = words.get(name, name)
        cells = [_spent(rows.get(name)) for rows in (of_week, of_month)]
        body.append(html.Tr([html.Th(capitalized(shown), scope="row"), *cells]))
    return share_table(((head, ""), ("This week", ""), (month_name, "")), body, "worded")


def _spent(row: Mapping[Hashable, Any] | None) -> html.Td:
    if row is None:
        return html.Td("–")
    return html.Td(
        [
            html.Span(f"{int(row['attempts']):,}", className="share"),
            html.Span(hours_text(row["minutes"]), className="muted aside"),
        ]
    )


def _months(view: View, rows: pd.DataFrame) -> Any:
    months = costs_by_month(rows).head(MOST_MONTHS).to_dict("records")
    hour, currency = view.data.crew.costs.hour, view.data.crew.costs.currency
    heads = [("Month", ""), ("Attempts", ""), ("Time", ""), ("Arcs", "")]
    if hour is not None:
        heads.append((currency, ""))
    body = []
    for row in months:
        cells = [f"{int(row['attempts']):,}", hours_text(row["minutes"]), f"{int(row['arcs']):,}"]
        if hour is not None:
            cells.append(number_text(row["minutes"] / 60 * hour))
        month = f"{date.fromisoformat(row['month'] + '-01'):%B %Y}"
        body.append(html.Tr([html.Th(month, scope="row"), *(html.Td(cell) for cell in cells)]))
    return share_table(tuple(heads), body, "worded")


def _hints(view: View, hints: pd.DataFrame) -> Any:
    """Return what errors of the last quarter point to, about machines and sites."""
    machines = hints[hints["subject_type"] != "technician"] if len(hints) else hints
    if machines.empty:
        return None
    links = [
        dcc.Link(f"To {row['subject']}", href=href("/splicer", splicer=row["subject"]),
                 className="more")
        for row in machines.to_dict("records")
        if row["subject_type"] == "splicer"
    ]  # fmt: skip
    return html.Div(
        [
            html.H3("What errors of the last quarter point to"),
            hint_list(view, machines),
            html.Div(links, className="row"),
        ]
    )


def hint_lines(view: View) -> list[tuple[str, str, str]]:
    """Return what errors point to about machines and sites, for paper."""
    hints = hints_of(all_hints(view), "crew", "")
    lines = []
    for row in hints.to_dict("records"):
        if row["subject_type"] != "technician":
            words = hint_words(row)
            lines.append((words.title, words.figures, words.next_step))
    return lines
