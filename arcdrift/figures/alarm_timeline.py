"""Alarms of all charts on one time line, one row a kind of chart."""

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from arcdrift.figures.picture import Picture, nothing
from arcdrift.figures.plain_figure import HOVER_DAY, label, plain_figure
from arcdrift.figures.theme import Scheme, colors
from arcdrift.wording import count_text

LOOKS = (
    ("same", "circle", "under both budgets"),
    ("new", "diamond", "only under the budget tried"),
    ("gone", "x-thin-open", "gone under the budget tried"),
)
"""How an alarm fares under the budget tried, its symbol, and words for it."""


def alarm_timeline(
    alarms: Sequence[Mapping[str, Any]], kinds: Sequence[str], *, scheme: Scheme = "light"
) -> Picture:
    """Draw alarms by day and kind of chart.

    Parameters
    ----------
    alarms : sequence of mapping
        ``day`` (ISO), ``kind`` (one of `kinds`), ``name`` of what alarmed, ``words`` (how far it
        was out), ``fate`` (``same``, ``new`` or ``gone``) and ``href`` of its chart.
    kinds : sequence of str
        Kinds of charts, the uppermost row first; those without an alarm have an empty row.
    """
    table = pd.DataFrame(list(alarms), columns=["day", "kind", "name", "words", "fate", "href"])
    if table.empty:
        return nothing("No alarm in this period.", table)
    c = colors(scheme)
    figure = plain_figure(scheme, y_title="", height=40 * len(kinds) + 60)
    row_of = {kind: len(kinds) - 1 - number for number, kind in enumerate(kinds)}
    # several alarms of a kind on one day stand beside each other
    beside = table.groupby(["day", "kind"]).cumcount().mul(0.16).clip(upper=0.8)
    height = table["kind"].map(row_of).astype(float) + beside
    for fate, symbol, words in LOOKS:
        rows = table[table["fate"] == fate]
        if rows.empty:
            continue
        color = c.muted if fate == "gone" else c.rise if fate == "new" else c.main
        figure["data"].append(
            {
                "type": "scatter", "mode": "markers", "x": rows["day"].tolist(),
                "y": height[rows.index].round(3).tolist(),
                "marker": {"symbol": symbol, "size": 12, "color": color,
                           "line": {"width": 2 if fate == "gone" else 0, "color": color}},
                "customdata": [
                    [label(row["name"], 60), label(row["words"], 90), row["href"]]
                    for row in rows.to_dict("records")
                ],
                "hovertemplate": f"{HOVER_DAY}<br>%{{customdata[0]}}<br>%{{customdata[1]}}<br>"
                f"{words}<extra></extra>",
            }
        )  # fmt: skip
    figure["layout"]["yaxis"] |= {
        "range": [-0.6, len(kinds) - 0.3], "tickmode": "array", "automargin": True,
        "tickvals": [row_of[kind] for kind in kinds], "ticktext": list(kinds),
    }  # fmt: skip
    counts = table.groupby("kind").size().reindex(list(kinds)).dropna().astype(int)
    listed = ", ".join(f"{str(kind).lower()} {count}" for kind, count in counts.items())
    gone = int((table["fate"] == "gone").sum())
    summary = f"{count_text(len(table) - gone, 'alarm')}: {listed}."
    new = int((table["fate"] == "new").sum())
    if new or gone:
        summary += f" Diamonds ({new}) would be new, crosses ({gone}) would be gone."
    return Picture(figure, summary, table)
