"""Part of the Checks page: which splicers work on an unchecked arc now, since when, in whose hands.

The numbers are those of each splicer's verdict, so that both say the same.
"""

from collections.abc import Sequence
from typing import Any, NamedTuple

import pandas as pd
from dash import dcc, html

from arcdrift.wording import count_text
from dashboard.components import View, card, notice, status_tag
from dashboard.url_query import href


class Unchecked(NamedTuple):
    """A splicer at work on an unchecked arc.

    Attributes
    ----------
    since : Timestamp
        First splice that was made so, UTC.
    technician : str
        Who made most of the day's splices; empty where that is not logged or not to be shown.
    """

    splicer: str
    splices: int
    since: pd.Timestamp
    technician: str
    status: str


def unchecked_now(view: View) -> list[Unchecked]:
    """Return the splicers on an unchecked arc, the most splices first."""
    days = view.data.result("result_check_days")
    running = days[~days["day_over"].astype(bool) & (days["splices"] > 0)]
    today = {str(row["splicer"]): row for row in running.to_dict("records")}
    found = []
    for splicer, advice in view.data.crew_advice().items():
        unchecked = advice.unchecked
        if unchecked is None:
            continue
        row = today.get(splicer, {})
        name = row.get("technician")
        found.append(
            Unchecked(
                splicer,
                unchecked.splices,
                unchecked.since,
                "" if name is None or pd.isna(name) else str(name),
                str(row.get("status", "due")),
            )
        )
    return sorted(found, key=lambda unchecked: (-unchecked.splices, unchecked.splicer))


def unchecked_sentence(found: Sequence[Unchecked], at_work: int) -> str:
    """Say how many splicers work unchecked now."""
    if found:
        count = len(found)
        splices = count_text(sum(unchecked.splices for unchecked in found), "splice")
        return f"{count_text(count, 'splicer')} on an unchecked arc now: {splices} so far."
    if not at_work:
        return "No splice yet today. Every splicer is due a check before its first one."
    return "Every splicer at work today has passed its check."


def unchecked_card(view: View, found: Sequence[Unchecked], at_work: int) -> html.Section | None:
    """Return the card of who has to stop and check; None where the page's first line says all."""
    if not found:
        return (
            None
            if not at_work
            else card(
                notice(unchecked_sentence(found, at_work), name="good"), title="Unchecked now"
            )
        )
    return card(
        html.Ul([_row(view, unchecked) for unchecked in found], className="unchecked-list"),
        title="Unchecked now: stop and check",
    )


def _row(view: View, unchecked: Unchecked) -> html.Li:
    zone = view.data.zone_of_splicer(unchecked.splicer)
    since = unchecked.since.tz_convert(zone)
    who: Any = f"by {unchecked.technician}" if unchecked.technician else None
    failed = unchecked.status == "failed-only"
    return html.Li(
        [
            dcc.Link(
                unchecked.splicer,
                href=href("/splicer", splicer=unchecked.splicer),
                className="name",
            ),
            html.Strong(count_text(unchecked.splices, "splice"), className="unchecked-count"),
            html.Span([f"since {since:%H:%M}", f" {who}" if who else ""]),
            status_tag("failed-only") if failed else None,
        ],
        className="unchecked-row",
    )
