"""The reports of a week and of a month, for the lead."""

from collections.abc import Mapping, Sequence
from datetime import timedelta
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from arcdrift.analysis.advice.upkeep_plan import UpkeepItem
from arcdrift.analysis.attempts.hints.hint_words import CAUSES
from arcdrift.analysis.attempts.period_costs import period_costs
from arcdrift.analysis.cases.week_story import plain, week_story
from arcdrift.analysis.loss.acceptance.accepted_limits import FEWEST_DAYS
from arcdrift.analysis.loss.acceptance.period_acceptance import acceptance_by
from arcdrift.figures.change_dots import change_dots
from arcdrift.figures.crew_weeks import crew_weeks, crew_weeks_chart
from arcdrift.wording import interval_text
from dashboard.components import View
from dashboard.pages.attempts.cost_card import (
    HOW,
    cost_sentence,
    hint_lines,
    hours_text,
    unknown_sentence,
)
from dashboard.pages.cases.case_words import (
    Case,
    began_text,
    next_text,
    result_text,
    state_text,
)
from dashboard.pages.cases.cases import pressing_first, told_cases
from dashboard.pages.cases.revisit import made_text, place_text
from dashboard.pages.upkeep.upkeep import POWER_OFF, all_items, due_text
from dashboard.pages.week.week import HINT, LABELS
from dashboard.pages.week.week_facts import (
    checks_in_time,
    closed_text,
    open_counts,
    right_first_time,
)
from dashboard.pages.week.week_query import running_monday
from dashboard.reading.period_splices import splices_of_period
from dashboard.reports.periods import Period, asked_period, weeks_of
from dashboard.reports.report import Asked, Contents

MOST_CASES, MOST_REVISITS, MOST_DUE = 12, 12, 16
"""Rows of each list; what is more is counted."""
CHART_WEEKS = 17
"""Weeks up to a month's end in its chart: the month and the quarter before it."""
DUE_WITHIN = {"week": timedelta(weeks=2), "month": timedelta(weeks=6)}
OVER, WITHIN, UNCLEAR = "over", "within", "cannot tell"
UNDER, ABOVE = "under", "above, few days"
"""States of a mean loss without an interval."""


class LossRow(NamedTuple):
    """One splicer and program against the accepted loss; positions are percent of the width."""

    name: str
    splices: int
    loss: str
    accepted: str
    over: int
    state: str
    at: float
    low: float
    high: float
    limit: float


class AgainRow(NamedTuple):
    """What made splices necessary again, and what they took."""

    cause: str
    attempts: int
    time: str
    arcs: int


class Listed(NamedTuple):
    """A row of a list: what comes first, and the details below."""

    title: str
    lines: list[str]


def week_report(asked: Asked) -> Contents:
    """Return the contents of a week's report."""
    period = asked_period(asked.view, "week")
    rows = asked.view.data.result("result_week_changes", week=period.first.isoformat())
    changes = [{str(key): row[key] for key in row} for row in rows.to_dict("records")]
    parts = _parts(asked.view, period, changes, "week")
    dots = change_dots(changes)
    return Contents(
        period.name,
        f"{period.days}.",
        period.key,
        {**parts, "dots": dots, "hint": HINT, "weeks": None},
    )


def month_report(asked: Asked) -> Contents:
    """Return the contents of a month's report."""
    view = asked.view
    period = asked_period(view, "month")
    parts = _parts(view, period, _standing_out(view, period), "month")
    weeks = crew_weeks(view.data.result("result_crew_days"))
    first = (period.last - timedelta(weeks=CHART_WEEKS)).isoformat()
    shown = weeks[(weeks["week"] > first) & (weeks["week"] <= period.last.isoformat())]
    running = running_monday(view).isoformat()
    picture = crew_weeks_chart(
        shown.reset_index(drop=True),
        view.data.all_service(),
        accepted_db=view.data.crew.acceptance.average_db,
        running=running,
    )
    return Contents(
        period.name,
        f"{period.days}.",
        period.key,
        {**parts, "dots": None, "hint": "", "weeks": picture},
    )


def _standing_out(view: View, period: Period) -> list[dict[str, Any]]:
    """Return, for each splicer and program, the latest week of a month in which it stood out."""
    rows = view.data.result("result_week_changes")
    mondays = [monday.isoformat() for monday in weeks_of(period)]
    inside = rows[rows["week"].isin(mondays) & rows["stands_out"].astype(bool)]
    latest = inside.sort_values("week").drop_duplicates(["splicer", "program"], keep="last")
    return [{str(key): row[key] for key in row} for row in latest.to_dict("records")]


