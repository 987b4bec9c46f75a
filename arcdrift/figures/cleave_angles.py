"""Charts of cleave angles over time: one cleaver's or person's days against what was expected."""

from datetime import date

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from arcdrift.figures.picture import Picture, nothing
from arcdrift.figures.theme import Scheme, colors, new_figure
from arcdrift.instants import day_text
from arcdrift.wording import percent_text

LOWEST, HIGHEST = 0.4, 4.0
"""Multiples of the expected angle that the scale shows at most."""


def angle_days(days: pd.DataFrame, shifts: pd.DataFrame, *, scheme: Scheme = "light") -> Picture:
    """Draw the cleave angle of each day as a multiple of the expected one, with its rises.

    Parameters
    ----------
    days : DataFrame
        One subject's rows of ``result_angle_days``.
    shifts : DataFrame
        Its rows of ``result_angle_shifts``.
    """
    rows = days.dropna(subset=["ratio"]).sort_values("day", ignore_index=True)
    if rows.empty:
        return nothing("No day with cleave angles in this period.", rows)
    c = colors(scheme)
    figure = new_figure(scheme, y_title="Cleave angle, times the expected", height=290)
    for row in shifts.to_dict("records"):
        figure.add_vrect(
            x0=row["onset_day"], x1=row["last_day"] if row["ended"] else rows["day"].iloc[-1],
            fillcolor=c.shade, line_width=0, layer="below",
        )  # fmt: skip
    figure.add_hline(y=1, line_color=c.muted, line_width=1)
    for column, name in (("high", "expected range, 95 %"), ("low", "")):
        figure.add_trace(
            go.Scatter(
                x=rows["day"], y=rows[column], mode="lines", name=name, showlegend=bool(name),
                hoverinfo="skip",
                line={"color": c.limit, "width": 1.2, "dash": "dash", "shape": "hvh"},
            )
        )  # fmt: skip
    for selected, symbol, color, name in (
        (~rows["alarm"], "circle", c.main, "day"), (rows["alarm"], "diamond", c.rise, "alarm"),
    ):  # fmt: skip
        if selected.any():
            figure.add_trace(
                go.Scatter(
                    x=rows["day"][selected], y=rows["ratio"][selected], mode="markers", name=name,
                    marker={"size": 7, "symbol": symbol, "color": color},
                    customdata=rows.loc[selected, ["n", "ratio"]],
                    hovertemplate="%{x|%-d %b %Y}: x%{customdata[1]:.2f}, %{customdata[0]} splices"
                    "<extra></extra>",
                )
            )  # fmt: skip
    # one extreme day would squeeze all others: it is drawn at the edge, its hover says how far
    limits = rows[["low", "high"]].to_numpy(dtype=float)
    usual = rows["ratio"].quantile([0.02, 0.98]).to_numpy()
    low = max(min(float(np.nanmin(limits, initial=0.7)), usual[0]), LOWEST) / 1.1
    high = min(max(float(np.nanmax(limits, initial=1.4)), usual[1]), HIGHEST) * 1.1
    figure.update_yaxes(
        type="log", range=np.log10([low, high]).tolist(), tickvals=[0.5, 0.7, 1, 1.5, 2, 3, 4]
    )
    for trace in figure.data:
        if trace.mode == "markers":
            trace.update(y=np.clip(np.asarray(trace.y, dtype=float), low, high))
    rises = [
        f"up {percent_text(row['ratio'] - 1, 0)} since {_day(row['onset_day'])}"
        + (f" until {_day(row['last_day'])}" if row["ended"] else "")
        for row in shifts.to_dict("records")
    ]
    found = f"Risen: {', '.join(rises)}." if rises else "No rise."
    summary = (
        f"{len(rows)} days against what earlier days let expect of the same people, machines and "
        f"wear of the blade. {found}"
    )
    return Picture(figure, summary, rows)


def _day(iso_day: str) -> str:
    return day_text(date.fromisoformat(iso_day))
