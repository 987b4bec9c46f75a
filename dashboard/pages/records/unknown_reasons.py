"""Part of the page Records: logged reasons of errors of which no word is known."""

from dash import html

from arcdrift.error_reasons import CLASSES, line_for_crew_toml
from arcdrift.wording import count_text
from dashboard.components import card, share_table
from dashboard.reading.data import CrewData

SHOWN = 12
"""Reasons shown."""


def unknown_reasons_card(data: CrewData) -> html.Section | None:
    """Return the reasons and what to write into crew.toml; None where all are known.

    It is for trainers and leads, who can change that file.
    """
    if not data.viewer.has_role("trainer"):
        return None
    unknown = data.unknown_reasons()
    if not unknown:
        return None
    total = sum(unknown.values())
    names = data.names_of_people()
    shown = {
        data.people.written({"": reason}, names)[""]: splices
        for reason, splices in list(unknown.items())[:SHOWN]
    }
    return card(
        html.P(
            f"{count_text(len(unknown), 'reason')} in the logs that no word list has, so that "
            f"{count_text(total, 'failed splice')} {'counts' if total == 1 else 'count'} as other. "
            "Write into crew.toml what they are, and analyze again:"
        ),
        html.Pre("\n".join(("[error_reasons]", line_for_crew_toml(next(iter(shown)))))),
        share_table(
            (("Reason as logged", ""), ("Failed splices", "number")),
            [
                html.Tr([html.Td(reason), html.Td(f"{splices:,}", className="number")])
                for reason, splices in shown.items()
            ],
            "unknown-reasons wraps",
        ),
        html.P(f"The {SHOWN} commonest are shown.", className="muted hint")
        if len(unknown) > SHOWN
        else None,
        html.P(
            f"What a reason can be: {', '.join(CLASSES.values())}.",
            className="muted hint",
        ),
        title="Reasons of errors not known",
    )
