"""The loss of one splicer and program day by day, with whose hands worked when below it."""

from collections.abc import Sequence
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from arcdrift.figures.events import OVER_IT, event_layers
from arcdrift.figures.loss_titles import LossChange
from arcdrift.figures.marks import HALF_DAY, runs
from arcdrift.figures.picture import Picture, nothing
from arcdrift.figures.plain_figure import (
    HOVER_DAY,
    Plain,
    band,
    dots,
    label,
    level_line,
    line,
    note,
    plain_figure,
    shade,
)
from arcdrift.figures.theme import Scheme, colors
from arcdrift.instants import day_text
from arcdrift.wording import count_text

NO_EVENTS = pd.DataFrame(
    {"at": pd.Series(dtype="datetime64[us]"), "action": pd.Series(dtype="str")}
)
NO_HANDS = pd.DataFrame({"day": [], "technician": [], "n": []})
TABLE = [
    "day", "splices", "mean_db", "capped_mean_db", "expected_db", "low_db", "high_db", "alarm",
    "excluded", "frozen",
]  # fmt: skip
HEADROOM = 1.18
"""Height of the axis over that of the data, to leave room for the marks of service."""
REACH = 3.0
"""The accepted loss is drawn where it is at most so many times the highest day; a scale that
reached further would flatten the days, so that it is then said instead."""
MOST_HANDS = 5
"""People with a line of their own in the strip; the others share one."""
OTHERS = "others"


def stream_chart(
    days: pd.DataFrame,
    events: pd.DataFrame = NO_EVENTS,
    hands: pd.DataFrame = NO_HANDS,
    *,
    usual_db: float | None = None,
    accepted_db: float | None = None,
    changes: Sequence[LossChange] = (),
    scheme: Scheme = "light",
) -> Picture:
    """Draw day means of one splicer and program, what is usual, and what changed when.

    Parameters
    ----------
    days : DataFrame
        Rows of ``result_stream_days`` of one stream; losses in dB.
    events : DataFrame
        Service events, ``at`` (naive local) and ``action``.
    hands : DataFrame
        ``day``, ``technician`` (as shown) and ``n`` splices, of those who may be seen.
    usual_db, accepted_db : float, optional
        Usual loss of a splice and the accepted average.
    changes : sequence of LossChange
        Changes to shade.
    """
    table = days.sort_values("day").loc[:, TABLE]
    if table.empty:
        return nothing("No splices in this period.", table)
    c = colors(scheme)
    shown = table.assign(at=pd.to_datetime(table["day"]))
    first, last = shown["at"].iloc[0], shown["at"].iloc[-1]
    strip = _strip(hands, shown["day"], scheme)
    figure = plain_figure(scheme, y_title="Loss of a day, dB", height=360 + strip.height)
    layout, data = figure["layout"], figure["data"]
    bottom = strip.height / (330 + strip.height)
    top = _top(shown, usual_db, accepted_db)
    layout["yaxis"] |= {
        "domain": [bottom, 1], "range": [0, HEADROOM * top], "tickformat": ".2f", "nticks": 6,
    }  # fmt: skip
    layout["xaxis"] |= {
        "range": [(first - 2 * HALF_DAY).isoformat(), (last + 2 * HALF_DAY).isoformat()],
        "anchor": "y3" if strip.traces else "y",
    }
    for change in changes:
        layout["shapes"].append(_span(change, first, last, c.onset))
    for flag, color in (("frozen", c.band), ("excluded", c.shade)):
        layout["shapes"] += [
            shade(a - HALF_DAY, b + HALF_DAY, color) for a, b in runs(shown[flag], shown["at"])
        ]
    for piece in _pieces(shown):
        data += band(piece["at"], piece["low_db"], piece["high_db"], c.band)
    data.append(
        line(shown["at"], shown["expected_db"], c.expected, width=1.5, hovertemplate=(
            f"{HOVER_DAY}<br>%{{y:.3f}} dB was to be expected<extra></extra>"))
    )  # fmt: skip
    data += _days(shown, scheme)
    for value, text, color, dash in (
        (usual_db, "usual", c.muted, "dot"), (accepted_db, "accepted on average", c.limit, "dash"),
    ):  # fmt: skip
        if value is not None and value <= HEADROOM * top:
            shape, words = level_line(value, f"{text} {value:.3f} dB", color, scheme, dash=dash)
            layout["shapes"].append(shape)
            layout["annotations"].append(words)
    layout["annotations"] += _labels(shown, scheme)
    marks, lines, sentence = event_layers(
        events, first=first - HALF_DAY, last=last + HALF_DAY, scheme=scheme
    )
    data += marks
    if marks:
        layout["yaxis2"] = OVER_IT | {"domain": [bottom, 1]}
        layout["shapes"] += [shape | {"yref": "y2"} for shape in lines]
    data += strip.traces
    if strip.traces:
        layout["yaxis3"] = strip.axis | {"domain": [0, max(bottom - 0.06, 0.05)]}
        for trace in data:
            trace.setdefault("xaxis", "x")
    summary = " ".join(
        part for part in (_in_words(table), _accepted_words(accepted_db, top), sentence) if part
    )
    return Picture(figure, summary, table)


