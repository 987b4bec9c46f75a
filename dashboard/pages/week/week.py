"""The Week page: the crew's last week, and where its cases stand."""

from dash import html

from dashboard.components import View, card, heading
from dashboard.pages.cases.cases import case_list, pressing_first, told_cases


def render(view: View) -> html.Div:
    """Return the page."""
    still_open = [case for case in told_cases(view) if case["state"] != "closed"]
    return html.Div(
        [
            heading("Week", "What got worse, what got better, what was done about it."),
            card(case_list(view, pressing_first(still_open)), title="Open cases")
            if still_open
            else card(html.P("No case is open."), title="Open cases"),
        ]
    )
