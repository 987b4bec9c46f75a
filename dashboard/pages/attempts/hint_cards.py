"""What errors point to, as a list of hints with the splices behind each."""

from collections.abc import Hashable, Mapping
from typing import Any

import pandas as pd
from dash import html

from arcdrift.analysis.attempts.hints.comparisons import hinted_errors
from arcdrift.analysis.attempts.hints.hint_words import (
    CAUSES,
    CAUTIONS,
    NEVER_CERTAIN,
    hint_words,
)
from arcdrift.analysis.people.technician_report import visible_rows
from arcdrift.instants import instant_text
from arcdrift.wording import count_text
from dashboard.components import View, tag
from dashboard.reading.data import CrewData

MOST_SPLICES = 12
"""Errors listed behind a hint; the CSV beside it has all of them."""
NO_REASONS = (
    "No log says why splices fail. Export the column with the splicer's error or message text "
    "too (error_reason)."
)


def all_hints(view: View) -> pd.DataFrame:
    """Return every hint that may be seen, with names as they may be shown."""
    rows: pd.DataFrame = view.data.keep_with_results(_all_hints)
    return rows


def _all_hints(data: CrewData) -> pd.DataFrame:
    return visible_rows(data.people, "error_hints", data.result("result_error_hints"))


def hint_list(view: View, hints: pd.DataFrame, *, with_cautions: bool = True) -> html.Div:
    """Return hints with their numbers, what to look at and the splices behind them.

    Parameters
    ----------
    with_cautions : bool
        False where the page has cautions of its own for work at splicers.
    """
    errors = view.data.result("result_error_splices")
    cautions = dict.fromkeys(
        caution for kind in hints["kind"].unique() for caution in CAUTIONS[str(kind)]
    )
    return html.Div(
        [
            html.Ul(
                [_hint(view, row, errors) for row in hints.to_dict("records")],
                className="finding-list",
            ),
            html.P(NEVER_CERTAIN, className="muted hint"),
            html.Details(
                [
                    html.Summary("Before you touch anything"),
                    html.Ul([html.Li(words) for words in cautions], className="cautions"),
                ]
            )
            if with_cautions
            else None,
        ]
    )


def _hint(view: View, row: Mapping[Hashable, Any], errors: pd.DataFrame) -> html.Li:
    words = hint_words(row)
    mark = ("→", "points to it", "note") if words.certain else ("?", "cannot be separated", "plain")
    behind = hinted_errors(
        errors, str(row["kind"]), str(row["subject_type"]), str(row["subject"]), str(row["detail"])
    )
    return html.Li(
        [
            html.Div([html.Strong(words.title), tag(*mark)], className="row"),
            html.Div(words.figures),
            html.Div(words.next_step),
            html.Details(
                [
                    html.Summary(f"The {count_text(len(behind), 'splice')} behind it"),
                    error_table(view, behind),
                ],
                className="finding-more",
            )
            if len(behind)
            else None,
        ],
        className="mark-line",
    )


def error_table(view: View, errors: pd.DataFrame) -> html.Div:
    """Return the newest of some errors, and how many more there are."""
    more = len(errors) - MOST_SPLICES
    zones = {name: view.data.zone_of_splicer(name) for name in errors["splicer"].unique()}
    body = []
    for row in errors.head(MOST_SPLICES).to_dict("records"):
        at = row["spliced_at"].astimezone(zones[row["splicer"]])
        where = [row["splicer"], row["site"]]
        body.append(
            html.Tr(
                [
                    html.Th(instant_text(at), scope="row"),
                    html.Td(", ".join(str(name) for name in where if not pd.isna(name))),
                    html.Td(CAUSES[str(row["class"])]),
                ]
            )
        )
    return html.Div(
        [
            html.Table(
                [
                    html.Thead(
                        html.Tr(
                            [html.Th(text, scope="col") for text in ("Made", "Where", "Reason")]
                        )
                    ),
                    html.Tbody(body),
                ],
                className="plain-table",
            ),
            html.P(f"And {more:,} earlier.", className="muted hint") if more > 0 else None,
        ]
    )
