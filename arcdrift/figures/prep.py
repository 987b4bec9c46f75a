"""Charts of people: effects with intervals, shares against volume, shared work, one's days."""

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from arcdrift.charts.funnel import binomial_limits, spread_limits
from arcdrift.figures.labels import plain_label
from arcdrift.figures.picture import Picture, nothing
from arcdrift.figures.theme import Scheme, colors, new_figure
from arcdrift.wording import count_text, percent_text

ROW_PX = 26
MEASURE = {
    "loss": "Loss against the median, %",
    "angle": "Cleave angle against the median, %",
    "first_time": "Odds of another attempt against the median, %",
    "errors": "Odds of an error against the median, %",
}
SHARE = {
    "first_time": "Places not right first time",
    "errors": "Errors per attempt",
    "bad": "Bad cleaves",
}
ITEMS = {"first_time": "places", "errors": "attempts", "bad": "splices"}
"""What each share is counted over."""


def people_effects(
    rows: pd.DataFrame, measure: str, *, margin: float, scheme: Scheme = "light"
) -> Picture:
    """Draw effects of people or machines with 95 % intervals, in order of name.

    Parameters
    ----------
    rows : DataFrame
        Rows of ``result_people`` of one kind and measure.
    margin : float
        Difference below which nobody stands out, as a share.
    """
    rows = rows.dropna(subset=["effect"]).sort_values("name", ascending=False)
    if rows.empty:
        return nothing("Nobody has worked enough for a figure yet.", rows)
    c = colors(scheme)
    height = 110 + ROW_PX * len(rows)
    figure = new_figure(scheme, y_title="", height=height, over_time=False)
    figure.add_vrect(
        x0=-100 * margin, x1=100 * margin, fillcolor=c.shade, line_width=0, layer="below"
    )
    figure.add_vline(x=0, line_color=c.muted, line_width=1)
    figure.add_trace(
        go.Scatter(
            x=100 * rows["effect"],
            y=[plain_label(name) for name in rows["name"]],
            mode="markers",
            marker={"color": c.main, "size": 9},
            error_x={
                "type": "data", "symmetric": False, "color": c.main, "thickness": 2, "width": 4,
                "array": 100 * (rows["high"] - rows["effect"]),
                "arrayminus": 100 * (rows["effect"] - rows["low"]),
            },
            customdata=rows[["low", "high", "splices", "days"]].assign(
                low=100 * rows["low"], high=100 * rows["high"]
            ),
            hovertemplate="%{y}: %{x:+.0f} (%{customdata[0]:+.0f} to %{customdata[1]:+.0f}) %<br>"
            "%{customdata[2]:,} splices on %{customdata[3]} days<extra></extra>",
            showlegend=False,
        )
    )  # fmt: skip
    figure.update_xaxes(title_text=MEASURE[measure], zeroline=False)
    figure.update_yaxes(type="category", showgrid=False, tickfont={"size": 12})
    apart = rows[(rows["low"] > 0) | (rows["high"] < 0)]
    summary = (
        f"{len(rows)} with a figure, by name. The intervals of {len(apart)} leave out 0 %; the "
        f"shaded band is {percent_text(margin)} either way, within which nobody stands out."
    )
    return Picture(figure, summary, rows.sort_values("name", ignore_index=True))


def share_against_volume(
    shares: pd.DataFrame, measure: str, *, typical: float, spread: float, scheme: Scheme = "light"
) -> Picture:
    """Draw each person's share against their number of splices, with exact limits.

    Parameters
    ----------
    shares : DataFrame
        Rows of ``result_shares`` of one measure.
    typical : float
        Share of the crew's typical person.
    spread : float
        How much more shares vary than chance allows; the limits allow for it.
    """
    rows = shares[shares["measure"] == measure].sort_values("technician", ignore_index=True)
    if rows.empty:
        return nothing(f"{SHARE[measure]}: none on record in this period.", rows)
    c = colors(scheme)
    figure = new_figure(scheme, y_title=f"{SHARE[measure]}, %", over_time=False)
    n = np.unique(np.geomspace(20, max(float(rows["n"].max()) * 1.15, 200), 60).round())
    for level, dash, name in ((0.95, "dash", "95 % limits"), (0.998, "dot", "99.8 % limits")):
        low, high = binomial_limits(np.maximum(np.rint(n / spread), 1), typical, level)
        for number, edge in enumerate((high, low)):
            figure.add_trace(
                go.Scatter(
                    x=n, y=100 * edge, mode="lines", name=name, legendgroup=name,
                    showlegend=number == 0, hoverinfo="skip",
                    line={"color": c.limit, "width": 1.5, "dash": dash},
                )
            )  # fmt: skip
    figure.add_hline(y=100 * typical, line_color=c.muted, line_width=1)
    outside = (rows["share"] > rows["high"]) | (rows["share"] < rows["low"])
    for selected, symbol, color, name in (
        (~outside, "circle", c.main, "within"), (outside, "diamond", c.rise, "outside 95 %"),
    ):  # fmt: skip
        part = rows[selected]
        figure.add_trace(
            go.Scatter(
                x=part["n"], y=100 * part["share"], mode="markers+text" if name != "within"
                else "markers",
                text=[plain_label(name) for name in part["technician"]],
                textposition="middle left", name=name,
                marker={"size": 9, "symbol": symbol, "color": color},
                customdata=part[["observed", "expected"]].assign(
                    name=[plain_label(name) for name in part["technician"]]
                ),
                hovertemplate="%{customdata[2]}: %{y:.1f} %<br>%{customdata[0]} of %{x:,} "
                f"{ITEMS[measure]}; "
                "%{customdata[1]:.0f} expected on the same splicers<extra></extra>",
            )
        )  # fmt: skip
    figure.update_xaxes(title_text=ITEMS[measure].capitalize(), rangemode="tozero")
    top = 100 * max(float(rows["share"].max()), float(rows["high"].median())) * 1.15
    figure.update_yaxes(range=[-0.03 * top, top])
    names = ", ".join(rows.loc[outside, "technician"]) or "nobody"
    summary = (
        f"{SHARE[measure]} of {len(rows)} people, apart from the splicers they used; typical "
        f"{percent_text(typical, 1)}. Outside the 95 % limits, where one in twenty falls by "
        f"chance: {names}."
    )
    return Picture(figure, summary, rows)


