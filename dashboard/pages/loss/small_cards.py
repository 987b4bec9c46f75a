"""Small charts of splicers and programs on one scale, the largest rise first."""

from typing import Any
from urllib.parse import quote

import pandas as pd
from dash import dcc, html

from arcdrift.figures.loss_titles import change_title
from arcdrift.figures.small_charts import small_chart
from dashboard.components import View, card, notice
from dashboard.pages.loss.loss_changes import changes_of, open_change
from dashboard.pages.loss.outlier_card import accepted_average
from dashboard.pages.loss.stream import DEFAULT_PERIOD, state_words
from dashboard.url_query import href

CARDS = 8
HINT = (
    "Mean loss of each week against what is usual for it; dashes: the accepted average, where it "
    "lies on this scale. All have one scale and one time axis."
)


def small_cards(view: View, rows: pd.DataFrame) -> html.Section:
    """Return small charts of the first streams, and a way to the others."""
    known = rows[rows["baseline_db"].notna()]
    if rows.empty:
        return card(notice("No splicer and program matches. Clear a choice to see more."))
    few = len(rows) - len(known)
    few_text = (
        "One more has too few days yet to know what is usual."
        if few == 1
        else f"{few} more have too few days yet to know what is usual."
    )
    if known.empty:
        return card(
            notice("None has enough days yet to know what is usual: five days of work are needed.")
        )
    return card(
        html.P(HINT, className="muted hint"),
        html.Ul(small_items(view, known.head(CARDS)), className="small-charts"),
        html.P(few_text, className="muted hint") if few else None,
        title="Splicers and programs, the largest rise first",
        name="small-multiples",
    )


def remaining_cards(view: View, rows: pd.DataFrame) -> html.Ul:
    """Return the small charts after the first ones."""
    known = rows[rows["baseline_db"].notna()].iloc[CARDS:]
    return html.Ul(small_items(view, known), className="small-charts")


def small_items(view: View, rows: pd.DataFrame) -> list[html.Li]:
    """Return one small chart a row of `dashboard.pages.loss.loss.streams`, each a link."""
    first_day, known = view.first_day(DEFAULT_PERIOD), view.data.result("result_streams")
    if known.empty or rows.empty:
        return []
    # one time axis for all, from the first day of the period to the last that anybody worked
    first = pd.Timestamp(max(first_day, str(known["first_day"].min())))
    last = pd.Timestamp(str(known["last_day"].max()))
    return [
        _item(
            view, row,
            view.data.result(
                "result_stream_days", splicer=row["splicer"], program=row["program"]
            ),
            first_day, first, last,
        )
        for row in rows.to_dict("records")
    ]  # fmt: skip


def _item(
    view: View, row: dict[Any, Any], days: pd.DataFrame, first_day: str, first: pd.Timestamp,
    last: pd.Timestamp,
) -> html.Li:  # fmt: skip
    changes = changes_of(view, row, days, first_day)
    name = f"{row['splicer']}, {row['program']}"
    recent = None if pd.isna(row["change"]) else float(row["change"])
    title = change_title("", changes, recent).removeprefix(": ")
    svg = small_chart(
        days[days["day"] >= first_day], float(row["baseline_db"]), first, last,
        accepted_db=accepted_average(view.data.crew.acceptance, str(row["program"])),
        changes=changes, scheme=view.scheme,
    )  # fmt: skip
    tone = "rise" if (now := open_change(changes)) and now.change > 0 else ""
    return html.Li(
        dcc.Link(
            [
                html.Span([html.Strong(row["splicer"]), " ", row["program"]], className="name"),
                html.Span(title, className=f"seen {tone}"),
                html.Img(src="data:image/svg+xml," + quote(svg), alt=f"{name}: {title}"),
                html.Span(
                    f"usual {row['baseline_db']:.3f} dB, last 10 days {row['recent_db']:.3f} dB"
                    + ("" if row["state"] == "charted" else f"; {state_words(row)}"),
                    className="muted",
                ),
            ],
            href=href("/loss", {"period": view.query.get("period")}, splicer=row["splicer"],
                      program=row["program"]),
            className="small-chart",
        )
    )  # fmt: skip
