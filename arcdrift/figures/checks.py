"""How faithfully the daily arc checks were kept."""

import pandas as pd
import plotly.graph_objects as go
from statsmodels.stats.proportion import proportion_confint

from arcdrift.figures.picture import Picture, nothing
from arcdrift.figures.theme import Scheme, colors, new_figure

WORKED = ("checked", "late", "failed-only", "missed")


def compliance_table(days: pd.DataFrame, by: str = "splicer") -> pd.DataFrame:
    """Count finished workdays and those checked before the first splice.

    Parameters
    ----------
    days : DataFrame
        Rows of ``result_check_days``.

    Returns
    -------
    DataFrame
        One row per `by`: ``days`` worked, counts by status, ``share`` checked in time and its
        95 % Wilson interval ``low``..``high`` (E. B. Wilson 1927), all shares from 0 to 1.
    """
    worked = days[days["status"].isin(WORKED) & days["day_over"].astype(bool)]
    counts = pd.crosstab(worked[by], worked["status"]).reindex(columns=list(WORKED), fill_value=0)
    table = counts.rename_axis(columns=None).reset_index()
    table.insert(1, "days", counts.sum(axis=1).to_numpy())
    low, high = proportion_confint(table["checked"], table["days"], method="wilson")
    return table.assign(share=table["checked"] / table["days"], low=low, high=high)


def compliance(days: pd.DataFrame, *, scheme: Scheme = "light") -> Picture:
    """Share of workdays checked before the first splice, per splicer, with its interval."""
    table = compliance_table(days)
    if table.empty:
        return nothing("No finished workday in this period.", table)
    c = colors(scheme)
    rows = table.iloc[::-1]
    figure = new_figure(scheme, y_title="", height=90 + 36 * len(rows), over_time=False)
    figure.add_trace(
        go.Scatter(
            x=100 * rows["share"],
            y=[
                f"{splicer}: {kept} of {days}"
                for splicer, kept, days in rows[["splicer", "checked", "days"]].itertuples(
                    index=False
                )
            ],
            mode="markers",
            name="checked in time, with 95 % interval",
            marker={"color": c.main, "size": 9},
            error_x={
                "type": "data",
                "symmetric": False,
                "array": 100 * (rows["high"] - rows["share"]),
                "arrayminus": 100 * (rows["share"] - rows["low"]),
                "color": c.main,
                "thickness": 2,
                "width": 5,
            },
            customdata=rows[["low", "high"]],
            hovertemplate="%{y} workdays, "
            "%{x:.0f} % (%{customdata[0]:.0%} to %{customdata[1]:.0%})<extra></extra>",
        )
    )
    figure.update_xaxes(title_text="Workdays checked in time, %", range=[0, 103])
    figure.update_yaxes(showgrid=False)
    kept, worked = int(table["checked"].sum()), int(table["days"].sum())
    summary = (
        f"{kept} of {worked} splicer workdays were checked before the first splice; "
        f"{int(table['late'].sum())} were checked late, {int(table['failed-only'].sum())} had only "
        f"failed checks and {int(table['missed'].sum())} had none. A wide interval means few days."
    )
    return Picture(figure, summary, table)
