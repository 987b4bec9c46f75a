"""Part of the page Records: how fresh and how whole the records are, and who could send more."""

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd
from dash import html

from arcdrift.analysis.checks.record_gaps import Heard, RecordGap, crew_days, record_gap
from arcdrift.instants import day_text, instant_text
from arcdrift.store.records.record_sources import RecordSource
from arcdrift.wording import count_text
from dashboard.components import card, notice, share_table
from dashboard.reading.data import CrewData

WINDOW_DAYS = 28
"""Days that are looked at for records."""
MISSING_NAMED = 6
IMPORT_DAYS = 10
HEADS = (
    ("Source", ""), ("Last record", ""), ("Days without", "number"),
    ("Checks without air", "number wide-only"), ("Splices without air", "number wide-only"),
)  # fmt: skip
KINDS = {
    "splicer": "",
    "readings of splicer": "air, measured by the splicer",
    "site logger": "air, site logger",
    "weather station": "air, weather station",
}
"""What a source is, beside its name."""


def coverage_card(data: CrewData) -> html.Section | None:
    """Return how fresh and whole the records are; None where there is none."""
    sources = data.record_sources(WINDOW_DAYS)
    if not sources:
        return None
    worked = crew_days(_heard(source) for source in sources if source.kind == "splicer")
    gaps = [(source, record_gap(_heard(source), worked)) for source in sources]
    missing = [(source, gap) for source, gap in gaps if gap.is_missing]
    air = _without_air(data)
    return card(
        _missing(data, missing, len(worked)),
        html.Details(
            [
                html.Summary(f"All {len(gaps)} sources, and imports by day"),
                share_table(HEADS, [_row(data, *pair, air) for pair in gaps], "coverage wraps"),
                html.P(
                    f"Days without are those of the last {WINDOW_DAYS} on which some splicer has a "
                    "record and this source has none; a splicer may have stayed in its case.",
                    className="muted hint",
                ),
                _by_day(data),
            ]
        ),
        title="How fresh and how whole",
    )


def _heard(source: RecordSource) -> Heard:
    return Heard(source.newest, source.days)


def _missing(
    data: CrewData, missing: Sequence[tuple[RecordSource, RecordGap]], worked: int
) -> html.Div:
    if not missing:
        words = "Every splicer and every source of air readings is up to date with the crew."
        return notice(words if worked else f"No record in {WINDOW_DAYS} days.", name="good")
    more = len(missing) - MISSING_NAMED
    return html.Div(
        [
            html.P("Not heard of while the crew worked:"),
            html.Ul(
                [
                    *(_missing_one(data, *pair) for pair in missing[:MISSING_NAMED]),
                    html.Li(f"and {count_text(more, 'other')}") if more > 0 else None,
                ]
            ),
        ],
        className="missing-sources",
    )


def _missing_one(data: CrewData, source: RecordSource, gap: RecordGap) -> html.Li:
    at = pd.Timestamp(source.newest).tz_convert(_zone(data, source))
    what = f" ({KINDS[source.kind]})" if KINDS[source.kind] else ""
    names = data.names_of_people()
    sender = data.people.written({"": source.sent_by}, names)[""] if source.sent_by else ""
    came = f"came in {source.file}" + (f", sent by {sender}" if sender else "")
    hand = data.last_hand(source.name) if source.kind == "splicer" else ""
    return html.Li(
        [
            html.Strong(f"{source.name}{what}: "),
            f"nothing since {day_text(at.date())}, {count_text(gap.quiet, 'crew day')} ago. The "
            f"last record {came}.",
            f" {hand} worked with it last." if hand else "",
        ]
    )


def _zone(data: CrewData, source: RecordSource) -> Any:
    return data.zone() if "site" in source.kind else data.zone_of_splicer(source.name)


def _row(
    data: CrewData, source: RecordSource, gap: RecordGap, air: Mapping[tuple[str, str], str]
) -> html.Tr:
    at = pd.Timestamp(source.newest).tz_convert(_zone(data, source))
    of_splicer = source.kind == "splicer"
    shares = [
        air.get((kind, source.name), "") if of_splicer else "" for kind in ("arc-checks", "splices")
    ]
    return html.Tr(
        [
            html.Td([html.Span(source.name, className="file-name"),
                     html.Span(KINDS[source.kind], className="aside")]),
            html.Td(instant_text(at)),
            html.Td(f"{gap.without} of {gap.of}", className="number"),
            *(html.Td(share, className="number wide-only") for share in shares),
        ]
    )  # fmt: skip


def _without_air(data: CrewData) -> dict[tuple[str, str], str]:
    """Share of checks and of splices without air, by kind and splicer."""
    rows = data.result("result_air_coverage")
    return {
        (row["kind"], row["splicer"]): f"{1 - row['with_air'] / row['rows']:.0%}"
        for row in rows.to_dict("records")
        if row["rows"]
    }


def _by_day(data: CrewData) -> html.Table | None:
    imports = data.imports()
    imports = imports[imports["undone_at"].isna()]
    if imports.empty:
        return None
    day = imports["started_at"].dt.tz_convert(data.zone()).dt.date
    days = imports.groupby(day).agg(
        files=("id", "size"), new=("accepted", "sum"), aside=("quarantined", "sum")
    )
    shown = days.sort_index(ascending=False).head(IMPORT_DAYS)
    return share_table(
        (("Imported on", ""), ("Files", "number"), ("Rows new", "number"), ("Set aside", "number")),
        [
            html.Tr(
                [
                    html.Td(day_text(at)),
                    *(html.Td(f"{row[name]:,}", className="number")
                      for name in ("files", "new", "aside")),
                ]
            )
            for at, row in zip(shown.index, shown.to_dict("records"), strict=True)
        ],
        "imports-by-day",
    )  # fmt: skip
