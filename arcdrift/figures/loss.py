"""Charts of loss over days: the crew's, and one stream's day means and control chart."""

from typing import Any

import pandas as pd
import plotly.graph_objects as go

from arcdrift.figures.marks import (
    HALF_DAY,
    add_band,
    extent,
    mark_alarms,
    mark_days,
    runs,
    shade_ranges,
)
from arcdrift.figures.picture import Picture, nothing
from arcdrift.figures.theme import Scheme, colors, new_figure

LEFT_OUT = "left out by a person: neither judged nor learned from"
FROZEN = "baseline frozen by a person"
NO_EVENTS = pd.DataFrame(
    {"at": pd.Series(dtype="datetime64[us]"), "action": pd.Series(dtype="str")}
)
HEADROOM = 1.15
"""Height of the axis over that of the data, to leave room for event marks."""
LEARNING = "learning (under 40 days: limits less sure)"


def crew_trend(
    days: pd.DataFrame, events: pd.DataFrame = NO_EVENTS, *, scheme: Scheme = "light"
) -> Picture:
    """Draw the loss of the whole crew per workday.

    Parameters
    ----------
    days : DataFrame
        Rows of ``result_crew_days``; losses in dB.
    events : DataFrame
        Service events, ``at`` (naive local), ``action`` and ``asset``.
    """
    table = days.sort_values("day").loc[
        :, ["day", "splices", "mean_db", "median_db", "p95_db", "over_010", "redo", "errors"]
    ]
    shown = table[table["mean_db"].notna()]
    if shown.empty:
        return nothing("No splices with a loss in this period.", table)
    c = colors(scheme)
    day = pd.to_datetime(shown["day"])
    figure = new_figure(scheme, y_title="Estimated loss, dB")
    marks = mark_days(figure, day, events, None, scheme)
    add_band(
        figure,
        day,
        shown["median_db"],
        shown["p95_db"],
        name="from the median up to where 95 of 100 splices lie",
        color=c.band,
    )
    figure.add_trace(
        go.Scatter(
            x=day,
            y=shown["mean_db"],
            name="mean of the day",
            mode="lines+markers",
            line={"color": c.main, "width": 2},
            marker={"size": 5},
            customdata=shown["splices"],
            hovertemplate="%{x|%-d %b %Y}<br>mean %{y:.3f} dB<br>"
            "%{customdata} splices<extra></extra>",
        )
    )
    figure.add_trace(
        go.Scatter(
            x=day,
            y=shown["median_db"],
            name="median of the day",
            mode="lines",
            line={"color": c.expected, "width": 1.5, "dash": "dot"},
            hovertemplate="%{x|%-d %b %Y}<br>median %{y:.3f} dB<extra></extra>",
        )
    )
    figure.layout.yaxis.tickformat = ".2f"
    figure.layout.yaxis.range = [0, HEADROOM * extent(shown[["mean_db", "p95_db"]])[1]]
    last = shown.iloc[-1]
    splices = int(shown["splices"].sum())
    mean = float((shown["mean_db"] * shown["splices"]).sum() / splices)
    summary = (
        f"{splices:,} splices on {len(shown)} days, mean {mean:.3f} dB; on the last day "
        f"({last['day']}) {int(last['splices'])} splices with mean {last['mean_db']:.3f} dB "
        f"and 95 of 100 at or under {last['p95_db']:.3f} dB. {marks}"
    ).strip()
    return Picture(figure, summary, table)


def _alarms(figure: go.Figure, days: pd.DataFrame, column: str, scheme: Scheme) -> None:
    c = colors(scheme)
    for side, name, symbol, color in (
        ("up", "alarm: loss has risen", "triangle-up", c.rise),
        ("down", "note: loss has fallen", "triangle-down", c.fall),
    ):
        rows = days[days["alarm"] == side]
        mark_alarms(
            figure, rows["at"], rows[f"{column}_{side}" if column == "ewma" else column],
            name=name, symbol=symbol, size=13, color=color, scheme=scheme,
        )  # fmt: skip


def _frame(days: pd.DataFrame) -> pd.DataFrame:
    return days.sort_values("day").assign(at=lambda d: pd.to_datetime(d["day"]))


def _backdrop(
    figure: go.Figure,
    days: pd.DataFrame,
    events: pd.DataFrame,
    onset: tuple[Any, Any] | None,
    scheme: Scheme,
) -> str:
    c = colors(scheme)
    for flag, name, color in (("learning", LEARNING, c.shade), ("frozen", FROZEN, c.band)):
        spans = [(a - HALF_DAY, b + HALF_DAY) for a, b in runs(days[flag], days["at"])]
        shade_ranges(figure, spans, name=name, color=color)
    return mark_days(figure, days["at"], events, onset, scheme)


