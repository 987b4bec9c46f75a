"""Part of a stream's page: its outlier splices, and the loss accepted for it."""

from collections.abc import Hashable, Mapping
from typing import Any

import pandas as pd
from dash import dcc, html

from arcdrift.analysis.loss.outlier_splices import MEANING
from arcdrift.instants import day_text
from arcdrift.settings import Acceptance
from dashboard.components import View, card, csv_button, notice, share_table, shown_day
from dashboard.url_query import href

TITLE = "Single splices far out"
OUTSIDE = (
    "They are shown to be looked at, and are no alarms: they do not count against the "
    "false-alarm budget. Now and then a good splice is among them."
)
MOST_SHOWN = 8
SOURCES = {
    "average_db": "0.10 dB on average follows ITU-T L.12, now L.400 (read second-hand)",
    "single_db": "0.30 dB for a single splice follows TIA-568 (from memory)",
}


def exception_rows(view: View, default_period: str) -> pd.DataFrame:
    """Return the stream's outlier splices in the chosen period, newest first; times are local."""
    splicer, program = view.query.get("splicer", ""), view.query.get("program", "")
    rows = view.data.result("result_exceptions", splicer=splicer, program=program)
    rows = rows[rows["day"] >= view.first_day(default_period)]
    rows = rows.sort_values(["spliced_at", "splice_id"], ascending=False, ignore_index=True)
    zone = view.data.zone_of_splicer(splicer)
    at = pd.to_datetime(rows["spliced_at"], utc=True).dt.tz_convert(zone).dt.tz_localize(None)
    table = rows.assign(spliced_at=at)
    return table[["spliced_at", "loss_db", "limit_db", "technician", "location", "day"]]


def exceptions_card(view: View, default_period: str) -> html.Section:
    """Return the list with the limit in force, or why there is none."""
    rows = exception_rows(view, default_period)
    located = bool(rows["location"].notna().any())
    heads = [("Local time", ""), ("Loss, dB", ""), ("Limit then, dB", "wide-only")]
    if view.data.people.any_pages:
        heads.append(("Technician", ""))
    if located:
        heads.append(("Location", ""))
    listed = rows.head(MOST_SHOWN)
    more = len(rows) - len(listed)
    return card(
        html.P([MEANING, " ", OUTSIDE], className="muted hint"),
        html.P(_limit_words(view)),
        share_table(
            heads,
            [_row(view, row, located=located) for row in listed.to_dict("records")],
            "wraps",
        )
        if len(rows)
        else notice("None in this period."),
        html.P(f"{more:,} older ones are in the CSV.", className="muted") if more else None,
        name="exceptions",
        title=TITLE,
        aside=csv_button("/loss", "exceptions", view.query, "single splices far out"),
    )


def _limit_words(view: View) -> str:
    known = view.data.result(
        "result_single_limits",
        splicer=view.query.get("splicer", ""),
        program=view.query.get("program", ""),
    )
    if known.empty:
        return "No limit is known yet; the next review tells."
    row = known.iloc[0]
    judged = (
        f" Of {int(row['judged']):,} splices judged so far {int(row['exceptions']):,} were far out."
        if row["judged"]
        else ""
    )
    if pd.isna(row["limit_db"]):
        return f"There is no limit now. {row['refusal']}{judged}"
    return (
        f"The limit now is {row['limit_db']:.2f} dB, learned from the {int(row['splices']):,} "
        f"splices up to {shown_day(row['last_day'])}.{judged}"
    )


def _row(view: View, row: Mapping[Hashable, Any], *, located: bool) -> html.Tr:
    day = href("/loss", view.query, day=row["day"])
    at = row["spliced_at"]
    cells = [
        # a narrow column breaks between day and hour, never within the day
        html.Th(
            dcc.Link([html.Span(day_text(at), className="whole"), f" {at:%H:%M}"], href=day),
            scope="row",
        ),
        html.Td(html.Span(f"{row['loss_db']:.2f}", className="share")),
        html.Td(f"{row['limit_db']:.2f}", className="wide-only"),
    ]
    if view.data.people.any_pages:
        cells.append(html.Td(_logged(row["technician"])))
    if located:
        cells.append(html.Td(_logged(row["location"])))
    return html.Tr(cells)


def _logged(value: Any) -> str:
    return "not logged" if pd.isna(value) else str(value)


def accepted_average(rules: Acceptance, program: str) -> float:
    """Return the average accepted of a program, in dB."""
    accepted = rules.average_db
    for rule in rules.overrides:
        if rule.fibers is None and rule.program == program and rule.average_db is not None:
            accepted = rule.average_db
    return float(accepted)


def accepted_loss(rules: Acceptance, program: str) -> tuple[str, str]:
    """Describe the loss accepted for a stream, and the sources of the limits."""
    limits = {"average_db": rules.average_db, "single_db": rules.single_db}
    some_fibers = False
    for rule in rules.overrides:
        if rule.fibers is not None:
            some_fibers |= rule.program in (None, program)
        elif rule.program == program:
            limits |= {key: value for key in limits if (value := getattr(rule, key)) is not None}
    accepted = (
        f"{limits['average_db']:.2f} dB on average, {limits['single_db']:.2f} dB for one splice"
    )
    defaults = Acceptance()
    sources = [text for key, text in SOURCES.items() if limits[key] == getattr(defaults, key)]
    caveat = ("Not", "Neither was")[len(sources) - 1] + " seen in the standard itself."
    origin = f"Accepted loss: {'; '.join(sources)}. {caveat} " if sources else "Accepted loss: "
    return (
        accepted + (", other limits for some fibers" if some_fibers else ""),
        f"{origin}Your contract comes first; it is set under [acceptance] in crew.toml.",
    )
