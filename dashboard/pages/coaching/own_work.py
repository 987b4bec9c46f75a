"""How one person holds fiber, and whether haste costs them anything; on their own page only."""

from collections.abc import Hashable, Mapping
from typing import Any

import pandas as pd
from dash import html

from arcdrift.wording import change_interval_text, interval_text, number_text, percent_text
from dashboard.components import View, card, csv_button, share_table
from dashboard.pages.coaching.people_rows import Row, rows_of, rows_of_person

HOLDING = {
    "errors": "Attempts that failed",
    "angle": "Cleave angle",
    "spread": "Spread of cleave angles",
    "loss": "Loss",
}
HASTE = {"again": "Not right first time", "angle": "Cleave angle", "loss": "Loss"}
NO_HOLDING = (
    "No log says how the fiber was held. Export that column too (holding: clamp or holder) to see "
    "whether it matters."
)
NOBODY_BOTH = "Nobody used both clamps and holders, so that they cannot be compared."
ONE_WAY = (
    "Only one way of holding the fiber is on record here, so that there is nothing to compare."
)
NEVER_RANKED = (
    "People are never compared by how fast they work: it depends on what they are given to splice, "
    "and a figure of speed beside a name only makes people hurry. This compares one person's "
    "faster stretches of work with their own slower ones, on the same splicer and program, in the "
    "same month and part of the day."
)
HOW_MEASURED = (
    "A stretch is eight places in a row without a break of over 30 minutes. Its pace is measured "
    "between places that were right first time, since an attempt made again takes time by itself."
)


RANGES = (
    "In brackets the range of the true figure in 95 of 100 cases: one range in 20 misses it by "
    "chance, and a range with both more and less in it says nothing."
)


def _differing(rows: Mapping[str, Row], measures: Mapping[str, str], where: str) -> str:
    """Say of which measures the whole range lies on one side."""
    if all(pd.isna(rows[key]["low"]) for key in measures):
        return "Too few splices to tell a difference."
    sides: dict[str, list[str]] = {"more": [], "less": []}
    for key, text in measures.items():
        low, high = float(rows[key]["low"]), float(rows[key]["high"])
        if low > 1 or high < 1:
            sides["more" if low > 1 else "less"].append(text[0].lower() + text[1:])
    sentences = [f"{side} {where}: {', '.join(names)}" for side, names in sides.items() if names]
    if not sentences:
        return "No difference shown: no range lies wholly on one side."
    return f"{'; '.join(sentences).capitalize()}."


def holding_card(view: View, name: str) -> html.Section:
    """Return how a person's work differs between clamp and holder."""
    known = rows_of(view, "holding")
    own = known[(known["subject_type"] == "technician") & (known["subject"] == name)]
    title = "Clamp or holder"
    if own.empty:
        return card(html.P(_why_not_held(known), className="muted"), title=title)
    rows = {str(row["measure"]): row for row in own.to_dict("records")}
    heads = (("Measure", ""), ("Clamp", ""), ("Holder", ""), ("Holder in the same work", ""))
    return card(
        html.P(_differing(rows, HOLDING, "with the holder")),
        share_table(
            heads,
            [
                _compared_row(rows[key], text, ("clamp", "holder"), "clamp")
                for key, text in HOLDING.items()
            ],
            "worded",
        ),
        html.P(
            f"Within the same splicer, program and fibers, in {_days_used(view)}. {RANGES}",
            className="muted hint",
        ),
        title=title,
        aside=csv_button("/person", "holding", view.query, "clamp and holder"),
    )


def _why_not_held(known: pd.DataFrame) -> str:
    if known.empty:
        return NO_HOLDING
    return ONE_WAY if (known["subject_type"] == "technician").any() else NOBODY_BOTH


def _days_used(view: View) -> str:
    """Days that the analysis uses: as for preparation, from the first of a month on."""
    return f"the last {view.data.crew.prep.window_days} days or a little more"


def _compared_row(row: Row, text: str, ways: tuple[str, str], usual: str) -> html.Tr:
    """Return a measure of two ways of working, and what the one comes to in the other's work."""
    measure = str(row["measure"])
    return html.Tr(
        [
            html.Th(text, scope="row"),
            *(html.Td(_value(row[way], measure)) for way in ways),
            html.Td(change_cell(row, measure, usual)),
        ]
    )


def _value(value: Any, measure: str) -> str:
    if pd.isna(value):
        return "–"
    number = float(value)
    return {
        "errors": percent_text(number, 1),
        "again": percent_text(number, 1),
        "loss": f"{number_text(number, 3)} dB",
        "angle": f"{number_text(number, 2)}°",
    }.get(measure, f"{number_text(100 * number)} %")


def change_cell(row: Mapping[Hashable, Any], measure: str, usual: str) -> Any:
    """Return what the second way comes to in the work of the first, or that it cannot be told.

    Parameters
    ----------
    usual : str
        Column with the value of the first way.
    """
    if pd.isna(row["low"]) or pd.isna(row["high"]):
        return html.Span("too few to tell", className="muted")
    ratio, low, high = (float(row[key]) for key in ("ratio", "low", "high"))
    if measure in ("errors", "again"):
        share = float(row[usual])
        odds = share / (1 - share)
        value, least, most = (
            100 * times * odds / (1 + times * odds) for times in (ratio, low, high)
        )
        digits = 1 if value >= 1 else 2
        return (
            f"{interval_text(value, least, most, '%', digits)} "
            f"instead of {percent_text(share, digits)}"
        )
    return change_interval_text(ratio - 1, low - 1, high - 1)


def haste_card(view: View, name: str) -> html.Section | None:
    """Return whether a person's faster stretches differ from their slower ones."""
    own = rows_of_person(view, "haste", name)
    if own.empty:
        return None
    rows = {str(row["measure"]): row for row in own.to_dict("records")}
    first = rows["again"]
    fast, slow = (number_text(float(first[end]), 1) for end in ("fast_min", "slow_min"))
    heads = (
        ("Measure", ""),
        ("Faster third", ""),
        ("Slower third", ""),
        ("Faster in the same work", ""),
    )
    return card(
        html.P(
            f"{_differing(rows, HASTE, 'in the faster third')} About {fast} minutes from place to "
            f"place there, {slow} in the slower third."
        ),
        share_table(
            heads,
            [
                _compared_row(rows[key], text, ("fast", "slow"), "slow")
                for key, text in HASTE.items()
            ],
            "worded",
        ),
        html.P(
            f"In {_days_used(view)}. {RANGES}",
            className="muted hint",
        ),
        html.Details(
            [html.Summary("How to read this"), html.P(NEVER_RANKED), html.P(HOW_MEASURED)]
        ),
        title="When work is hurried",
        aside=csv_button("/person", "haste", view.query, "faster and slower stretches"),
    )
