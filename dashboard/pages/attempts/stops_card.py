"""What stops splices of one splicer or person: errors by reason, beside the others."""

from collections.abc import Hashable, Mapping
from typing import Any

import pandas as pd
from dash import html

from arcdrift.analysis.attempts.attempt_cells import NO_REASON
from arcdrift.analysis.attempts.hints.comparisons import WINDOW_DAYS
from arcdrift.analysis.attempts.hints.hint_words import CAUSES, hints_of
from arcdrift.wording import capitalized, count_text, number_text
from dashboard.components import View, card, csv_button, notice, share_table
from dashboard.pages.attempts.hint_cards import NO_REASONS, all_hints, hint_list

NO_ERRORS = (
    f"No attempt of the last {WINDOW_DAYS} days is on record as failed. Where a splicer logs the "
    "splices that it gave up, export them too (outcome: error)."
)


def stops_card(
    view: View, shares: pd.DataFrame, subject_type: str, subject: str, page: str
) -> html.Section:
    """Return the card.

    Parameters
    ----------
    shares : DataFrame
        The subject's rows of ``result_error_shares``.
    page : str
        Address of the page whose tables it offers.
    """
    title = "What stops splices here" if subject_type == "splicer" else "What stops their splices"
    if shares.empty:
        return card(notice(_why_nothing(view)), title=title)
    rows = shares.sort_values(["errors", "class"], ascending=[False, True])
    total = int(rows["errors"].sum())
    attempts = int(rows["attempts"].iloc[0])
    hints = hints_of(all_hints(view), subject_type, subject)
    reasons = set(rows.loc[rows["errors"] > 0, "class"]) - {NO_REASON}
    own, others = ("Here", "Other splicers") if page == "/splicer" else ("Own", "Others")
    return card(
        html.P(
            f"{count_text(total, 'error')} in {count_text(attempts, 'attempt')} of the last "
            f"{WINDOW_DAYS} days, in 1,000 attempts each:"
        ),
        share_table(
            (("Reason", ""), ("Errors", ""), (own, ""), (others, "")),
            [_row(row) for row in rows.to_dict("records")],
            "worded",
        )
        if total
        else None,
        html.P(
            "The range beside a figure is the one in which the true share lies in 95 of 100 cases.",
            className="muted hint",
        )
        if total
        else None,
        None if reasons or not total else notice(NO_REASONS),
        html.Div([html.H3("What it points to"), hint_list(view, hints)]) if len(hints) else None,
        title=title,
        aside=csv_button(page, "errors", view.query, "these errors"),
    )


def _why_nothing(view: View) -> str:
    known = view.data.result("result_error_splices")
    return NO_ERRORS if known.empty else "Nothing was made here in the last quarter."


def _row(row: Mapping[Hashable, Any]) -> html.Tr:
    errors, attempts = int(row["errors"]), int(row["attempts"])
    others = int(row["other_errors"]) / max(int(row["other_attempts"]), 1)
    low, high = (number_text(1000 * float(row[end]), 1) for end in ("low", "high"))
    return html.Tr(
        [
            html.Th(capitalized(CAUSES[str(row["class"])]), scope="row"),
            html.Td(f"{errors:,}"),
            html.Td(
                [
                    html.Span(number_text(1000 * errors / attempts, 1), className="share"),
                    html.Span(f"{low} to {high}", className="muted aside"),
                ]
            ),
            html.Td(number_text(1000 * others, 1)),
        ]
    )
