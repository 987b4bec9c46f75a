"""Splices over the accepted limit that somebody should go back to, by place."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

import pandas as pd
from dash import dcc, html

from arcdrift.errors import UsageError
from arcdrift.instants import day_text
from arcdrift.store.cases.case_statements import MAX_NAME_LENGTH
from arcdrift.wording import count_text
from dashboard import ids
from dashboard.components import View, card, csv_button, heading, notice, select
from dashboard.forms import remembered_name_field, typed_name
from dashboard.pages.cases.case_forms import NEEDS_NAME, FieldProblems
from dashboard.reading.data import CrewData
from dashboard.reading.revisit_rows import RevisitRows, Row
from dashboard.static_html import static_part

PLACE = "revisit"
"""Where the page says what was last ticked off."""
ADDRESS = "/cases/revisit"
ON_THE_CASES_PAGE = 3
OPEN_SHOWN = 200
"""Open splices listed at most; the download has all."""
SITE_SHOWN = 6
"""Splices of a site that are not folded."""
DONE_SHOWN = 50
"""Splices dealt with that are listed at most."""
HOW = (
    "Measure from both ends, make again what is still over the limit, then tick it off. Never look "
    "into a fiber that may carry light, and collect the glass shards."
)
COLUMNS = (
    "splice", "site", "place", "made_at", "splicer", "program", "loss_db", "limit_db", "state",
    "made_again_at", "made_again_db", "ticked_off_by", "ticked_off_at", "note",
)  # fmt: skip


def chosen_rows(view: View) -> RevisitRows:
    """Return the splices under the URL's filters."""
    return view.data.revisit_rows(view.query.get("site"), view.query.get("splicer"))


def revisit_table(view: View) -> pd.DataFrame:
    """Return the splices under the URL's filters as a table; times are UTC."""
    rows = chosen_rows(view).rows
    again = view.data.losses_made_again(rows)

    def stamp(at: datetime | None) -> str:
        return "" if at is None else at.isoformat().replace("+00:00", "Z")

    found = [
        (
            row["splice_id"], row["site"], row["location"], stamp(row["spliced_at"]),
            row["splicer"], row["program"], row["loss_db"], row["limit_db"], row["state"],
            stamp(row["made_again_at"]), again.get(row["splice_id"]), row["ticked_off_by"],
            stamp(row["ticked_off_at"]), row["note"],
        )
        for row in rows
    ]  # fmt: skip
    return pd.DataFrame(found, columns=list(COLUMNS))


def revisit_card(view: View) -> html.Section:
    """Return the part of the Cases page: how many, and the newest ones."""
    rows = view.data.revisit_rows().waiting
    if not rows:
        return card(
            notice("No splice over the accepted limit waits to be looked at again.", name="good"),
            title="Splices to revisit",
            aside=dcc.Link("Those dealt with", href=ADDRESS),
        )
    return card(
        html.Ul(
            [
                html.Li(
                    [
                        html.Strong(place_text(row)),
                        html.Span(made_text(view, row), className="muted"),
                    ],
                    className="row mark-line",
                )
                for row in rows[:ON_THE_CASES_PAGE]
            ],
            className="finding-list",
        ),
        dcc.Link(
            f"All {len(rows):,} by place" if len(rows) > 1 else "Tick it off",
            href=ADDRESS,
            className="button big more",
        ),
        title="Splices to revisit",
    )


def render(view: View) -> html.Div:
    """Return the page."""
    everything, chosen = view.data.revisit_rows(), chosen_rows(view)
    count = len(chosen.waiting)
    line = f"{count:,} splice{'' if count == 1 else 's'} over the accepted limit, newest first."
    return html.Div(
        [
            dcc.Link("All cases", href="/cases", className="back"),
            html.Div(
                [heading("Splices to revisit", line), _filters(view, everything)],
                className="heading-row case-heading",
            ),
            html.Div(id=ids.case_answer(PLACE), role="status"),
            html.Div([remembered_name_field(), html.P(HOW, className="muted hint")])
            if chosen.waiting
            else None,
            _open(view, chosen.waiting, chosen=len(chosen.rows) < len(everything.rows)),
            _dealt_with(view, chosen.dealt_with),
            html.Div(csv_button("/cases", "revisit", view.query, "these splices"), className="row"),
        ]
    )


def _filters(view: View, everything: RevisitRows) -> html.Div:
    return html.Div(
        [
            select(name, label, [(one, one) for one in names], view.query.get(name))
            for name, label, names in (
                ("site", "Site", everything.sites),
                ("splicer", "Splicer", everything.splicers),
            )
        ],
        className="filters",
    )


def _open(view: View, rows: Sequence[Row], *, chosen: bool) -> html.Div:
    if not rows:
        text = "None here waits to be looked at again."
        return notice(f"{text} Clear a filter to see more." if chosen else text, name="good caveat")
    shown = rows[:OPEN_SHOWN]
    places: dict[str, dict[str, list[Row]]] = {}
    for row in shown:  # the site and closure of the newest splice come first
        site = str(row["site"] or "Site not logged")
        places.setdefault(site, {}).setdefault(_closure(row), []).append(row)
    left = len(rows) - len(shown)
    return html.Div(
        [
            *[
                _site_card(view, site, [row for found in closures.values() for row in found])
                for site, closures in places.items()
            ],
            html.P(f"{left:,} older ones are in the CSV.", className="muted") if left else None,
        ]
    )


