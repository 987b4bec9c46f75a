"""Charts of one splicer's arc setting: over time, evidence of drift, and effects on it."""

import pandas as pd
import plotly.graph_objects as go

from arcdrift.figures.events import mark_events
from arcdrift.figures.marks import add_band, broken, extent
from arcdrift.figures.picture import Picture, nothing
from arcdrift.figures.stream_chart import NO_EVENTS
from arcdrift.figures.theme import Scheme, colors, new_figure
from arcdrift.instants import day_text

HISTORY_COLUMNS = [
    "at", "arc_setting", "expected", "expected_low", "expected_high", "beyond", "epoch", "excluded",
]  # fmt: skip


def arc_history(
    points: pd.DataFrame, events: pd.DataFrame = NO_EVENTS, *, unit: str, scheme: Scheme = "light"
) -> Picture:
    """Draw the arc setting of each passed check and what was expected from earlier checks.

    During an unexplained change the expectation is that of the level before it, so that the change
    stands as a step beyond air and wear, from its onset on.

    Parameters
    ----------
    points : DataFrame
        Rows of ``result_arc_points`` of one splicer with ``at``, the naive local time, and
        optionally ``by_hand``, whether a person wrote the check down.
    unit : str
        Unit of the arc setting.
    """
    table = points.sort_values("at").loc[:, HISTORY_COLUMNS]
    moved = (table["arc_setting"] - table["beyond"] - table["expected"]).fillna(0.0)
    for column in ("expected", "expected_low", "expected_high"):
        table[column] += moved
    shown = table[table["arc_setting"].notna()]
    if shown.empty:
        return nothing("No passed arc check with a setting in this period.", table)
    c = colors(scheme)
    figure = new_figure(scheme, y_title=f"Arc setting, {unit}")
    span = {"first": shown["at"].iloc[0], "last": shown["at"].iloc[-1]}
    marks = mark_events(figure, events, **span, scheme=scheme)
    add_band(
        figure,
        shown["at"],
        shown["expected_low"],
        shown["expected_high"],
        name="expected range (95 %)",
        color=c.band,
        group=shown["epoch"],
    )
    line = broken(shown[["at", "expected", "epoch"]], "epoch")
    figure.add_trace(
        go.Scatter(
            x=line["at"],
            y=line["expected"],
            name="expected for that day's air and wear",
            mode="lines",
            line={"color": c.expected, "width": 1.5, "dash": "dash"},
            hovertemplate=f"%{{x|%-d %b %Y}}<br>expected %{{y:.1f}} {unit}<extra></extra>",
        )
    )
    used = shown[shown["excluded"].isna()]
    figure.add_trace(
        go.Scatter(
            x=used["at"],
            y=used["arc_setting"],
            name="setting found by the check",
            mode="markers",
            marker={"color": c.main, "size": 7},
            customdata=_by_hand_notes(points, used),
            hovertemplate=f"%{{x|%-d %b %Y %H:%M}}<br>setting %{{y:g}} {unit}"
            "%{customdata}<extra></extra>",
        )
    )
    changed = shown[shown["beyond"].notna()]
    if not changed.empty:
        figure.add_trace(
            go.Scatter(
                x=changed["at"],
                y=changed["arc_setting"],
                name="beyond air and wear, from the level before the change",
                mode="markers",
                marker={
                    "symbol": "circle-open", "size": 11, "line": {"color": c.rise, "width": 1.5},
                },
                customdata=changed["beyond"],
                hovertemplate="%{x|%-d %b %Y %H:%M}<br>%{customdata:+.1f} "
                f"{unit} beyond air and wear<extra></extra>",
            )
        )  # fmt: skip
    left_out = shown[shown["excluded"].notna()]
    if not left_out.empty:
        figure.add_trace(
            go.Scatter(
                x=left_out["at"],
                y=left_out["arc_setting"],
                name="not used",
                mode="markers",
                marker={"symbol": "x-thin", "size": 8, "line": {"color": c.muted, "width": 2}},
                customdata=[
                    f"{reason}{note}"
                    for reason, note in zip(
                        left_out["excluded"], _by_hand_notes(points, left_out), strict=True
                    )
                ],
                hovertemplate="%{x|%-d %b %Y %H:%M}<br>setting %{y:g}<br>not used: "
                "%{customdata}<extra></extra>",
            )
        )
    drawn = shown[["arc_setting", "expected_low", "expected_high"]]
    low, high = extent(drawn)
    room = max(high - low, 1.0)
    figure.layout.yaxis.range = [low - 0.08 * room, high + 0.16 * room]
    judged = shown[shown["expected_low"].notna()]
    outside = int(
        (
            (judged["arc_setting"] < judged["expected_low"])
            | (judged["arc_setting"] > judged["expected_high"])
        ).sum()
    )
    last = shown.iloc[-1]
    summary = (
        f"{len(shown)} checks with a setting, from {shown['arc_setting'].min():g} to "
        f"{shown['arc_setting'].max():g} {unit}; the last one "
        f"({day_text(last['at'])}) found {last['arc_setting']:g} {unit}"
        + (f", expected {last['expected']:.1f}" if pd.notna(last["expected"]) else "")
        + (
            f". {outside} of {len(judged)} fell outside the expected range."
            if len(judged)
            else ". No expectation yet."
        )
    )
    if pd.notna(last["beyond"]):
        summary += (
            f" It lies {last['beyond']:+z.0f} {unit} beyond what air and wear explain, from the "
            "level before the change."
        )
    return Picture(figure, f"{summary} {marks}".strip(), table)


