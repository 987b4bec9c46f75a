"""One person's work on each splicer beside the median colleague's, and around sessions."""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from arcdrift.analysis.people.before_after import WINDOW_DAYS
from arcdrift.analysis.people.fair_evidence import pair_name
from arcdrift.figures.labels import plain_label
from arcdrift.figures.picture import Picture, nothing
from arcdrift.figures.theme import Scheme, colors, new_figure
from arcdrift.wording import change_text, count_text

ROW_PX = 30
NOUNS = {"angle": "Cleave angles", "loss": "Loss"}
LEVELS = {"angle": "angle_level", "loss": "loss_level"}
BY_NAME = "splicer with its cleaver"


def hand_dots(hands: pd.DataFrame, measure: str, *, scheme: Scheme = "light") -> Picture:
    """Draw one person's difference from the median colleague on each splicer and cleaver.

    Parameters
    ----------
    hands : DataFrame
        One person's rows of ``result_hands_by_machine``.
    measure : str
        ``angle`` or ``loss``.
    """
    rows = hands[hands["measure"] == measure] if len(hands) else hands
    rows = rows.dropna(subset=["effect"]) if len(rows) else rows
    if rows.empty:
        return nothing(
            f"{NOUNS[measure]}: not enough work beside colleagues on the same splicers yet.", rows
        )
    rows = rows.sort_values(["splicer", "cleaver"], ascending=False, ignore_index=True)
    c = colors(scheme)
    figure = new_figure(scheme, y_title="", height=80 + ROW_PX * len(rows), over_time=False)
    place = list(range(len(rows)))
    names = [
        plain_label(pair_name(str(row["splicer"]), str(row["cleaver"])))
        for row in rows.to_dict("records")
    ]
    figure.add_vline(x=0, line_color=c.muted, line_width=1.5)
    figure.add_trace(
        go.Scatter(
            x=100 * rows["effect"],
            y=place,
            mode="markers",
            marker={"color": c.main, "size": 11},
            error_x={
                "type": "data", "symmetric": False, "color": c.main, "thickness": 2, "width": 0,
                "array": 100 * (rows["high"] - rows["effect"]),
                "arrayminus": 100 * (rows["effect"] - rows["low"]),
            },
            customdata=rows[["low", "high", "splices", "days", "colleagues"]].assign(
                name=names, low=100 * rows["low"], high=100 * rows["high"]
            ),
            hovertemplate="%{customdata[5]}: %{x:+.0f} (%{customdata[0]:+.0f} to "
            "%{customdata[1]:+.0f}) %<br>%{customdata[2]:,} splices on %{customdata[3]} days, "
            "beside %{customdata[4]} colleagues<extra></extra>",
            showlegend=False,
        )
    )  # fmt: skip
    # all at once: one by one takes Plotly a time that grows with the square of their number
    counts = [
        {
            "x": 1.0, "xref": "paper", "xanchor": "left", "xshift": 8, "y": position,
            "showarrow": False, "text": f"{int(count):,}", "font": {"size": 12, "color": c.muted},
        }
        for position, count in zip(place, rows["splices"], strict=True)
    ]  # fmt: skip
    figure.update_layout(annotations=counts)
    figure.add_annotation(
        x=1.0, xref="paper", xanchor="left", xshift=8, y=len(rows) - 0.42, yanchor="bottom",
        showarrow=False, text="splices", font={"size": 12, "color": c.muted},
    )  # fmt: skip
    reach = 100 * float(max(rows["high"].max(), -rows["low"].min(), 0.2)) * 1.08
    lowest = min(100 * float(min(rows["low"].min(), 0.0)) * 1.08, -0.12 * reach)
    highest = max(reach if rows["high"].max() > 0 else 0, 10)
    # a line above the head of the counts, which it would touch on a phone; it ends within the chart
    side = "left" if 2 * highest > -lowest else "right"
    figure.add_annotation(
        x=0, y=len(rows) - 0.42, yanchor="bottom", yshift=15, showarrow=False,
        text="median colleague", xanchor=side, xshift=4 if side == "left" else -4,
        font={"size": 12, "color": c.muted},
    )  # fmt: skip
    figure.update_xaxes(
        range=[lowest, highest],
        ticksuffix=" %", showgrid=True, nticks=6, tickangle=0,
    )  # fmt: skip
    figure.update_yaxes(
        tickvals=place, ticktext=names, showgrid=False, range=[-0.6, len(rows) + 0.1],
        tickfont={"size": 12},
    )  # fmt: skip
    figure.update_layout(margin={"r": 64, "t": 30})
    above, below = int((rows["low"] > 0).sum()), int((rows["high"] < 0).sum())
    noun, places = NOUNS[measure], count_text(len(rows), "splicer")
    title = f"{noun} like the median colleague's on {places}"
    if above:
        title = f"{noun} above the median colleague's on {above} of {places}"
    elif below:
        title = f"{noun} below the median colleague's on {below} of {places}"
    low, high = float(rows["effect"].min()), float(rows["effect"].max())
    summary = (
        f"Each dot: a {BY_NAME}, against the median of the colleagues who used the same two; the "
        f"bar is the 95 % interval. From {change_text(low)} to {change_text(high)}."
    )
    table = rows.sort_values(["splicer", "cleaver"], ignore_index=True)
    return Picture(figure, summary, table, title)