def _parts(
    view: View, period: Period, changes: Sequence[Mapping[str, Any]], name: str
) -> dict[str, Any]:
    cases = told_cases(view)
    story = week_story(changes, cases, period.span)
    work = splices_of_period(view.data, period.first, period.last, period.ends)
    losses = loss_rows(acceptance_by(work, ["splicer", "program"]))
    checks = checks_in_time(view.data.result("result_check_days"), period.span)
    opened = pressing_first([case for case in cases if case["state"] != "closed"])
    opened = [case for case in opened if pd.Timestamp(case["seen"]) < period.span.ends]
    revisits = view.data.revisit_rows().waiting
    until = view.data.today() + DUE_WITHIN[name]
    due = [i for i in all_items(view) if i.state == "due" or (i.due and i.due <= until)]
    return {
        "period_name": name,
        "story": [(label, plain(getattr(story, key))) for label, key in LABELS],
        "by_week": name == "month",
        "checks": checks,
        "right": right_first_time(view.data.result("result_crew_days"), period.span),
        "states": open_counts(cases),
        "closed": closed_text(cases, period.span, name),
        "losses": losses,
        "fewest_days": FEWEST_DAYS,
        "loss_title": _loss_title(losses),
        "splices": len(work),
        "cases": [case_row(view, case) for case in opened[:MOST_CASES]],
        "more_cases": max(len(opened) - MOST_CASES, 0),
        "revisits": [(place_text(row), made_text(view, row)) for row in revisits[:MOST_REVISITS]],
        "more_revisits": max(len(revisits) - MOST_REVISITS, 0),
        "due": [due_row(item) for item in due[:MOST_DUE]],
        "more_due": max(len(due) - MOST_DUE, 0),
        **_made_again(view, period),
        "due_weeks": DUE_WITHIN[name].days // 7,
    }


def _made_again(view: View, period: Period) -> dict[str, Any]:
    """Return what splices made again cost in the period, and what errors point to."""
    rows = view.data.result("result_made_again")
    costs = period_costs(rows, period.first, period.last)
    by_cause = [
        AgainRow(
            CAUSES[str(row["cause"])],
            int(row["attempts"]),
            hours_text(row["minutes"]),
            int(row["arcs"]),
        )
        for row in costs.by_cause.to_dict("records")
    ]
    return {
        "again": cost_sentence(view, costs),
        "again_rows": by_cause,
        "again_hint": f"{HOW} {unknown_sentence(costs, 'these days')}".strip(),
        "again_points_to": hint_lines(view),
    }


def loss_rows(table: pd.DataFrame) -> list[LossRow]:
    """Return streams against the accepted loss, those over it first, then by their loss.

    Parameters
    ----------
    table : DataFrame
        Of `acceptance_by` splicer and program.
    """
    if table.empty:
        return []
    ends = table[["mean_db", "high_db", "accepted_db"]].to_numpy(dtype=np.float64)
    widest = 1.08 * float(np.nanmax(ends)) or 1.0
    rows = [
        LossRow(
            f"{row['splicer']}, {row['program']}",
            int(row["splices"]),
            f"{row['mean_db']:.3f} dB"
            if pd.isna(row["low_db"])
            else interval_text(row["mean_db"], max(row["low_db"], 0.0), row["high_db"], "dB", 3),
            f"{row['accepted_db']:.3f}".removesuffix("0"),
            int(row["over"]),
            loss_state(row),
            *(
                round(100 * (0.0 if pd.isna(row[key]) else max(float(row[key]), 0.0)) / widest, 2)
                for key in ("mean_db", "low_db", "high_db", "accepted_db")
            ),
        )
        for row in table.sort_values("mean_db", ascending=False).to_dict("records")
    ]
    return sorted(rows, key=lambda row: row.state != OVER)


def loss_state(row: Mapping[Any, Any]) -> str:
    """Say whether a mean loss is accepted, as far as its interval tells."""
    if pd.isna(row["low_db"]):
        return UNDER if row["mean_db"] <= row["accepted_db"] else ABOVE
    if row["low_db"] > row["accepted_db"]:
        return OVER
    return WITHIN if row["high_db"] <= row["accepted_db"] else UNCLEAR


def _loss_title(rows: Sequence[LossRow]) -> str:
    over = [row.name for row in rows if row.state == OVER]
    if not rows:
        return "Loss against the accepted level"
    if not over:
        return "Loss: no splicer and program is over the accepted level"
    if len(over) == 1:
        return f"Loss: {over[0]} is over the accepted level"
    return f"Loss: {len(over)} of {len(rows)} splicers and programs are over the accepted level"


def case_row(view: View, case: Case) -> Listed:
    """Return a case with where it stands and what comes next."""
    lines = [f"{state_text(view, case)} {began_text(view, case)}".strip()]
    waits = case["state"] == "waiting"
    if waits and result_text(case):
        lines.append(f"Result: {result_text(case)}")
    elif not waits and next_text(case):
        lines.append(f"Next: {next_text(case)}")
    return Listed(str(case["title"]), lines)


def due_row(item: UpkeepItem) -> tuple[str, str, str, str]:
    """Return when, what, of which machine and how much is left."""
    # the caution stands once, below the list
    return due_text(item), item.what, item.asset, item.words.removesuffix(POWER_OFF)
