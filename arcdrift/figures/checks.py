"""Charts of daily arc checks: share in time, and splices made on an unchecked arc."""

import pandas as pd
import plotly.graph_objects as go

from arcdrift.analysis.checks.compliance import COLUMNS, By, compliance
from arcdrift.figures.labels import plain_label
from arcdrift.figures.picture import Picture, nothing
from arcdrift.figures.theme import Colors, Scheme, colors, new_figure
from arcdrift.instants import day_text
from arcdrift.wording import count_text, percent_text

LABELS = 6
"""Number of labeled weeks at most, so that labels fit a phone."""
WEEK_MS = 7 * 24 * 3600 * 1000
ROW_PX = 26
MOST_DOTS = 60
"""Rows of a chart of shares; Plotly takes a minute for the labels of some hundred."""
FEW_MISSES = 0.95
"""Share in time of 19 days in 20, below which somebody is named (common practice, no source)."""
UNCHECKED = ("missed", "failed-only", "due")
"""Statuses of a day of which no splice was made on a checked arc."""
KINDS_UNCHECKED = {
    "before_a_late_check": ("late",),
    "without_a_check": ("missed", "due"),
    "after_failed_attempts_only": ("failed-only",),
}
"""Columns of splices on an unchecked arc, and the statuses of the days that they were made on."""


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
        tickformat="%-d %b" if monday.min().year == monday.max().year else "%-d %b<br>%Y",
    )
    checked, worked = int(table["checked"].sum()), int(table["days"].sum())
    summary = (
        f"{checked} of {count_text(worked, 'splicer workday')} checked before the first splice "
        f"(late {int(table['late'].sum())}, failed only {int(table['failed-only'].sum())}, "
        f"missed {int(table['missed'].sum())})."
    )
    title = f"Checked in time on {percent_text(checked / worked, 0)} of workdays"
    finished = table[~running]
    if len(finished) > 1:
        latest = finished.iloc[-1]
        title += f", {percent_text(latest['share'], 0)} in the last full week"
    return Picture(figure, summary, table, title)


def unchecked_splices(days: pd.DataFrame) -> pd.Series:
    """Count the splices made on an unchecked arc on each day of a splicer.

    They are those before a late check, and all of a day on which no check passed.

    Parameters
    ----------
    days : DataFrame
        Rows of ``result_check_days``.
    """
    without = days["status"].isin(UNCHECKED)
    return (
        days["splices_before_check"]
        .where(days["status"] == "late", days["splices"].where(without, 0))
        .astype(int)
    )