def days_with_sessions(
    days: pd.DataFrame,
    sessions: Sequence[tuple[str, str]],
    measure: str,
    *,
    scheme: Scheme = "light",
) -> Picture:
    """Draw one person's days, apart from the machines, with each session, its before and after.

    Parameters
    ----------
    days : DataFrame
        One person's rows of ``result_person_days``.
    sessions : sequence of (str, str)
        ISO day and topic of each session.
    measure : str
        ``angle`` or ``loss``.
    """
    column = LEVELS[measure]
    rows = days.dropna(subset=[column]) if column in days.columns else days.iloc[:0]
    rows = rows.sort_values("day", ignore_index=True)
    if rows.empty:
        return nothing("In this period no day can be separated from the machines used.", rows)
    c = colors(scheme)
    figure = new_figure(scheme, y_title=f"{NOUNS[measure]}, % from the median", height=280)
    level = _percent(rows[column])
    at = pd.to_datetime(rows["day"])
    figure.add_hline(y=0, line_color=c.muted, line_width=1)
    figure.add_trace(
        go.Scatter(
            x=at, y=level, mode="markers",
            marker={"size": 6, "color": c.main, "opacity": 0.75},
            customdata=rows[["splices"]],
            hovertemplate="%{x|%-d %b %Y}: %{y:+.0f} %, %{customdata[0]} splices<extra></extra>",
            showlegend=False,
        )
    )  # fmt: skip
    held = sorted((pd.Timestamp(day), topic) for day, topic in sessions)
    for number, (on, topic) in enumerate(held):
        figure.add_vline(x=on, line_color=c.limit, line_width=1.5, line_dash="dot")
        figure.add_annotation(
            x=on, y=1.0, yref="paper", yanchor="bottom", yshift=2 + 14 * (number % 2),
            showarrow=False, text=plain_label(topic), font={"size": 12, "color": c.limit},
        )  # fmt: skip
    # a mean from one session to the next, as far as results look back and ahead
    window = pd.Timedelta(days=WINDOW_DAYS)
    ends = [at.min(), *(on for on, _ in held), at.max() + pd.Timedelta(days=1)]
    for place, (first, last) in enumerate(pairwise(ends)) if held else ():
        first = max(first, last - window) if place == 0 else first
        last = min(last, first + window) if place == len(held) else last
        inside = (at >= first) & (at < last)
        if inside.sum() < 2:
            continue
        weights = rows.loc[inside, "splices"]
        mean = float(_percent(np.average(rows.loc[inside, column], weights=weights)))
        figure.add_trace(
            go.Scatter(
                x=[at[inside].min(), at[inside].max()], y=[mean, mean], mode="lines",
                line={"color": c.ink, "width": 3}, showlegend=False,
                hovertemplate=f"mean {mean:+.0f} %<extra></extra>",
            )
        )  # fmt: skip
    figure.update_layout(margin={"t": 36 if sessions else 12})
    summary = (
        f"{count_text(len(rows), 'day')}, apart from the splicers used; 0 % is the median colleague"
    )
    summary += "; bars: the means before and after each session." if held else "."
    title = f"{NOUNS[measure]} day by day"
    if sessions:
        title += f", with {count_text(len(sessions), 'session')}"
    return Picture(figure, summary, rows, title)


def dot_strip(hands: pd.DataFrame, scheme: Scheme) -> str:
    """Return a small SVG of one person's differences on each splicer and cleaver.

    Parameters
    ----------
    hands : DataFrame
        One person's rows of ``result_hands_by_machine`` of one measure, with a figure.
    """
    c = colors(scheme)
    width, height, edge = 300.0, 34.0, 8.0
    low = min(float(hands["effect"].min()), -0.15)
    high = max(float(hands["effect"].max()), 0.5)

    def x(value: float) -> float:
        return edge + (width - 2 * edge) * (value - low) / (high - low)

    dots = "".join(
        f"<circle cx='{x(value):.1f}' cy='12' r='5' fill='{c.main}' fill-opacity='.75'/>"
        for value in hands["effect"]
    )
    zero = x(0.0)
    anchor = "start" if zero < width / 2 else "end"
    return (
        f"<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 {width:.0f} {height:.0f}'>"
        f"<path d='M{edge} 12H{width - edge}' stroke='{c.grid}' stroke-width='2'/>"
        f"<path d='M{zero:.1f} 2V22' stroke='{c.ink}' stroke-width='2'/>{dots}"
        f"<text x='{zero:.1f}' y='32' font-size='11' text-anchor='{anchor}' fill='{c.muted}' "
        "font-family='sans-serif'>median colleague</text></svg>"
    )


def _percent(log: object) -> np.ndarray:
    return 100.0 * np.expm1(np.asarray(log, dtype=np.float64))
