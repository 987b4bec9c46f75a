"""The crew week by week: mean loss with the accepted level, and places right first time."""

from collections.abc import Hashable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from arcdrift.figures.events import OVER_IT, event_layers
from arcdrift.figures.picture import Picture, nothing
from arcdrift.figures.plain_figure import dots, level_line, line, note, plain_figure
from arcdrift.figures.stream_chart import HEADROOM, NO_EVENTS, REACH
from arcdrift.figures.theme import Scheme, colors
from arcdrift.wording import percent_text

FEWEST_SPLICES = 20
"""A week with fewer is drawn in gray, and gives no title."""
COLUMNS = ["week", "days", "splices", "mean_db", "over_010", "errors", "places", "again"]


def crew_weeks(days: pd.DataFrame) -> pd.DataFrame:
    """Sum days of the crew to weeks.

    Parameters
    ----------
    days : DataFrame
        Rows of ``result_crew_days``.

    Returns
    -------
    DataFrame
        `COLUMNS`: ``week`` (its Monday, ISO), days with splices, splices with a loss, their mean
        (dB, as logged), how many were over 0.10 dB, how many attempts ended with an error, places
        of which it is known whether they were right first time, and those that were not.
    """
    known = days[days["mean_db"].notna()]
    if known.empty:
        return pd.DataFrame(columns=COLUMNS)
    day = pd.to_datetime(known["day"])
    monday = (day - pd.to_timedelta(day.dt.day_of_week, unit="D")).dt.strftime("%Y-%m-%d")
    rows = known.assign(week=monday, total=known["mean_db"] * known["splices"], days=1)
    weeks = rows.groupby("week", as_index=False)[["days", "splices", "total", *COLUMNS[4:]]].sum()
    weeks["mean_db"] = weeks.pop("total") / weeks["splices"].where(weeks["splices"] > 0)
    return weeks[COLUMNS]