def stream_days(
    days: pd.DataFrame,
    events: pd.DataFrame = NO_EVENTS,
    *,
    onset: tuple[Any, Any] | None = None,
    scheme: Scheme = "light",
) -> Picture:
    """Draw day means of one stream and what was expected from earlier days.

    Parameters
    ----------
    days : DataFrame
        Rows of ``result_stream_days`` of one stream; losses in dB.
    events : DataFrame
        Service events, ``at`` (naive local) and ``action``.
    onset : (earliest, latest), optional
        Range of days in which an open change likely began.
    """
    table = days.sort_values("day").loc[
        :,
        [
            "day",
            "splices",
            "mean_db",
            "capped_mean_db",
            "expected_db",
            "low_db",
            "high_db",
            "alarm",
            "excluded",
            "frozen",
        ],
    ]
    if table.empty:
        return nothing("No splices of this stream in this period.", table)
    c = colors(scheme)
    shown = _frame(days)
    figure = new_figure(scheme, y_title="Loss of a day, dB")
    marks = _backdrop(figure, shown, events, onset, scheme)
    add_band(
        figure,
        shown["at"],
        shown["low_db"],
        shown["high_db"],
        name="where 95 of 100 ordinary days fall",
        color=c.band,
        group=shown["segment"],
    )
    figure.add_trace(
        go.Scatter(
            x=shown["at"],
            y=shown["expected_db"],
            name="expected from earlier days, high values capped",
            mode="lines",
            line={"color": c.expected, "width": 1.5, "dash": "dash"},
            hovertemplate="%{x|%-d %b %Y}<br>expected %{y:.3f} dB, high values capped"
            "<extra></extra>",
        )
    )
    excluded = shown["excluded"].astype(bool)
    for rows, name, marker in (
        (shown[~excluded], "mean of the day, high values capped", {"color": c.main, "size": 7}),
        (shown[excluded], LEFT_OUT, {"color": c.muted, "size": 9, "symbol": "x-thin-open"}),
    ):
        if rows.empty:
            continue
        figure.add_trace(
            go.Scatter(
                x=rows["at"],
                y=rows["capped_mean_db"],
                name=name,
                mode="markers",
                marker=marker,
                customdata=rows[["splices", "mean_db", "day"]],
                hovertemplate="%{x|%-d %b %Y}<br>%{y:.3f} dB capped, %{customdata[1]:.3f} dB as "
                "logged<br>%{customdata[0]} splices<extra></extra>",
            )
        )
    _alarms(figure, shown, "capped_mean_db", scheme)
    top = extent(shown[["capped_mean_db", "high_db", "expected_db"]])[1]
    figure.layout.yaxis.tickformat = ".2f"
    figure.layout.yaxis.range = [0, HEADROOM * top]
    return Picture(figure, f"{_days_in_words(table)} {marks}".strip(), table)


def _days_in_words(table: pd.DataFrame) -> str:
    judged = table[table["low_db"].notna() & table["high_db"].notna()]
    above = int((judged["capped_mean_db"] > judged["high_db"]).sum())
    last = table.iloc[-1]
    sentence = f"{len(table)} days, {int(table['splices'].sum()):,} splices"
    excluded = int(table["excluded"].sum())
    if excluded:
        sentence += f" ({excluded} day{'s' if excluded > 1 else ''} left out by a person)"
    if judged.empty:
        return f"{sentence}; too few days so far to say what to expect."
    return (
        f"{sentence}; {above} of {len(judged)} judged days lie above the expected range. Last day "
        f"({last['day']}): {last['capped_mean_db']:.3f} dB with high values capped"
        + (
            f", expected {last['expected_db']:.3f} dB ({last['low_db']:.3f} to "
            f"{last['high_db']:.3f})."
            if pd.notna(last["expected_db"]) and pd.notna(last["low_db"])
            else ", not judged."
        )
    )


def stream_evidence(
    days: pd.DataFrame,
    events: pd.DataFrame = NO_EVENTS,
    *,
    onset: tuple[Any, Any] | None = None,
    scheme: Scheme = "light",
) -> Picture:
    """Draw the control chart of one stream: one-sided EWMAs of day scores and their limits.

    Parameters are those of `stream_days`. The evidence is counted in ordinary day-to-day
    swings (standard deviations of a day mean); the falling side is drawn below zero.
    """
    columns = ["day", "z", "ewma_up", "limit_up", "ewma_down", "limit_down", "alarm", "learning"]
    table = days.sort_values("day").loc[:, columns]
    if table[["ewma_up", "ewma_down"]].isna().all(axis=None):
        return nothing("No evidence is kept yet: a stream needs 5 days before it is judged.", table)
    c = colors(scheme)
    shown = _frame(days)
    for column in ("ewma_down", "limit_down"):
        shown[column] = -shown[column].abs()
    figure = new_figure(scheme, y_title="Evidence of a change", height=300)
    _backdrop(figure, shown, events, onset, scheme)
    for side, word, color, dash in (
        ("up", "higher", c.rise, "solid"),
        ("down", "lower", c.fall, "solid"),
    ):
        figure.add_trace(
            go.Scatter(
                x=shown["at"],
                y=shown[f"ewma_{side}"],
                name=f"evidence of {word} loss",
                mode="lines",
                line={"color": color, "width": 2, "dash": dash},
                hovertemplate=f"%{{x|%-d %b %Y}}<br>evidence of {word} loss %{{y:.2f}}"
                "<extra></extra>",
            )
        )
        figure.add_trace(
            go.Scatter(
                x=shown["at"],
                y=shown[f"limit_{side}"],
                name="limit: an alarm beyond it",
                legendgroup="limit",
                showlegend=side == "up",
                mode="lines",
                line={"color": c.limit, "width": 1.5, "dash": "dash", "shape": "hv"},
                hovertemplate="limit %{y:.2f}<extra></extra>",
            )
        )
    _alarms(figure, shown, "ewma", scheme)
    drawn = shown[["ewma_up", "limit_up", "ewma_down", "limit_down"]]
    low, high = extent(drawn)
    figure.layout.yaxis.range = [HEADROOM * min(low, 0.0), HEADROOM * high]
    up, down = int((table["alarm"] == "up").sum()), int((table["alarm"] == "down").sum())
    last = table[table["ewma_up"].notna()].iloc[-1]
    summary = (
        f"{up} alarm{'' if up == 1 else 's'} for higher and {down} for lower loss. Evidence of "
        f"higher loss on the last judged day ({last['day']}): {last['ewma_up']:z.2f}, limit "
        f"{last['limit_up']:.2f}, counted in ordinary swings from day to day. It grows while days "
        "run above the expected loss, fades when they do not, and starts again from zero after "
        "an alarm."
    )
    return Picture(figure, summary, table)