def unchecked_weeks(days: pd.DataFrame, *, scheme: Scheme = "light") -> Picture:
    """Draw the splices made on an unchecked arc by ISO week, the count at each bar.

    Parameters
    ----------
    days : DataFrame
        Rows of ``result_check_days``.
    """
    worked = days[days["splices"] > 0]
    columns = ["week_from", "splices", "unchecked", *KINDS_UNCHECKED]
    if worked.empty:
        return nothing("No splice in this period.", pd.DataFrame(columns=columns))
    day = pd.to_datetime(worked["day"])
    monday = (day - pd.to_timedelta(day.dt.day_of_week, unit="D")).rename("week_from")
    unchecked = unchecked_splices(worked)
    parts = pd.DataFrame({"splices": worked["splices"], "unchecked": unchecked})
    for kind, statuses in KINDS_UNCHECKED.items():
        parts[kind] = unchecked.where(worked["status"].isin(statuses), 0)
    table = parts.groupby(monday).sum()
    every_week = pd.date_range(monday.min(), monday.max(), freq="7D", name="week_from")
    table = table.reindex(every_week, fill_value=0).reset_index()
    c = colors(scheme)
    figure = new_figure(scheme, y_title="Splices", height=250)
    figure.add_trace(
        go.Bar(
            x=table["week_from"] + pd.Timedelta(days=3, hours=12),
            y=table["unchecked"],
            width=0.7 * WEEK_MS,
            marker={"color": c.rise, "line": {"width": 0}},
            text=[f"{count:,}" if count else "0" for count in table["unchecked"]],
            textposition="outside",
            cliponaxis=False,
            customdata=table[["splices", *KINDS_UNCHECKED]].assign(
                week=table["week_from"].map(day_text)
            ),
            hovertemplate="Week from %{customdata[4]}: %{y:,} of %{customdata[0]:,} splices<br>"
            "%{customdata[1]:,} before a late check, %{customdata[2]:,} without a check, "
            "%{customdata[3]:,} after failed attempts only<extra></extra>",
            showlegend=False,
        )
    )
    top = max(float(table["unchecked"].max()), 1.0)
    figure.update_yaxes(range=[0, 1.18 * top], rangemode="tozero", nticks=4)
    weeks = len(table)
    figure.update_xaxes(
        title_text="Week from Monday",
        range=[every_week[0], every_week[-1] + pd.Timedelta(days=7)],
        tickvals=list(every_week[:: -(-weeks // LABELS)]),
        tickformat="%-d %b" if every_week[0].year == every_week[-1].year else "%-d %b<br>%Y",
    )
    total, made = int(table["unchecked"].sum()), int(table["splices"].sum())
    late, missed, failed = (int(table[kind].sum()) for kind in KINDS_UNCHECKED)
    summary = (
        f"{total:,} of {made:,} splices were made on an unchecked arc: {late:,} before a late "
        f"check, {missed:,} on days without a check, {failed:,} after failed attempts only."
    )
    title = "No splice was made on an unchecked arc"
    if total:
        worst = table.iloc[int(table["unchecked"].to_numpy().argmax())]
        title = f"{count_text(total, 'splice')} on an unchecked arc"
        if weeks > 1:
            title += f", most in the week from {day_text(worst['week_from'])}"
    return Picture(figure, summary, table, title)


def compliance_dots(table: pd.DataFrame, by: By, *, scheme: Scheme = "light") -> Picture:
    """Draw the share in time of each splicer or person with its interval, in order of name.

    Of more than `MOST_DOTS`, those with the most days that were not in time.

    Parameters
    ----------
    table : DataFrame
        From `compliance_table`.
    """
    if table.empty:
        return nothing("No finished workday in this period.", table)
    rows = table
    if len(table) > MOST_DOTS:
        missing = table["days"] - table["checked"]
        order = missing.sort_values(ascending=False, kind="stable").index
        rows = table.loc[order[:MOST_DOTS]]
    rows = rows.sort_values(by, ascending=False, ignore_index=True)
    c = colors(scheme)
    figure = new_figure(scheme, y_title="", height=70 + ROW_PX * len(rows), over_time=False)
    place = list(range(len(rows)))
    figure.add_trace(
        go.Scatter(
            x=100 * rows["share"],
            y=place,
            mode="markers",
            marker={"color": c.main, "size": 10},
            cliponaxis=False,
            error_x={
                "type": "data", "symmetric": False, "color": c.main, "thickness": 2, "width": 0,
                "array": 100 * (rows["high"] - rows["share"]),
                "arrayminus": 100 * (rows["share"] - rows["low"]),
            },
            customdata=rows[["checked", "days", "low", "high", "late", "failed-only", "missed"]]
            .assign(
                name=[plain_label(name) for name in rows[by]],
                low=100 * rows["low"], high=100 * rows["high"],
            ),
            hovertemplate="%{customdata[7]}: %{customdata[0]} of %{customdata[1]} workdays in time"
            "<br>%{x:.0f} (%{customdata[2]:.0f} to %{customdata[3]:.0f}) %<br>"
            "late %{customdata[4]}, failed only %{customdata[5]}, missed %{customdata[6]}"
            "<extra></extra>",
            showlegend=False,
        )
    )  # fmt: skip
    # all at once: one by one takes Plotly a time that grows with the square of their number
    counts = [
        {
            "x": 1.0, "xref": "paper", "xanchor": "left", "xshift": 8, "y": position,
            "showarrow": False, "text": f"{checked} of {days}",
            "font": {"size": 12, "color": c.muted},
        }
        for position, checked, days in zip(place, rows["checked"], rows["days"], strict=True)
    ]  # fmt: skip
    figure.update_xaxes(
        range=[-2, 102], tickvals=[0, 25, 50, 75, 100], ticksuffix=" %", showgrid=True
    )
    figure.update_yaxes(
        tickvals=place, ticktext=[plain_label(name) for name in rows[by]], showgrid=False,
        range=[-0.6, len(rows) - 0.4], tickfont={"size": 12},
    )  # fmt: skip
    figure.update_layout(margin={"r": 70}, annotations=counts)
    below = sorted(map(str, table.loc[table["high"] < FEW_MISSES, by]))
    compared = (
        f"In time on fewer than 19 days in 20 by more than chance explains: {', '.join(below)}."
        if below
        else "No one is in time on fewer than 19 days in 20 by more than chance explains."
    )
    numbers = "the numbers are days in time of days worked"
    shown = count_text(len(table), by)
    if len(rows) < len(table):
        shown = f"{len(rows)} of {shown}, those with the most days not in time"
    summary = f"{shown}, by name; {numbers}. {compared}"
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
        customdata=table[["week", "checked", "days", "low", "high", "note"]].assign(
            low=100 * table["low"], high=100 * table["high"]
        ),
        hovertemplate="%{customdata[0]}: %{customdata[1]} of %{customdata[2]} workdays<br>"
        "%{y:.0f} (%{customdata[3]:.0f} to %{customdata[4]:.0f}) %<br>"
        "%{customdata[5]}<extra></extra>",
    )