def _site_card(view: View, site: str, rows: Sequence[Row]) -> html.Section:
    """Return the splices of a site, closure by closure; those after the first few are folded."""
    older = rows[SITE_SHOWN:]
    return card(
        static_part(
            html.Ul([_row(view, row) for row in rows[:SITE_SHOWN]], className="revisit-list"),
            html.Details(
                [
                    html.Summary(f"{len(older):,} older here"),
                    html.Ul([_row(view, row) for row in older], className="revisit-list"),
                ],
                className="revisit-older",
                **{"data-stays-open": site},
            )
            if older
            else None,
        ),
        title=f"{site}: {count_text(len(rows), 'splice')}",
        name="revisit-place",
    )


def _row(view: View, row: Row) -> html.Li:
    place = place_text(row)
    return html.Li(
        [
            html.Div(
                [
                    html.Strong(place),
                    html.Div(made_text(view, row), className="muted"),
                    None
                    if row["can_tell"]
                    else html.Div("The log cannot tell whether it was made again.",
                                  className="muted"),
                ]
            ),
            html.Button(
                "Tick off",
                className="button big",
                **{"aria-label": f"Tick off {place}", "data-tick": row["splice_id"]},
            ),
        ],
        className="revisit-row",
    )  # fmt: skip


def _dealt_with(view: View, rows: Sequence[Row]) -> html.Section | None:
    if not rows:
        return None
    shown = rows[:DONE_SHOWN]
    again, left = view.data.losses_made_again(shown), len(rows) - len(shown)
    return html.Section(
        html.Details(
            [
                html.Summary(f"Dealt with ({len(rows):,})"),
                static_part(
                    html.Ul(
                        [_done_row(view, row, again) for row in shown], className="revisit-list"
                    )
                ),
                html.P(f"{left:,} older ones are in the CSV.", className="muted") if left else None,
            ]
        ),
        className="card closed-cases",
    )


def _done_row(view: View, row: Row, again: Mapping[int, float]) -> html.Li:
    zone = view.data.zone_of_splicer(row["splicer"])
    undo = None
    if row["state"] == "ticked-off":
        text = f"ticked off by {row['ticked_off_by']}"
        text += f" on {day_text(row['ticked_off_at'].astimezone(zone))}"
        text += f": {row['note']}" if row["note"] else ""
        if view.data.may_undo_tick(row["ticked_off_by"], typed_name("")):
            undo = html.Button(
                "Put back",
                className="button big",
                **{"aria-label": f"Put back {place_text(row)}", "data-put-back": row["splice_id"]},
            )
    else:
        text = "made again"
        if row["made_again_at"] is not None:
            text += f" {day_text(row['made_again_at'].astimezone(zone))}"
        if row["splice_id"] in again:
            text += f": {again[row['splice_id']]:.2f} dB"
    return html.Li(
        [
            html.Div(
                [
                    html.Strong(place_text(row)),
                    html.Div(f"{made_text(view, row)}; {text}", className="muted"),
                ]
            ),
            undo,
        ],
        className="revisit-row",
    )


def place_text(row: Row) -> str:
    """Say where a splice is."""
    return str(row["location"] or "place not logged")


def _closure(row: Row) -> str:
    """Return the closure of a splice: its place as far as the first slash."""
    return place_text(row).split("/")[0].strip()


def made_text(view: View, row: Row) -> str:
    """Say what a splice lost, what is accepted, and when it was made on which splicer."""
    at = row["spliced_at"].astimezone(view.data.zone_of_splicer(row["splicer"]))
    return (
        f"{row['loss_db']:.2f} dB, {row['limit_db']:.2f} accepted; {row['splicer']}, "
        f"{day_text(at)}, {at:%H:%M}"
    )


def tick(data: CrewData, splice_id: int, fields: Mapping[str, Any]) -> str:
    """Tick a splice off as the person whose name is typed; return what to answer.

    Raises
    ------
    FieldProblems
        When the name is missing.
    UsageError
        When somebody else was faster, or it is not on the list; the sentence says so.
    """
    by = typed_name(fields.get("by"))
    if not by:
        raise FieldProblems({"by": NEEDS_NAME})
    if len(by) > MAX_NAME_LENGTH:
        raise FieldProblems({"by": f"A name may be {MAX_NAME_LENGTH} characters long."})
    row = _listed(data, splice_id)
    if row["state"] != "ticked-off":
        try:
            data.tick_off_splice(splice_id, by)
        except UsageError:
            row = _listed(data, splice_id)  # somebody else was faster
            if row["state"] != "ticked-off":
                raise
        else:
            return f"{place_text(row)} is ticked off by {by}."
    if row["ticked_off_by"] == by:
        return f"{place_text(row)} is ticked off by {by}."
    at = row["ticked_off_at"].astimezone(data.zone_of_splicer(row["splicer"]))
    raise UsageError(
        f"{row['ticked_off_by']} ticked {place_text(row)} off on {day_text(at)}, {at:%H:%M}; it is "
        "among those dealt with."
    )


def untick(data: CrewData, splice_id: int, fields: Mapping[str, Any]) -> str:
    """Put a splice back on the list; return what to answer.

    Raises
    ------
    UsageError
        When somebody ticked it off whose tick the viewer may not take back.
    """
    row = _listed(data, splice_id)
    if row["state"] == "ticked-off":
        data.undo_tick(splice_id, typed_name(fields.get("by")))
    return f"{place_text(row)} is on the list again."


def _listed(data: CrewData, splice_id: int) -> Row:
    row = next((one for one in data.splices_to_revisit() if one["splice_id"] == splice_id), None)
    if row is None:
        raise UsageError("This splice is no longer on the list; the page shows the list as it is.")
    return row
