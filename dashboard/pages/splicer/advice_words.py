"""The air and the numbers behind a splicer's advice, in words."""

from typing import Any

from dash import html

from arcdrift.analysis.advice.advice import MODEL_REASON, OFF_FROM, Advice
from arcdrift.quantities import QUANTITIES
from arcdrift.wording import interval_text, number_text, probability_text
from dashboard.components import View, facts, shown_time

AIR = (
    ("temperature", "temperature_c", 1.0),
    ("pressure", "pressure_hpa", 1.0),
    ("humidity", "humidity_pct", 5.0),
)
"""Key in the address, column, and step of each quantity of the air."""
PART_WORDS = {"air": "Air", "wear": "Electrode wear", "unexplained": "Unexplained"}


def air_words(advice: Advice, label: str = "Air now") -> str:
    """Say what air the advice is for, and from where it is known."""
    air = advice.air
    if air is None:
        return f"{label}: no recent reading."
    readings = [
        f"{number_text(air[column])} {QUANTITIES[column].symbol}"
        for _, column, _ in AIR
        if air[column] is not None
    ]
    age = air["age_min"]
    return (
        f"{label}: {', '.join(readings) or 'nothing known'}; {air['source']}"
        + (f", {age:.0f} min old" if age is not None else "")
        + "."
        + (f" {air['note']}" if air["note"] is not None else "")
    )


def why_details(view: View, splicer: str, advice: Advice) -> html.Details:
    """Return the further reasons and the numbers, folded."""
    rest = [reason for reason in advice.reasons if reason != one_reason(advice)]
    numbers: list[tuple[str, Any]] = []
    if advice.probability is not None:
        numbers.append(
            ("Chance of being off by more than the tolerance", probability_text(advice.probability))
        )
    numbers.append(
        (
            "Last passed check",
            shown_time(advice.last_check, view.data, splicer) if advice.last_check else "none",
        )
    )
    numbers += [
        (
            f"{PART_WORDS.get(part['part'], part['part'])}, change since that check",
            interval_text(part["change"], part["low"], part["high"], part["unit"], 1, signed=True),
        )
        for part in advice.breakdown
    ]
    return html.Details(
        [
            html.Summary("Why, in numbers"),
            html.Ul([html.Li(reason) for reason in rest], className="reasons") if rest else None,
            facts(numbers),
            html.P(air_words(advice), className="air-line"),
            html.P(
                f"{advice.basis_note} What stands in brackets is where the value lies with 95 % "
                "confidence.",
                className="muted hint",
            ),
            html.P(advice.worth["sentence"]) if advice.worth is not None else None,
            html.Ul(
                [
                    html.Li([html.Strong(note["program_class"]), f" programs: {note['note']}"])
                    for note in advice.program_classes
                ]
            )
            if advice.program_classes
            else None,
        ],
        className="why-details",
    )


def one_reason(advice: Advice) -> str:
    """Return the reason that stands below the verdict.

    Where it is the setting itself, the gauge below tells the numbers, and they are not told twice.
    """
    reason = (advice.reasons or (advice.basis_note,))[0]
    if not reason.startswith(MODEL_REASON):
        return reason
    if advice.probability is not None and advice.probability >= OFF_FROM:
        return "The setting is off: the air or the electrodes ask for another one."
    return "The setting fits the air and the electrodes."
