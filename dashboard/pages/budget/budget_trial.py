"""Part of the Design page: alarms under the requested budget, compared with those on record."""

from typing import Any

import numpy as np
import pandas as pd
from dash import dcc, html

from arcdrift.analysis.budget.replay_alarms import ALARM_COLUMNS
from arcdrift.analysis.common.days import WORKDAYS_PER_MONTH, workdays_of
from arcdrift.errors import ArcdriftError
from arcdrift.figures.alarm_timeline import alarm_timeline
from arcdrift.shares import Shares
from arcdrift.wording import change_text, count_text, percent_text
from dashboard import ids
from dashboard.components import (
    View,
    card,
    chart,
    csv_button,
    csv_link,
    notice,
    period,
    share_table,
    shown_day,
)
from dashboard.kept_parts import kept_with_results
from dashboard.pages.budget.budget_query import DEFAULT_PERIOD, RequestedBudget, requested_budget
from dashboard.subjects import MEASURES, chart_address, subject_title
from dashboard.url_query import search

SHOWN = 60
NEAR_DAYS = 14
"""Alarms of one chart under two budgets match when they are at most this many days apart."""
KEYS = ["measure", "subject_type", "subject_id", "side"]


def trial_slot(view: View, requested: RequestedBudget) -> html.Div:
    """Return the container of the alarms: filled for the present budget, else loaded into it."""
    used, shares, _ = view.data.budget_in_use()
    if (requested.budget, requested.shares) == (used, shares):
        return html.Div(trial_card(view))
    return html.Div(
        notice("Working out which alarms there would have been …", name="pending"),
        id=ids.trial_slot(search(view.query)),
    )


def trial_alarms(view: View, requested: RequestedBudget) -> pd.DataFrame:
    """Return alarms of the chosen period under the requested budget or under the present one.

    Adds ``now``: days by which the present budget's alarm of the same chart came later (negative:
    sooner), missing where it gave none; and ``only_now``, for alarms that would be gone.
    """
    used, shares, _ = view.data.budget_in_use()
    budget, tried_shares = (
        (used, shares) if requested.problem else (requested.budget, requested.shares)
    )
    return _alarms_beside_present(view, budget, tuple(tried_shares.model_dump().items()))


@kept_with_results
def _alarms_beside_present(
    view: View, budget: float, tried_shares: tuple[tuple[str, float], ...]
) -> pd.DataFrame:
    used, shares, _ = view.data.budget_in_use()
    first = view.first_day(DEFAULT_PERIOD)
    tried = view.data.alarms_under_budget(budget, Shares.model_validate(dict(tried_shares)))
    now = view.data.alarms_under_budget(used, shares)
    matched = match_alarms(tried, now).assign(only_now=False)
    gone = match_alarms(now, tried)
    gone = gone[gone["now"].isna()].assign(only_now=True, now=0.0)
    parts = [part for part in (matched, gone) if len(part)]
    if not parts:
        return pd.DataFrame(columns=[*ALARM_COLUMNS, "now", "only_now"])
    rows = pd.concat(parts, ignore_index=True)
    rows = rows[rows["day"] >= pd.Timestamp(first)] if first else rows
    rows = rows.sort_values(["day", *ALARM_COLUMNS[1:4]], ascending=False, ignore_index=True)
    return rows.assign(day=rows["day"].dt.strftime("%Y-%m-%d"))


def match_alarms(rows: pd.DataFrame, other_rows: pd.DataFrame) -> pd.DataFrame:
    """Add ``now`` to alarms: days to the nearest alarm of the same chart among other rows."""
    days_to_nearest = np.full(len(rows), np.nan)
    groups = {key: part["day"].to_numpy() for key, part in other_rows.groupby(KEYS)}
    keys = rows[KEYS].itertuples(index=False, name=None)
    for row, (key, day) in enumerate(zip(keys, rows["day"].to_numpy(), strict=True)):
        other_days = groups.get(key)
        if other_days is None:
            continue
        days_off = (other_days - day) / np.timedelta64(1, "D")
        nearest = days_off[np.abs(days_off).argmin()]
        if abs(nearest) <= NEAR_DAYS:
            days_to_nearest[row] = nearest
    return rows.assign(now=days_to_nearest)


def trial_card(view: View) -> html.Section:
    """Return the card that counts the alarms and draws them on a time line."""
    requested = requested_budget(view)
    try:
        rows = trial_alarms(view, requested)
    except ArcdriftError as problem:
        return card(notice(str(problem), name="bad"), title="On your own days")
    same = _is_present(view, requested)
    picture = alarm_timeline(
        [
            {
                "day": row["day"],
                "kind": KINDS[row["measure"]],
                "name": _name(row),
                "words": f"{MEASURES[row['measure']][row['side']]}: {how_far(row)}",
                "fate": "gone"
                if row["only_now"]
                else "new"
                if not same and pd.isna(row["now"])
                else "same",
                "href": chart_address(row),
            }
            for row in rows.to_dict("records")
        ],
        list(dict.fromkeys(KINDS.values())),
        scheme=view.scheme,
    )
    head = html.Div(
        [
            html.Ul([html.Li(text) for text in trial_words(view, rows)], className="answers"),
            html.Div(period(view, DEFAULT_PERIOD), className="filters trial-period"),
        ],
        className="trial",
    )
    if picture.figure is None:
        return card(head, notice("No alarm in this period.", name="good"), title=TITLE)
    drawn = chart(
        TITLE,
        picture,
        csv=csv_link("/budget", "alarms", view.query),
        hint="A mark is an alarm; click it to open its chart.",
        clicks="alarms",
    )
    return html.Section([card(head), drawn], className="trial-part")