def crew_weeks_chart(
    weeks: pd.DataFrame,
    events: pd.DataFrame = NO_EVENTS,
    *,
    accepted_db: float,
    running: str = "",
    scheme: Scheme = "light",
) -> Picture:
    """Draw the crew's mean loss week by week.

    Parameters
    ----------
    weeks : DataFrame
        From `crew_weeks`.
    events : DataFrame
        Service events, ``at`` (naive local), ``action`` and ``asset``.
    accepted_db : float
        Accepted average.
    running : str
        Monday (ISO) of the running week, which is drawn hollow.
    """
    if weeks.empty:
        return nothing("No splices with a loss in this period.", weeks)
    c = colors(scheme)
    at = pd.to_datetime(weeks["week"]) + pd.Timedelta(days=2)  # in the middle of the workdays
    figure = plain_figure(scheme, y_title="Mean loss of a splice, dB", height=280)
    layout = figure["layout"]
    top = float(weeks["mean_db"].max())
    inside = accepted_db <= REACH * top
    scale = HEADROOM * (max(top, 1.03 * accepted_db) if inside else top)
    layout["yaxis"] |= {"range": [0, scale], "tickformat": ".2f", "nticks": 6}
    first, last = at.iloc[0] - pd.Timedelta(days=4), at.iloc[-1] + pd.Timedelta(days=4)
    layout["xaxis"] |= {"range": [first.isoformat(), last.isoformat()]}
    hollow = (weeks["week"] == running) | (weeks["splices"] < FEWEST_SPLICES)
    ends = (pd.to_datetime(weeks["week"]) + pd.Timedelta(days=6)).dt.strftime("%-d %b %Y")
    hover = (
        "%{customdata[0]} to %{customdata[1]}<br>%{y:.4f} dB a splice, %{customdata[2]:,} splices"
        "<br>%{customdata[3]:,} over 0.10 dB; %{customdata[4]}<extra></extra>"
    )
    begins = pd.to_datetime(weeks["week"]).dt.strftime("%-d %b")
    figure["data"] += [
        line(at, weeks["mean_db"], c.main, hoverinfo="skip"),
        dots(
            at, weeks["mean_db"], c.main, size=8,
            symbol=np.where(hollow, "circle-open", "circle").tolist(),
            customdata=[
                list(row) for row in zip(
                    begins, ends, weeks["splices"].tolist(), weeks["over_010"].tolist(),
                    [_right_text(week) for week in weeks.to_dict("records")], strict=True)
            ],
            hovertemplate=hover,
        ),
    ]  # fmt: skip
    newest = weeks.iloc[-1]
    words = f"{newest['mean_db']:.3f}" + (" so far" if newest["week"] == running else "")
    layout["annotations"].append(
        note(at.iloc[-1].isoformat(), float(newest["mean_db"]), words, c.ink,
             yanchor="bottom", xanchor="right", yshift=6)
    )  # fmt: skip
    accepted = f"accepted on average {accepted_db:.2f} dB"
    if inside:
        shape, text = level_line(accepted_db, accepted, c.limit, scheme)
        layout["shapes"].append(shape)
        layout["annotations"].append(text)
    else:
        layout["annotations"].append(
            note(1, 1, f"{accepted}: above this scale ↑", c.limit, xref="paper", yref="paper",
                 xanchor="right", yanchor="top", yshift=-14)
        )  # fmt: skip
    marks, _, sentence = event_layers(events, first=first, last=last, scheme=scheme)
    figure["data"] += marks
    if marks:
        layout["yaxis2"] = OVER_IT
    splices = int(weeks["splices"].sum())
    mean = float((weeks["mean_db"] * weeks["splices"]).sum() / splices)
    summary = (
        f"{splices:,} splices in {len(weeks)} weeks, mean {mean:.3f} dB; lowest week "
        f"{weeks['mean_db'].min():.3f}, highest {weeks['mean_db'].max():.3f}. "
        f"Accepted on average: {accepted_db:.2f} dB. {sentence}"
    ).strip()
    return Picture(figure, summary, weeks)


def _right_text(week: Mapping[Hashable, Any]) -> str:
    """Share of a week's places that were right first time, in words."""
    if not week["places"]:
        return "no place assessed"
    share = 1.0 - week["again"] / week["places"]
    return f"{percent_text(share)} of {week['places']:,} places right first time"


def last_week(weeks: pd.DataFrame, running: str) -> tuple[float, float | None] | None:
    """Mean loss of the last week that is over, and of the four before it, dB; None without one.

    Parameters
    ----------
    weeks : DataFrame
        From `crew_weeks`.
    running : str
        Monday (ISO) of the running week.
    """
    return _last_mean(weeks, running, weeks["mean_db"] * weeks["splices"], weeks["splices"])


def last_week_right(weeks: pd.DataFrame, running: str) -> tuple[float, float | None] | None:
    """Share of places right first time in the last week that is over, and in the four before it.

    Parameters are those of `last_week`.
    """
    return _last_mean(weeks, running, weeks["places"] - weeks["again"], weeks["places"])


def _last_mean(
    weeks: pd.DataFrame, running: str, total: pd.Series, of: pd.Series
) -> tuple[float, float | None] | None:
    """Sum over count of the last week that is over, and of the four before it."""
    over = (weeks["week"] < running) & (of >= FEWEST_SPLICES)
    if not over.any():
        return None
    last = weeks.loc[over, "week"].iloc[-1]
    since = (pd.Timestamp(last) - pd.Timedelta(weeks=4)).strftime("%Y-%m-%d")
    before = over & (weeks["week"] >= since) & (weeks["week"] < last)
    means = [
        float(total[chosen].sum() / of[chosen].sum()) if chosen.any() else None
        for chosen in (over & (weeks["week"] == last), before)
    ]
    return (means[0], means[1]) if means[0] is not None else None
