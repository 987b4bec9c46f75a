"""Chart of the expected arc setting and of checks against the arcs on the electrodes."""

import pandas as pd
import plotly.graph_objects as go

from arcdrift.analysis.maintenance.electrode_life import ElectrodeState
from arcdrift.figures.marks import add_band, extent
from arcdrift.figures.picture import Picture, nothing
from arcdrift.figures.theme import Scheme, colors, new_figure
from arcdrift.instants import day_text

COLUMNS = ["what", "arcs", "setting", "low", "high"]


def wear_history(state: ElectrodeState, *, scheme: Scheme = "light") -> Picture:
    """Draw the effect of wear with its 95 % band, the set life and the settings within reach.

    Parameters
    ----------
    state : Electrodes
        From `arcdrift.analysis.maintenance.electrode_life.electrode_state`.
    """
    wear = state.curve
    if wear is None:
        reason = " ".join(state.notes) or "The effect of wear is not known yet."
        return nothing(reason, pd.DataFrame(columns=COLUMNS))
    line, points = wear.curve, wear.points
    c, unit = colors(scheme), wear.unit
    figure = new_figure(scheme, y_title=f"Arc setting, {unit}", height=300, over_time=False)
    add_band(figure, line["arcs"], line["low"], line["high"], name="95 % band of it", color=c.band)
    figure.add_trace(
        go.Scatter(
            x=line["arcs"],
            y=line["expected"],
            name="expected setting as the electrodes wear",
            mode="lines",
            line={"color": c.expected, "width": 1.5, "dash": "dash"},
            hovertemplate=f"%{{x:,.0f}} arcs<br>expected %{{y:.1f}} {unit}<extra></extra>",
        )
    )
    figure.add_trace(
        go.Scatter(
            x=points["arcs"],
            y=points["setting"],
            name="checks on the present electrodes",
            mode="markers",
            marker={"color": c.main, "size": 7},
            customdata=points["checked_at"].map(day_text),
            hovertemplate=f"%{{customdata}}, %{{x:,.0f}} arcs<br>%{{y:.1f}} {unit}<extra></extra>",
        )
    )
    low, high = extent(pd.concat([line[["low", "high"]], points[["setting"]]]))
    ends = []
    if state.limits is not None:
        ends = [end for end in (state.limits.lowest, state.limits.highest) if end is not None]
    reach = max(high - low, 1.0)
    near_ends = [end for end in ends if low - reach <= end <= high + reach]
    low, high = min([low, *near_ends]), max([high, *near_ends])
    room = max(high - low, 1.0)
    across = [0.0, float(line["arcs"].iloc[-1]) * 1.04]
    for end in near_ends:
        figure.add_trace(
            go.Scatter(
                x=across,
                y=[end, end],
                name="limit: beyond it the machine cannot set the arc",
                legendgroup="reach",
                showlegend=end == near_ends[0],
                mode="lines",
                line={"color": c.rise, "width": 1.5, "dash": "dot"},
                hovertemplate=f"limit %{{y:g}} {unit}<extra></extra>",
            )
        )
    span = [low - 0.08 * room, high + 0.08 * room]
    if state.life is not None:
        figure.add_trace(
            go.Scatter(
                x=[state.life, state.life],
                y=span,
                name=f"limit: set to last {state.life:,} arcs",
                mode="lines",
                line={"color": c.limit, "width": 1.5, "dash": "dash"},
                hovertemplate=f"set to last {state.life:,} arcs<extra></extra>",
            )
        )
    figure.layout.yaxis.range = span
    figure.update_xaxes(title_text="Arcs on the electrodes", range=across, tickformat=",")
    table = pd.concat(
        [
            line.rename(columns={"expected": "setting"}).assign(what="expected"),
            points[["arcs", "setting"]].assign(what="check"),
        ],
        ignore_index=True,
    )[COLUMNS]
    change = float(line["expected"].iloc[-1] - line["expected"].iloc[0])
    summary = (
        f"From 0 to {line['arcs'].iloc[-1]:,.0f} arcs the setting is expected to go from "
        f"{line['expected'].iloc[0]:.1f} to {line['expected'].iloc[-1]:.1f} {unit} "
        f"({change:+z.1f}), in the average air of the latest checks; the 95 % band is "
        f"{line['low'].iloc[-1]:.1f} to {line['high'].iloc[-1]:.1f} {unit} at the end. "
        f"{len(points)} checks lie on the present electrodes."
    )
    return Picture(figure, summary, table)
