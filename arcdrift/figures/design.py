"""Price of a false-alarm budget: the fewer false alarms, the later a rise is caught."""

from collections.abc import Sequence

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from arcdrift.analysis.budget.detection_delays import DetectionDelay
from arcdrift.figures.picture import Picture, nothing
from arcdrift.figures.theme import GREEN, ORANGE, VERMILLION, Scheme, colors, new_figure

LOOKS = ((ORANGE, "circle", "dot"), (GREEN, "square", "dash"), (VERMILLION, "diamond", "solid"))


def price_table(
    budgets: Sequence[float], caught: Sequence[Sequence[DetectionDelay]]
) -> pd.DataFrame:
    """One row a budget and rise: ``budget``, ``rise_pct``, days within which half and 90 % of such
    rises are caught (missing when longer than looked for), and the share within 22 days of work.
    """  # noqa: D205
    rows = [
        {
            "budget": budget,
            "rise_pct": round(100 * (one.rise - 1)),
            "half_within_days": one.median_days,
            "nine_of_ten_within_days": one.ninety_percent_days,
            "share_within_22_days": one.within_month,
        }
        for budget, of_budget in zip(budgets, caught, strict=True)
        for one in of_budget
    ]
    table = pd.DataFrame(rows)
    return table.replace([np.inf], np.nan)


def price_chart(table: pd.DataFrame, *, chosen: float, scheme: Scheme = "light") -> Picture:
    """Days until lasting rises are caught against the budget.

    Parameters
    ----------
    table : DataFrame
        From `price_table`.
    chosen : float
        Budget that is looked at.
    """
    if table.empty:
        return nothing("No stream is judged yet, so there is no price to show.", table)
    c = colors(scheme)
    figure = new_figure(scheme, y_title="Days of work until caught", height=320, over_time=False)
    for (rise, rows), (color, symbol, dash) in zip(table.groupby("rise_pct"), LOOKS, strict=False):
        for column, words, width, shown in (
            ("half_within_days", "half of them", 2.5, "full"),
            ("nine_of_ten_within_days", "9 of 10", 1.5, "open"),
        ):
            figure.add_trace(
                go.Scatter(
                    x=rows["budget"],
                    y=rows[column],
                    name=f"+{rise:g} %, {words}",
                    mode="lines+markers",
                    line={"color": color, "width": width, "dash": dash},
                    marker={
                        "symbol": symbol if shown == "full" else f"{symbol}-open",
                        "size": 9,
                        "color": color,
                    },
                    hovertemplate=f"%{{x:.3g}} false alarms a month: {words} of rises of {rise:g} "
                    "% are caught within %{y:g} days<extra></extra>",
                )
            )
    budgets = sorted(table["budget"].unique())
    figure.layout.xaxis.update(
        type="log",
        title={"text": "False alarms a month, all charts together"},
        tickvals=budgets,
        ticktext=[f"{one:.3g}" for one in budgets],
    )
    figure.layout.yaxis.update(rangemode="tozero")
    figure.add_vline(x=chosen, line={"color": c.muted, "width": 1, "dash": "dot"})
    mine = table[table["budget"] == chosen]
    said = "; ".join(
        f"+{row['rise_pct']:g} % in {days(row['half_within_days'])} (9 of 10 in "
        f"{days(row['nine_of_ten_within_days'])})"
        for row in mine.to_dict("records")
    )
    summary = (
        f"With {chosen:g} false alarms a month half of all lasting rises of one stream's loss are "
        f"caught: {said}."
    )
    return Picture(figure, summary, table)


def days(count: float) -> str:
    """A number of days of work in words; a missing one is longer than was looked for."""
    if pd.isna(count):
        return "over 120 days"
    return f"{count:g} day{'' if count == 1 else 's'}"
