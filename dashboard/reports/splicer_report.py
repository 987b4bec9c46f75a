"""One splicer: its verdict and setting, what is due, its arc and its losses over time."""

from datetime import timedelta
from typing import Any, NamedTuple

import pandas as pd

from arcdrift.analysis.advice.advice import CAUTIONS, Advice
from arcdrift.figures.arc_unexplained import unexplained_setting, unexplained_title
from arcdrift.figures.picture import Picture
from arcdrift.figures.stream_chart import stream_chart
from arcdrift.instants import instant_text
from arcdrift.verdicts import VERDICTS
from arcdrift.wording import change_text, interval_text, number_text
from dashboard.components import STATUS, View, shown_time
from dashboard.pages.loss.loss_changes import changes_of
from dashboard.pages.loss.outlier_card import accepted_average
from dashboard.pages.loss.stream import change_of, state_words
from dashboard.pages.splicer.advice_card import advice_now
from dashboard.pages.splicer.advice_words import air_words
from dashboard.pages.splicer.splicer import RECENT_DAYS, open_cases, open_change, points
from dashboard.pages.splicer.written_card import service_and_remarks
from dashboard.reports.crew_report import case_row
from dashboard.reports.imprint import advised_at
from dashboard.reports.named import asked_splicer
from dashboard.reports.report import Asked, Contents

CHART_DAYS = 120
"""Days in the charts of losses."""
MOST_PROGRAMS = 4
STATES = {"due": "! due", "unknown": "? not known", "ok": "✓ in order"}


class ProgramLoss(NamedTuple):
    """A program's losses on the splicer."""

    program: str
    words: str
    picture: Picture


def splicer_report(asked: Asked) -> Contents:
    """Return the contents of a splicer's report."""
    view, splicer = asked.view, asked_splicer(asked.view)
    advice, trouble = advice_now(view, splicer)
    known = view.data.crew.splicers.get(splicer)
    about = f"{known.model}, {known.home_site or 'no home site'}" if known else "not in crew.toml"
    now = advised_at(view).astimezone(view.data.zone_of_splicer(splicer))
    rows, change, unit = points(view), open_change(view, splicer), view.data.unit(splicer)
    tolerance = None if advice is None else advice.tolerance
    return Contents(
        splicer,
        f"{about}. {instant_text(now)}.",
        splicer,
        {
            "verdict": VERDICTS["cannot-tell" if advice is None else advice.verdict],
            "reasons": [trouble] if advice is None else list(advice.reasons),
            "facts": [] if advice is None else _facts(view, splicer, advice),
            "items": []
            if advice is None
            else [(STATES[i.state], i.what, i.words) for i in advice.start_of_day],
            "arc_title": unexplained_title(rows, change, tolerance, unit),
            "arc": unexplained_setting(
                rows, service_and_remarks(view, splicer), change, tolerance, unit=unit
            ),
            "checks": _checks(view, splicer),
            "cases": [case_row(view, case) for case in open_cases(view, splicer)],
            "programs": _programs(view, splicer),
            "cautions": CAUTIONS,
        },
        of_now=True,
    )


def _facts(view: View, splicer: str, advice: Advice) -> list[tuple[str, str]]:
    unit, needed = view.data.unit(splicer), advice.required
    last = advice.last_check
    facts = [
        ("In force", "no setting is stored" if advice.setting is None
         else f"{advice.setting:g} {unit}"),
        ("Needed", advice.basis_note if needed is None
         else interval_text(needed["value"], needed["low"], needed["high"], unit, 1)),
        ("Last passed check", shown_time(last, view.data, splicer) if last else "none on record"),
    ]  # fmt: skip
    if advice.tolerance is not None:
        facts.insert(2, ("Tolerance", f"{number_text(advice.tolerance, 1)} {unit}"))
    return [*facts, ("Air", air_words(advice).removeprefix("Air now: "))]


def _checks(view: View, splicer: str) -> str:
    days = view.data.result("result_check_days", splicer=splicer).sort_values("day")
    recent = days[days["status"] != "no-work"].tail(RECENT_DAYS)
    if recent.empty:
        return "No day with work is on record."
    counts = recent["status"].value_counts()
    words = ", ".join(
        f"{counts[status]} {STATUS[status][1]}" for status in STATUS if status in counts
    )
    return f"Arc checks of the last {len(recent)} days with work: {words}."


def _programs(view: View, splicer: str) -> list[ProgramLoss]:
    """Return the losses with each program, the most used first; nobody's hands."""
    first_day = (view.run.now - timedelta(days=CHART_DAYS)).date().isoformat()
    streams = view.data.result("result_streams", splicer=splicer)
    streams = streams[streams["last_day"] >= first_day].sort_values("splices", ascending=False)
    return [_program(view, splicer, row, first_day)
            for row in streams.head(MOST_PROGRAMS).to_dict("records")]  # fmt: skip


def _program(view: View, splicer: str, row: dict[Any, Any], first_day: str) -> ProgramLoss:
    program = str(row["program"])
    days = view.data.result("result_stream_days", splicer=splicer, program=program)
    days = days[days["day"] >= first_day]
    accepted = accepted_average(view.data.crew.acceptance, program)
    usual = None if pd.isna(row["baseline_db"]) else float(row["baseline_db"])
    words = (
        f"{state_words(row)}; what is usual is not known yet"
        if usual is None
        else f"usual {usual:.3f} dB, {change_text(change_of(row))} of late"
    )
    picture = stream_chart(
        days,
        service_and_remarks(view, splicer),
        usual_db=usual,
        accepted_db=accepted,
        changes=changes_of(view, row, days, first_day),
    )
    return ProgramLoss(program, f"{words}; {accepted:.2f} dB is accepted on average.", picture)
