"""Cases in words: since when, where they stand, what came of them, where their subject is shown."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from dash import dcc, html

from arcdrift.analysis.cases.outcome import OF_USUAL, VERDICTS
from arcdrift.case import CLOSED_WORDS
from arcdrift.instants import day_text, instant_text
from arcdrift.wording import MINUS, capitalized
from dashboard.components import View
from dashboard.pages.findings.finding_words import IN_ORDER
from dashboard.url_query import href

Case = Mapping[str, Any]

KINDS: dict[str, str] = {
    "arc": "Arc",
    "loss": "Loss",
    "cleave": "Cleaver",
    "hand": "Preparation by hand",
    "checks": "Daily checks",
    "failed-check": "Work after a failed check",
    "doubtful-check": "Doubtful check",
    "electrodes": "Electrodes",
    "service": "Service due",
    "clock": "Splicer clock",
    "readings": "Air readings",
    "program": "Program",
    "estimate": "Estimated loss",
    "air": "Air of the day",
    "better": "Better than before",
}
"""Kinds of cases by cause, as short as a filter needs."""
NO_WORK_AT_THE_ARC = ("checks", "clock", "readings", "program", "estimate", "air", "better")
"""Kinds whose next step is done without touching a splicer or fiber."""
STILL_OPEN = ("too-early", "not-assessable")
"""Verdicts that say nothing of a case that was closed without waiting."""
HISTORY: dict[str, str] = {
    "started": "Started",
    "seen": "First alarm",
    "came-back": "Showed again",
    "taken-on": "Taken on",
    "done": "Done",
    "closed": "Closed",
    "reopened": "Opened again",
    "result": "Result",
}


def kind_of(case: Case) -> str:
    """Return the kind of a case: a key of `KINDS`."""
    return str(case["cause"]).split(":", maxsplit=1)[0]


def case_href(case_id: str) -> str:
    """Return the address of a case's page."""
    return f"/cases/{case_id}"


def local(view: View, case: Case, text: str) -> datetime:
    """Convert an instant of a case to the local time of its subject."""
    kind, name = str(case["subject"]["type"]), str(case["subject"]["id"])
    if kind == "splicer":
        zone = view.data.zone_of_splicer(name)
    else:
        zone = view.data.zone(name if kind == "site" else None)
    return datetime.fromisoformat(text).astimezone(zone)


def shown_instant(view: View, case: Case, text: str) -> str:
    """Format an instant of a case as local day and time."""
    return instant_text(local(view, case, text))


def shown_case_day(view: View, case: Case, text: str) -> str:
    """Format an instant of a case as a local day."""
    return day_text(local(view, case, text))


def onset_words(view: View, case: Case) -> list[Any]:
    """Say when it began, with the range of days it may have begun in."""
    words: list[Any] = [shown_case_day(view, case, case["since"])]
    first, last = case["since_earliest"], case["since_latest"]
    if first and last and first[:10] != last[:10]:
        early, late = (shown_case_day(view, case, day) for day in (first, last))
        words.append(html.Span(f"between {early} and {late}", className="aside"))
    return words


def state_text(view: View, case: Case) -> str:
    """Say where a case stands, and by whom."""
    state, closed = case["state"], case["closed"]
    if state == "closed" and closed is not None:
        who = f" by {closed['by']}" if closed["by"] else " by itself"
        why = f": {closed['why']}" if closed["why"] else ""
        at = shown_case_day(view, case, closed["at"])
        return f"Closed{who} on {at}, {CLOSED_WORDS.get(closed['how'], closed['how'])}{why}."
    if state == "new":
        days = int(case["days_open"])
        ago = "today" if days == 0 else f"{days:,} day{'' if days == 1 else 's'} ago"
        return f"New, nobody has it; first alarm {ago}."
    owner = case["owner"]
    if state == "taken-on":
        return f"Taken on by {owner}{_taken_on(view, case)}."
    last = case["actions"][-1] if case["actions"] else None
    of = f" of: {last['what']}" if last else ""
    return f"Waiting for the result{of}." + (f" {owner} has it." if owner else "")


def _taken_on(view: View, case: Case) -> str:
    rows = [row for row in case["history"] if row["what"] == "taken-on"]
    return f" on {shown_case_day(view, case, rows[-1]['at'])}" if rows else ""


def next_text(case: Case) -> str:
    """Return what to do next, without a reference to causes that stand elsewhere; maybe empty."""
    text = str(case["next_step"])
    if IN_ORDER not in text:
        return text
    before, _, rest = text.partition(IN_ORDER)
    return f"{before}{capitalized(rest)}"


def level_text(value: float, unit: str) -> str:
    """Format a level of a case's measure with its unit."""
    if unit == OF_USUAL:
        return f"{abs(value):.0f} % {'above' if value >= 0 else 'below'} usual"
    return f"{value:.3g} {unit}".replace("-", MINUS).strip()


def interval_text(low: float, high: float) -> str:
    """Format the 95 % interval of a level in percent."""
    return f"95 % interval {low:.0f} to {high:.0f} %".replace("-", MINUS)


def result_text(case: Case) -> str:
    """Say what came of the last action, with its interval where there is one; maybe empty."""
    result = case["result"]
    if result is None:
        return ""
    verdict = str(result["verdict"])
    if case["state"] == "closed" and verdict in STILL_OPEN:
        return ""
    text = str(case.get("result_text") or VERDICTS.get(verdict, verdict.replace("-", " ")))
    return f"{capitalized(text)}."


def began_text(view: View, case: Case) -> str:
    """Say since when, where the title of the case does not say it; else empty."""
    if " since " in str(case["title"]):
        return ""
    return f"Since {shown_case_day(view, case, case['since'])}."


def key_hint(what: str, does: str = "opens") -> html.P:
    """Return the line that says how a page is worked from the keyboard; not on a phone."""
    return html.P(
        [html.Kbd("j"), " and ", html.Kbd("k"), f" or the arrows go from {what}, ",
         html.Kbd("Enter"), f" {does} it."],
        className="muted hint wide-only key-hint",
    )  # fmt: skip


def subject_links(case: Case) -> list[Any]:
    """Return links to the pages of a case's subject."""
    kind, name = str(case["subject"]["type"]), str(case["subject"]["id"])
    if kind == "splicer":
        links = [(f"Open {name}", href("/splicer", splicer=name))]
        if "check" in kind_of(case):
            links.append(("Open its checks", href("/checks", splicer=name)))
    elif kind == "technician":
        links = [(f"Open {name}", href("/person", technician=name))]
    elif kind == "cleaver":
        links = [("Open blades", "/upkeep?what=blades"), ("Open cleave angles", "/coaching")]
    elif kind in ("site", "crew"):
        links = [("Open its loss chart", href("/loss", subject=f"{kind}:{name}"))]
    else:
        links = [("Open loss", "/loss")]
    return [dcc.Link(text, href=where, className="button") for text, where in links]