TITLE = "Past alarms"
KINDS = {
    "level": "Loss", "spread": "Scatter", "dirty": "Dirty", "first_time": "Not right",
    "errors": "Errors", "arc": "Arc",
    "doubtful": "Doubtful check", "cleave": "Cleave angle",
}  # fmt: skip
"""Kinds of charts as short as a label at an axis."""


def _is_present(view: View, requested: RequestedBudget) -> bool:
    used, shares, _ = view.data.budget_in_use()
    return (requested.budget, requested.shares) == (used, shares)


def trial_words(view: View, rows: pd.DataFrame) -> list[str]:
    """Say how many alarms there would have been, and how many chance gives."""
    requested, same = requested_budget(view), _is_present(view, requested_budget(view))
    new, gone = rows["now"].isna(), rows["only_now"].astype(bool)
    days = _workdays(view)
    sentence = f"With {requested.budget:g} a month you would have had {_alarms((~gone).sum())}"
    if same:
        sentence = (
            f"With the present budget, {requested.budget:g} a month, you had {_alarms(len(rows))}"
        )
    lines = [
        f"{sentence} on these {days} workdays; chance alone gives about "
        f"{requested.budget * days / WORKDAYS_PER_MONTH:.1f}. "
        "The others point to something that changed."
    ]
    if not same:
        used = view.data.budget_in_use()[0]
        lines.append(
            f"The present budget, {used:g} a month, gave {_alarms(_present(view))}. "
            f"{new.sum()} of the alarms below would be new, {gone.sum()} would be gone; the "
            "others come on the same day, or a little sooner or later."
        )
    return lines


def trial_list(view: View) -> html.Div:
    """Return the alarms as a list."""
    requested = requested_budget(view)
    rows = trial_alarms(view, requested)
    if rows.empty:
        return html.Div(notice("No alarm in this period.", name="good"))
    return html.Div(
        [
            html.Div(csv_button("/budget", "alarms", view.query, "these alarms"), className="row"),
            _table(view, rows, same=_is_present(view, requested)),
        ]
    )


def _name(row: dict[Any, Any]) -> str:
    # charts of the arc and of cleave angles have no programs that they could sum
    alone = row["measure"] in ("arc", "doubtful", "cleave")
    if alone:
        return str(row["subject_id"])
    return subject_title(row["subject_type"], row["subject_id"]).replace(" / ", ", ", 1)


def _present(view: View) -> int:
    first = view.first_day(DEFAULT_PERIOD)
    used, shares, _ = view.data.budget_in_use()
    days = view.data.alarms_under_budget(used, shares)["day"]
    return int((days >= pd.Timestamp(first)).sum()) if first else len(days)


def _workdays(view: View) -> int:
    days = workdays_of(view.data.result("result_stream_days")["day"])
    return int((days >= view.first_day(DEFAULT_PERIOD)).sum())


def _alarms(number: int) -> str:
    return "no alarm" if number == 0 else count_text(number, "alarm")


def _table(view: View, rows: pd.DataFrame, *, same: bool) -> html.Div:
    heads = [("Day", ""), ("Who or what", ""), ("What", ""), ("How far", "")]
    if not same:
        heads.append(("With the present budget", ""))
    body, lines = [], []
    for row in rows.head(SHOWN).to_dict("records"):
        address = chart_address(row)
        name = _name(row)
        cells = [
            html.Td(shown_day(row["day"])),
            html.Td(dcc.Link(name, href=address)),
            html.Td(MEASURES[row["measure"]][row["side"]]),
            html.Td(how_far(row)),
        ]
        if not same:
            cells.append(html.Td(_now(row)))
        body.append(html.Tr(cells, className="gone-row" if row["only_now"] else ""))
        lines.append(
            html.Li(
                dcc.Link(
                    [
                        html.Div(
                            [
                                html.Strong(name),
                                html.Span(shown_day(row["day"]), className="muted"),
                            ],
                            className="row",
                        ),
                        html.Div(f"{MEASURES[row['measure']][row['side']]}: {how_far(row)}"),
                        None
                        if same
                        else html.Div(f"Present budget: {_now(row)}", className="muted"),
                    ],
                    href=address,
                    className="finding-link",
                )
            )
        )
    more = len(rows) - SHOWN
    return html.Div(
        [
            html.Div(share_table(heads, body, "trial-alarms"), className="wide-only"),
            html.Ul(lines, className="finding-list phone-only"),
            html.P(f"{more} earlier ones are in the CSV.", className="muted") if more > 0 else None,
        ]
    )


def _now(row: dict[Any, Any]) -> str:
    if row["only_now"]:
        return "had it; it would be gone"
    if pd.isna(row["now"]):
        return "did not have it"
    off = round(row["now"])
    if off == 0:
        return "the same day"
    return f"{count_text(abs(off), 'day')} {'later' if off > 0 else 'sooner'}"


def how_far(row: dict[Any, Any]) -> str:
    """Describe how far the day of an alarm was from what was expected."""
    value, expected = row["value"], row["expected"]
    if pd.isna(value) or pd.isna(expected):
        return "not known"
    if row["measure"] in ("arc", "doubtful"):
        return f"set to {value:g}, {expected:.0f} was expected"
    if row["measure"] in ("dirty", "first_time", "errors"):
        return f"{percent_text(value, 1)} that day, {percent_text(expected, 1)} was expected"
    change = f"{change_text(value / expected - 1)} that day" if expected > 0 else ""
    if row["measure"] == "level" and row["subject_type"] == "stream":
        return f"{change}: {value:.3f} dB, {expected:.3f} dB was expected"
    return f"{change} against what was expected"
