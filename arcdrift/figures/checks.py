"""Chart of the share of workdays with an arc check in time, by week."""

import pandas as pd
import plotly.graph_objects as go

from arcdrift.analysis.checks.compliance import COLUMNS, By, compliance
from arcdrift.figures.picture import Picture, nothing
from arcdrift.figures.theme import Colors, Scheme, colors, new_figure

LABELS = 6
"""Number of labeled weeks at most, so that labels fit a phone."""
WEEK_MS = 7 * 24 * 3600 * 1000


def compliance_table(days: pd.DataFrame, by: By) -> pd.DataFrame:
    """Return what `arcdrift.analysis.checks.compliance.compliance` counts, as a frame."""
    return pd.DataFrame(compliance(days, by), columns=[by, *COLUMNS])


def compliance_weeks(days: pd.DataFrame, *, scheme: Scheme = "light") -> Picture:
    """Draw the share of workdays checked before the first splice by ISO week, with its interval.

    Parameters
    ----------
    days : DataFrame
        Rows of ``result_check_days``.
    """
    table = compliance_table(days, "week")
    if table.empty:
        return nothing("No finished workday in this period.", table)
    monday = pd.to_datetime(table["week"] + "-1", format="%G-W%V-%u")
    table.insert(1, "week_from", monday.dt.strftime("%Y-%m-%d"))
    c = colors(scheme)
    figure = new_figure(scheme, y_title="Checked in time, %", height=270)
    running = table["note"].str.contains("running")
    for selected, name in ((~running, "finished weeks"), (running, "this week so far")):
        if selected.any():
            figure.add_trace(_dots(monday[selected], table[selected], name, c))
    figure.update_yaxes(range=[-4, 104], tickvals=[0, 25, 50, 75, 100])
    half = pd.Timedelta(days=4)
    weeks = (monday.max() - monday.min()).days // 7 + 1
    figure.update_xaxes(
        title_text="Week from Monday",
        range=[monday.min() - half, monday.max() + half],
        tick0=monday.min(),
        dtick=WEEK_MS * -(-weeks // LABELS),
        tickformat="%d %b" if monday.min().year == monday.max().year else "%d %b<br>%Y",
    )
    checked, worked = int(table["checked"].sum()), int(table["days"].sum())
    summary = (
        f"{checked} of {worked} splicer workdays were checked before the first splice "
        f"(late {int(table['late'].sum())}, failed only {int(table['failed-only'].sum())}, "
        f"missed {int(table['missed'].sum())})."
    )
    return Picture(figure, summary, table)


def _dots(monday: pd.Series, table: pd.DataFrame, name: str, c: Colors) -> go.Scatter:
    return go.Scatter(
        x=monday,
        y=100 * table["share"],
        mode="markers",
        cliponaxis=False,
        name=name,
        marker={
            "color": c.main,
            "size": 9,
            "symbol": "circle-open" if "so far" in name else "circle",
            "line": {"width": 2},
        },
        error_y={
            "type": "data",
            "symmetric": False,
            "array": 100 * (table["high"] - table["share"]),
            "arrayminus": 100 * (table["share"] - table["low"]),
            "color": c.main,
            "thickness": 2,
            "width": 5,
        },
        customdata=table[["week", "checked", "days", "low", "high", "note"]],
        hovertemplate="%{customdata[0]}: %{customdata[1]} of %{customdata[2]} workdays<br>"
        "%{y:.0f} % (%{customdata[3]:.0%} to %{customdata[4]:.0%})<br>"
        "%{customdata[5]}<extra></extra>",
    )
