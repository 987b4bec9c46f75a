"""Part of a person's page: signatures, each with the splices it is based on."""

from collections.abc import Callable, Hashable, Mapping
from functools import partial
from typing import Any

import pandas as pd
from dash import dcc, html

from arcdrift.analysis.common.days import record_sites, site_time_zones
from arcdrift.analysis.people.signature_splices import (
    COLUMNS,
    LEFT,
    LOSS,
    RIGHT,
    RULES,
    SignatureSplices,
)
from arcdrift.analysis.people.signatures import KINDS
from arcdrift.instants import day_text, instant_text
from arcdrift.settings import Crew
from arcdrift.wording import capitalized, count_text, interval_text, screen_text
from dashboard.components import View, card, csv_button
from dashboard.pages.coaching.people_rows import rows_of
from dashboard.url_query import href

Row = Mapping[Hashable, Any]
SHOWN = 12
NAMES = {LEFT: "left angle", RIGHT: "right angle", LOSS: "loss"}
HEADS = ("Time", "Splicer, program", "Left", "Right", "Loss", "Cleaver, blade", "Location")


def table(view: View, kind: str) -> pd.DataFrame:
    """Return the splices of a signature, with local times and names of the columns that matter."""
    signature = view.data.signature_splices(view.query.get("technician", ""), kind)
    if signature is None:
        return pd.DataFrame(columns=[*COLUMNS, "matters"])
    rows = _local(signature.rows, view.data.crew)
    names = {
        joined: ", ".join(NAMES[name] for name in joined.split(","))
        for joined in set(rows["matters"])
    }
    rows = rows.assign(matters=rows["matters"].map(names))
    return rows.rename(columns={"size": signature.size_name})


TABLES: dict[str, Callable[[View], pd.DataFrame]] = {
    f"splices-{kind}": partial(table, kind=kind) for kind in RULES
}


def _local(rows: pd.DataFrame, crew: Crew) -> pd.DataFrame:
    """Convert times to naive local times at each splice's site, and add a column ``time_zone``."""
    zones = site_time_zones(record_sites(rows, crew), crew)
    at = rows["spliced_at"].dt.tz_localize(None)
    for zone in zones.unique():
        in_zone = zones == zone
        local = rows.loc[in_zone, "spliced_at"].dt.tz_convert(zone).dt.tz_localize(None)
        at = at.mask(in_zone, local)
    signature = rows.assign(spliced_at=at)
    signature.insert(2, "time_zone", zones)
    return signature


def signatures_card(view: View) -> html.Section | None:
    """Return the card of a person's signatures; None without any."""
    rows = rows_of(view, "signatures")
    rows = rows[
        (rows["subject_type"] == "technician") & (rows["subject"] == view.query["technician"])
    ]
    title = "What stands out, splice by splice"
    if rows.empty:
        return None
    return card(
        html.P("Hints, not verdicts: look at each together.", className="muted hint"),
        html.Ul(
            [_signature(view, row) for row in rows.to_dict("records")], className="finding-list"
        ),
        title=title,
    )


def _signature(view: View, row: Row) -> html.Li:
    return html.Li(
        [
            html.Strong(KINDS[str(row["kind"])]),
            html.Div(screen_text(str(row["words"]))),
            html.Div(
                f"{_size(row)}; {count_text(int(row['splices']), 'splice')} on "
                f"{count_text(int(row['days']), 'day')}, {day_text(row['since'])} to "
                f"{day_text(row['until'])}.",
                className="muted",
            ),
            _behind(view, str(row["kind"])),
        ]
    )


def _size(row: Row) -> str:
    unit = str(row["unit"])
    value, low, high = (float(row[name]) for name in ("estimate", "low", "high"))
    if unit.startswith(("runs", "times")):
        return f"{unit.capitalize()}: {interval_text(value, low, high, '', 1)}"
    numbers = interval_text(100 * value, 100 * low, 100 * high, "%", signed=True)
    return f"{unit.capitalize()}: {numbers}"


def _behind(view: View, kind: str) -> Any:
    signature = view.data.signature_splices(view.query["technician"], kind)
    if signature is None or signature.rows.empty:
        return html.P(
            "The splices behind it are no longer on record; run `arcdrift analyze`.",
            className="muted",
        )
    count = len(signature.rows)
    splices = count_text(count, "splice")
    few = f", {SHOWN} of them here" if count > SHOWN else ""
    return html.Details(
        [
            html.Summary(f"{splices}{few}"),
            html.P(
                [f"{signature.words} In bold: ", html.Strong(_bold(signature)), "."],
                className="muted hint",
            ),
            _splices(view, signature),
            html.Div(
                [
                    html.Span(f"{splices} in all", className="muted"),
                    csv_button(
                        "/person", f"splices-{kind}", view.query,
                        f"all {splices} behind {KINDS[kind].lower()}",
                    ),
                ],
                className="row",
            ),
        ],
        open=True,
    )  # fmt: skip


def _bold(signature: SignatureSplices) -> str:
    """Return the names of the columns printed in bold."""
    to_look_at = {
        name for joined in signature.rows["matters"].unique() for name in joined.split(",")
    }
    return ", ".join(
        [*(text for name, text in NAMES.items() if name in to_look_at), signature.size_name]
    )


def _splices(view: View, signature: SignatureSplices) -> html.Table:
    size = capitalized(signature.size_name)
    heads = [*HEADS[:5], size, *HEADS[5:]]
    rows = _local(signature.rows.head(SHOWN), view.data.crew).to_dict("records")
    return html.Table(
        [
            html.Thead(html.Tr([html.Th(text, scope="col") for text in heads])),
            html.Tbody([_splice(row, heads) for row in rows]),
        ],
        className="plain-table splice-list",
    )


def _splice(row: Row, heads: list[str]) -> html.Tr:
    matters = str(row["matters"]).split(",")

    def measured(name: str, form: str) -> Any:
        text: str = form.format(row[name]) if pd.notna(row[name]) else "not logged"
        if name == LOSS and pd.notna(row["loss_below_db"]):
            text = f"<{row['loss_below_db']:g} dB"
        return html.Strong(text) if name in matters else text

    program: str = f", {row['program']}" if pd.notna(row["program"]) else ""
    blade = [row[name] if pd.notna(row[name]) else "not logged"
             for name in ("cleaver", "blade_position")]  # fmt: skip
    cells: list[Any] = [
        instant_text(row["spliced_at"]),
        [dcc.Link(row["splicer"], href=href("/splicer", splicer=row["splicer"])), program],
        measured(LEFT, "{:.1f}°"),
        measured(RIGHT, "{:.1f}°"),
        measured(LOSS, "{:.2f} dB"),
        html.Strong(f"{row['size']:.3g}"),
        "not logged" if set(blade) == {"not logged"} else f"{blade[0]}, {blade[1]}",
        row["location"] if pd.notna(row["location"]) else "not logged",
    ]
    return html.Tr(
        [
            html.Td(cell, **{"data-head": text})
            for cell, text in zip(cells, heads, strict=True)
        ]
    )  # fmt: skip