def _by_hand_notes(points: pd.DataFrame, used: pd.DataFrame) -> list[str]:
    """What to say of each check that a person wrote down; empty for the others."""
    if "by_hand" not in points:
        return [""] * len(used)
    by_hand = points.loc[used.index, "by_hand"]
    return ["<br>written by hand" if note else "" for note in by_hand]


def effects(table: pd.DataFrame, *, unit: str, scheme: Scheme = "light") -> Picture:
    """Draw effects on the arc setting with their 95 % intervals.

    Parameters
    ----------
    table : DataFrame
        Columns ``effect`` (words, with the size of change it speaks of), ``change``, ``low``
        and ``high`` in the setting's unit.
    """
    if table.empty:
        return nothing("No effects can be separated yet.", table)
    c = colors(scheme)
    rows = table.iloc[::-1]
    place = list(range(len(rows)))
    figure = new_figure(scheme, y_title="", height=90 + 56 * len(rows), over_time=False)
    figure.add_vline(x=0, line={"color": c.muted, "width": 1})
    # words above each bar: beside it, they would leave a phone no room for the bars
    figure.update_layout(
        annotations=[
            {"text": effect, "x": 0, "xref": "paper", "xanchor": "left", "y": at, "yshift": 20}
            | {"showarrow": False, "align": "left", "font": {"size": 12.5}, "bgcolor": c.surface}
            for at, effect in zip(place, rows["effect"], strict=True)
        ]
    )
    figure.add_trace(
        go.Scatter(
            x=rows["change"],
            y=place,
            text=rows["effect"],
            mode="markers",
            name="change of the setting, with 95 % interval",
            marker={"color": c.main, "size": 9},
            error_x={
                "type": "data",
                "symmetric": False,
                "array": rows["high"] - rows["change"],
                "arrayminus": rows["change"] - rows["low"],
                "color": c.main,
                "thickness": 2,
                "width": 6,
            },
            customdata=rows[["low", "high"]],
            hovertemplate=f"%{{text}}<br>%{{x:.1f}} {unit} (%{{customdata[0]:.1f}} to "
            "%{customdata[1]:.1f})<extra></extra>",
        )
    )
    figure.update_xaxes(title_text=f"Change of setting, {unit}")
    figure.update_yaxes(showgrid=False, showticklabels=False, range=[-0.5, len(rows) - 0.3])
    summary = (
        "; ".join(
            f"{effect}: {change:+z.1f} {unit} ({low:z.1f} to {high:z.1f})"
            for effect, change, low, high in table[["effect", "change", "low", "high"]].itertuples(
                index=False
            )
        )
        + "."
    )
    return Picture(figure, summary, table)