def _top(shown: pd.DataFrame, usual_db: float | None, accepted_db: float | None) -> float:
    values = shown[["capped_mean_db", "expected_db"]].to_numpy(dtype=float)
    top = max(float(np.nanmax(values)), usual_db or 0.0, 1e-4)
    high = (
        float(np.nanpercentile(shown["high_db"].astype(float), 75))
        if (shown["high_db"].notna().any())
        else 0.0
    )
    top = max(top, min(high, 1.5 * top))
    if accepted_db is not None and accepted_db <= REACH * top:
        return max(top, 1.03 * accepted_db)
    return top


def _pieces(shown: pd.DataFrame) -> list[pd.DataFrame]:
    """Runs of days with a band."""
    known = (shown["low_db"].notna() & shown["high_db"].notna()).to_numpy()
    number = np.cumsum(np.diff(known.astype(int), prepend=0) == 1)
    return [piece for _, piece in shown[known].groupby(number[known])]


def _span(change: LossChange, first: Any, last: Any, color: str) -> Plain:
    begins = max(pd.Timestamp(change.since), first) - HALF_DAY
    ends = last if change.is_open else pd.Timestamp(change.back or change.until)
    # the day of the return is as usual again
    end = ends + HALF_DAY if change.is_open or change.back is None else ends - HALF_DAY
    return shade(begins, max(end, begins + HALF_DAY), color)


def _days(shown: pd.DataFrame, scheme: Scheme) -> list[Plain]:
    c = colors(scheme)
    excluded = shown["excluded"].astype(bool)
    up, down = shown["alarm"] == "up", shown["alarm"] == "down"
    kinds = (
        (shown[~excluded & ~up & ~down], c.main, "circle", 7, ""),
        (shown[excluded], c.muted, "x-thin-open", 9, "left out by a person<br>"),
        (shown[up], c.rise, "triangle-up", 13, "alarm: loss has risen<br>"),
        (shown[down], c.fall, "triangle-down", 13, "loss has fallen<br>"),
    )
    return [
        dots(
            rows["at"], rows["capped_mean_db"], color, size=size, symbol=symbol,
            customdata=rows[["splices", "mean_db"]].to_numpy().tolist(),
            hovertemplate=f"{HOVER_DAY}<br>{words}%{{y:.3f}} dB with single high values capped, "
            "%{customdata[1]:.3f} dB as logged<br>%{customdata[0]} splices<extra></extra>",
        )
        for rows, color, symbol, size, words in kinds
        if len(rows)
    ]  # fmt: skip


