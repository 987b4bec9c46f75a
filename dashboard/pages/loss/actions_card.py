"""Part of a stream's page: its loss before and after each action on its splicer."""

from datetime import timedelta

import pandas as pd
from dash import html

from arcdrift.figures.events import MINOR
from arcdrift.instants import day_text
from arcdrift.wording import change_text, number_text
from dashboard.components import View, card, share_table

SPAN_DAYS = 10
"""Days with splices on each side of an action that are compared."""
FEWEST_DAYS = 3
MOST_ACTIONS = 5


def actions_table(days: pd.DataFrame, service: pd.DataFrame) -> pd.DataFrame:
    """Compare the days before and after each weighty action on a splicer, the latest first.

    Parameters
    ----------
    days : DataFrame
        Rows of ``result_stream_days`` of one stream.
    service : DataFrame
        ``at`` (naive local) and ``action``.

    Returns
    -------
    DataFrame
        ``at``, ``action``, ``before_db`` and ``after_db`` (mean of a splice as logged in up to
        `SPAN_DAYS` days, NaN with fewer than `FEWEST_DAYS`), ``days_before``, ``days_after``.
        The day of the action counts for neither side.
    """
    rows = []
    day = pd.to_datetime(days["day"])
    for event in service[~service["action"].isin(MINOR)].to_dict("records"):
        at = pd.Timestamp(event["at"])
        before = days[day < at.normalize()].sort_values("day").tail(SPAN_DAYS)
        after = days[day > at.normalize()].sort_values("day").head(SPAN_DAYS)
        # days of long ago say nothing of the action
        near = timedelta(days=4 * SPAN_DAYS)
        before = before[pd.to_datetime(before["day"]) >= at - near]
        after = after[pd.to_datetime(after["day"]) <= at + near]
        rows.append(
            {"at": at, "action": event["action"], "before_db": _mean(before),
             "after_db": _mean(after), "days_before": len(before), "days_after": len(after)}
        )  # fmt: skip
    columns = ["at", "action", "before_db", "after_db", "days_before", "days_after"]
    return pd.DataFrame(rows, columns=columns).sort_values("at", ascending=False, ignore_index=True)


def _mean(days: pd.DataFrame) -> float:
    if len(days) < FEWEST_DAYS:
        return float("nan")
    return float(days["total"].sum() / days["splices"].sum())


def actions_card(view: View, splicer: str, days: pd.DataFrame) -> html.Section | None:
    """Return the last actions with the loss before and after each; None without any."""
    service = view.data.service(splicer)
    first = view.first_day("90")
    service = service[service["at"].dt.strftime("%Y-%m-%d") >= first]
    rows = actions_table(days, service).head(MOST_ACTIONS)
    if rows.empty:
        return None
    body = [
        html.Tr(
            [
                html.Th(
                    [row["action"], html.Span(day_text(row["at"]), className="aside")], scope="row"
                ),
                html.Td(_db(row["before_db"])),
                html.Td(_db(row["after_db"])),
                html.Td(_change(row["before_db"], row["after_db"])),
            ]
        )
        for row in rows.to_dict("records")
    ]
    heads = [("Done", ""), ("Before, dB", ""), ("After, dB", ""), ("Change", "")]
    return card(
        share_table(heads, body, "actions wraps"),
        html.P(
            f"Mean of all splices in up to {SPAN_DAYS} days of work on each side, not adjusted for "
            "hands; a day or two of chance can look like a change.",
            className="muted hint",
        ),
        title="Before and after each service",
    )


def _db(value: float) -> str:
    return "too few days" if pd.isna(value) else number_text(value, 3)


def _change(before: float, after: float) -> str:
    if pd.isna(before) or pd.isna(after) or before <= 0:
        return "–"
    return change_text(after / before - 1.0)
