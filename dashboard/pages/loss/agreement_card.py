"""Part of the Loss page: each splicer's estimated loss against measured loss."""

from collections.abc import Hashable, Mapping
from typing import Any

import pandas as pd
from dash import dcc, html

from dashboard.components import View, card, csv_button, notice, share_table
from dashboard.url_query import href

TITLE = "Estimate against measurement"
HINT = (
    "Loss as the splicer estimated it, less what an OTDR measured (mean of both directions). "
    "Below zero the estimate is too good. Mean difference with its 95 % interval, and the limits "
    "between which 95 % of single splices lie."
)


def agreement_rows(view: View) -> pd.DataFrame:
    """Return differences by splicer and program (empty: all programs), the lowest first."""
    rows = view.data.result("result_agreement")
    for key in ("splicer", "program"):
        if view.query.get(key):
            rows = rows[rows[key] == view.query[key]]
    return rows.sort_values(["bias_db", "splicer", "program"], ignore_index=True)


def agreement_card(view: View) -> html.Section:
    """Return a table of splicers, or a sentence when nothing was measured both ways."""
    rows = agreement_rows(view)
    if not view.query.get("program"):
        rows = rows[rows["program"] == ""]
    if rows.empty:
        text = "No splice here was measured both ways, so the estimates cannot be checked."
        return card(notice(text), title=TITLE)
    widest = float(rows[["low_db", "high_db"]].abs().max().max() or 0.0)
    heads = (
        ("Splicer", ""),
        ("Splices", ""),
        ("Difference, dB", ""),
        ("", "wide-only"),
        ("Single splices, dB", "wide-only"),
    )
    return card(
        html.P(HINT, className="muted hint"),
        share_table(heads, [_row(row, widest) for row in rows.to_dict("records")]),
        title=TITLE,
        aside=csv_button("/loss", "agreement", view.query, "estimate against measurement"),
    )


def _row(row: Mapping[Hashable, Any], widest: float) -> html.Tr:
    name = html.Th(
        dcc.Link(row["splicer"], href=href("/splicer", splicer=row["splicer"])), scope="row"
    )
    pairs = html.Td(f"{row['pairs']:,}")
    if pd.isna(row["bias_db"]):
        few = html.Td(f"only {row['pairs']} measured both ways", className="muted few")
        return html.Tr(
            [name, pairs, few, html.Td(className="wide-only"), html.Td("–", className="wide-only")]
        )
    low, bias, high = (_place(row[key], widest) for key in ("low_db", "bias_db", "high_db"))
    return html.Tr(
        [
            name,
            pairs,
            html.Td(
                [
                    html.Span(f"{row['bias_db']:+z.3f}", className="share"),
                    html.Span(
                        f"{row['low_db']:+z.3f} to {row['high_db']:+z.3f}", className="muted"
                    ),
                ]
            ),
            html.Td(
                html.Div(
                    [
                        html.Div(style={"left": f"{low:.1f}%", "width": f"{high - low:.1f}%"}),
                        html.I(style={"left": f"{bias:.1f}%"}),
                        html.B(style={"left": "50%"}),
                    ],
                    className="span",
                    **{"aria-hidden": "true"},
                ),
                className="wide-only",
            ),
            html.Td(f"{row['lower_db']:+z.3f} to {row['upper_db']:+z.3f}", className="wide-only"),
        ]
    )


def _place(value: float, widest: float) -> float:
    """Convert a value between -widest and +widest to a position in percent."""
    return 50.0 if widest == 0.0 else 50.0 + 50.0 * float(value) / widest
