"""Chart and table of detection delays under several false-alarm budgets."""

from collections.abc import Sequence

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from arcdrift.analysis.budget.simulated_delays import DetectionDelay
from arcdrift.figures.picture import Picture, nothing
from arcdrift.figures.theme import GREEN, ORANGE, VERMILLION, Scheme, colors, new_figure

LOOKS = ((ORANGE, "circle", "dot"), (GREEN, "square", "dash"), (VERMILLION, "diamond", "solid"))


def price_table(
    budgets: Sequence[float], caught: Sequence[Sequence[DetectionDelay]]
) -> pd.DataFrame:
    """Tabulate detection delays, one row a budget and rise.

    Returns
    -------
    DataFrame
        ``budget``, ``rise_pct``, ``half_within_days`` and ``nine_of_ten_within_days`` (days within
        which half and 90 % of such rises are caught; missing when longer than simulated), and
        ``share_within_22_days``.
    """
    rows = [
        {
            "budget": budget,
            "rise_pct": round(100 * (delays.rise - 1)),
            "half_within_days": delays.median_days,
            "nine_of_ten_within_days": delays.ninety_percent_days,
            "share_within_22_days": delays.within_month,
        }
        for budget, by_rise in zip(budgets, caught, strict=True)
        for delays in by_rise
    ]
    table = pd.DataFrame(rows)
    return table.replace([np.inf], np.nan)


def price_chart(table: pd.DataFrame, *, chosen: float, scheme: Scheme = "light") -> Picture:
    """Draw the days until lasting rises are caught against the budget.

    Parameters
    ----------
    table : DataFrame
        From `price_table`.
    chosen : float
        Budget that is looked at.
    """
    if table.empty:
        return nothing("No splicer and program is judged yet, so there is no price to show.", table)
    c = colors(scheme)
    figure = new_figure(scheme, y_title="Days of work until caught", height=320, over_time=False)
    for (rise, rows), (color, symbol, dash) in zip(table.groupby("rise_pct"), LOOKS, strict=False):
        for column, share, width, fill in (
            ("half_within_days", "half of them", 2.5, "full"),
            ("nine_of_ten_within_days", "9 of 10", 1.5, "open"),
        ):
            figure.add_trace(
                go.Scatter(
                    x=rows["budget"],
                    y=rows[column],
                    name=f"+{rise:g} %, {share}",
                    mode="lines+markers",
                    line={"color": color, "width": width, "dash": dash},
                    marker={
                        "symbol": symbol if fill == "full" else f"{symbol}-open",
                        "size": 9,
                        "color": color,
                    },
                    hovertemplate=f"%{{x:.3g}} false alarms a month: {share} of rises of {rise:g} "
                    "% are caught within %{y:g} days<extra></extra>",
                )
            )
    budgets = sorted(table["budget"].unique())
    figure.layout.xaxis.update(
        type="log",
        title={"text": "False alarms a month, all charts together"},
        tickvals=budgets,
        ticktext=[f"{delays:.3g}" for delays in budgets],
    )
    figure.layout.yaxis.update(rangemode="tozero")
    figure.add_vline(x=chosen, line={"color": c.muted, "width": 1, "dash": "dot"})
    chosen_rows = table[table["budget"] == chosen]
    sentence = "; ".join(
        f"+{row['rise_pct']:g} % in {days_text(row['half_within_days'])} (9 of 10 in "
        f"{days_text(row['nine_of_ten_within_days'])})"
        for row in chosen_rows.to_dict("records")
    )
    summary = (
        f"With {chosen:g} false alarms a month half of all lasting rises of one splicer's loss are "
        f"caught: {sentence}."
    )
    return Picture(figure, summary, table)


def days_text(count: float) -> str:
    """Format a number of days of work; a missing one is longer than was simulated."""
    if pd.isna(count):
        return "over 120 days"
    return f"{count:g} day{'' if count == 1 else 's'}"