def shared_work(rows: pd.DataFrame, *, scheme: Scheme = "light") -> Picture:
    """Draw the days of each person on each splicer.

    Parameters
    ----------
    rows : DataFrame
        Rows of ``result_shared_work``.
    """
    if rows.empty:
        return nothing("No splice names its technician yet.", rows)
    c = colors(scheme)
    grid = rows.pivot_table(index="technician", columns="splicer", values="days", fill_value=0)
    grid = grid.sort_index(ascending=False)
    figure = new_figure(scheme, y_title="", height=130 + ROW_PX * len(grid), over_time=False)
    figure.add_trace(
        go.Heatmap(
            z=grid.to_numpy(),
            x=[plain_label(name) for name in grid.columns],
            y=[plain_label(name) for name in grid.index],
            text=np.where(grid.to_numpy() > 0, grid.to_numpy().astype(int).astype(str), ""),
            texttemplate="%{text}",
            colorscale=[[0, c.surface], [1, c.main]],
            showscale=False,
            xgap=2,
            ygap=2,
            hovertemplate="%{y} on %{x}: %{z} days<extra></extra>",
        )
    )
    figure.update_xaxes(type="category", tickangle=-60, tickfont={"size": 11})
    figure.update_yaxes(type="category", showgrid=False)
    counts = (grid > 0).sum(axis=1)
    fewest, most = int(counts.min()), int(counts.max())
    people = "1 person" if len(grid) == 1 else f"{len(grid)} people"
    summary = (
        f"Days on which {people} worked on {count_text(grid.shape[1], 'splicer')}; a person used "
        f"{fewest if fewest == most else f'{fewest} to {most}'} of them."
    )
    return Picture(figure, summary, rows.sort_values(["technician", "splicer"], ignore_index=True))


def spread_days(days: pd.DataFrame, crew_sd: float | None, *, scheme: Scheme = "light") -> Picture:
    """Draw the spread of one person's cleave angles within each day.

    Parameters
    ----------
    days : DataFrame
        One person's rows of ``result_person_days``.
    crew_sd : float or None
        Spread of the others on the same splicers (log scale); None leaves the limits out.
    """
    rows = days.dropna(subset=["angle_spread"])
    rows = rows[rows["freedom"] >= 2].sort_values("day", ignore_index=True)
    if rows.empty:
        return nothing("No day with enough cleave angles in this period.", rows)
    c = colors(scheme)
    figure = new_figure(scheme, y_title="Spread of cleave angles, %", height=290)
    spread = _percent(rows["angle_spread"])
    outside = pd.Series(False, index=rows.index)
    if crew_sd is not None and crew_sd == crew_sd:
        low, high = spread_limits(rows["freedom"].to_numpy(), crew_sd)
        for edge, name in ((high, "what others' spread allows, 95 %"), (low, "")):
            figure.add_trace(
                go.Scatter(
                    x=rows["day"], y=_percent(edge), mode="lines", name=name,
                    showlegend=bool(name), hoverinfo="skip",
                    line={"color": c.limit, "width": 1.2, "dash": "dash", "shape": "hvh"},
                )
            )  # fmt: skip
        outside = (rows["angle_spread"] > high) | (rows["angle_spread"] < low)
        rows = rows.assign(low=low, high=high)
    for selected, symbol, color, name in (
        (~outside, "circle", c.main, "day"), (outside, "diamond", c.rise, "outside"),
    ):  # fmt: skip
        if selected.any():
            figure.add_trace(
                go.Scatter(
                    x=rows["day"][selected], y=spread[selected], mode="markers", name=name,
                    marker={"size": 7, "symbol": symbol, "color": color},
                    customdata=rows.loc[selected, ["splices", "angle_deg"]],
                    hovertemplate="%{x|%-d %b %Y}: ±%{y:.0f} %<br>%{customdata[0]} splices, "
                    "typical angle %{customdata[1]:.2f}°<extra></extra>",
                )
            )  # fmt: skip
    figure.update_yaxes(rangemode="tozero")
    summary = (
        f"{len(rows)} days; {int(outside.sum())} outside what the others' spread on the same "
        f"splicers allows, where {0.05 * len(rows):.0f} would be by chance."
    )
    return Picture(figure, summary, rows)


def _percent(log: object) -> np.ndarray:
    return 100.0 * np.expm1(np.asarray(log, dtype=np.float64))