def _labels(shown: pd.DataFrame, scheme: Scheme) -> list[Plain]:
    """Words at the line and the band they belong to, at the left end, where both begin."""
    c = colors(scheme)
    known = shown[shown["high_db"].notna()]
    if len(known) < 2:
        return []
    place = {"xanchor": "left", "yanchor": "bottom", "x": 0, "xref": "paper"}
    middle = known.head(max(len(known) // 3, 1)).nlargest(1, "high_db").iloc[0]
    return [
        note(None, float(middle["high_db"]), "band: 95 of 100 ordinary days", c.muted) | place,
    ]


class _Strip:
    """A line of marks for each person, below the plot."""

    def __init__(self, traces: list[Plain], axis: Plain, height: int) -> None:
        self.traces, self.axis, self.height = traces, axis, height


def _strip(hands: pd.DataFrame, days: pd.Series, scheme: Scheme) -> _Strip:
    """Marks of who made splices on which day, the one with most splices on top."""
    rows = hands[hands["day"].isin(set(days))].dropna(subset=["technician"])
    if rows.empty:
        return _Strip([], {}, 0)
    rows = rows.groupby(["day", "technician"])["n"].sum().reset_index()
    order = rows.groupby("technician")["n"].sum().sort_values(ascending=False, kind="stable")
    named = order.index[:MOST_HANDS] if len(order) > MOST_HANDS + 1 else order.index
    rows["who"] = rows["technician"].where(rows["technician"].isin(named), OTHERS)
    names = [*named, *([OTHERS] if (rows["who"] == OTHERS).any() else [])]
    line_of = {name: len(names) - 1 - number for number, name in enumerate(names)}
    rows = rows.groupby(["day", "who"])["n"].sum().reset_index()
    total = rows.groupby("day")["n"].transform("sum")
    c = colors(scheme)
    mark = {
        "type": "scatter", "mode": "markers", "yaxis": "y3",
        "x": rows["day"].tolist(),
        "y": [line_of[name] for name in rows["who"]],
        "marker": {
            "symbol": "square", "size": 9, "color": c.main,
            "opacity": (0.25 + 0.75 * rows["n"] / total).round(2).tolist(), "line": {"width": 0},
        },
        "customdata": [
            [label(name), int(n)] for name, n in zip(rows["who"], rows["n"], strict=True)
        ],
        "hovertemplate": f"{HOVER_DAY}<br>%{{customdata[0]}}: %{{customdata[1]}} splices"
        "<extra></extra>",
    }  # fmt: skip
    axis = {
        "range": [-0.6, len(names) - 0.4], "tickmode": "array", "fixedrange": True,
        "tickvals": [line_of[name] for name in names],
        "ticktext": [label(name, 14) for name in names],
        "showgrid": False, "zeroline": False, "automargin": True, "title": {"text": ""},
    }  # fmt: skip
    return _Strip([mark], axis, 22 * len(names) + 24)


def _accepted_words(accepted_db: float | None, top: float) -> str:
    if accepted_db is None or accepted_db <= HEADROOM * top:
        return ""
    return f"The accepted average of {accepted_db:.2f} dB lies above this scale."


def _in_words(table: pd.DataFrame) -> str:
    judged = table[table["low_db"].notna() & table["high_db"].notna()]
    last = table.iloc[-1]
    text = f"{count_text(len(table), 'day')}, {int(table['splices'].sum()):,} splices"
    excluded = int(table["excluded"].sum())
    if excluded:
        text += f" ({count_text(excluded, 'day')} left out by a person)"
    if judged.empty:
        return f"{text}; too few days so far to say what to expect."
    above = int((judged["capped_mean_db"] > judged["high_db"]).sum())
    expected = ", not judged"
    if pd.notna(last["expected_db"]) and pd.notna(last["low_db"]):
        expected = (
            f", {last['expected_db']:.3f} dB was to be expected ({last['low_db']:.3f} to "
            f"{last['high_db']:.3f})"
        )
    return (
        f"{text}; {above} of {len(judged)} lie above the band. Last day, "
        f"{day_text(date.fromisoformat(last['day']))}: {last['capped_mean_db']:.3f} dB with single "
        f"high values capped{expected}."
    )
