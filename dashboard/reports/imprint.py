"""What a report says of itself: as of when, from which imports, with which version and settings."""

import hashlib
from dataclasses import dataclass
from datetime import datetime

import arcdrift
from arcdrift.instants import day_text, instant_text
from arcdrift.store.imports.import_list import read_imports
from arcdrift.wording import count_text, number_text
from dashboard.components import View

MARK_LENGTH = 12
"""Characters of a SHA-256 that are told; with so many, two differ by chance never."""


@dataclass(frozen=True)
class Imprint:
    """The lines at the end of a report.

    Attributes
    ----------
    as_of : str
        The instant of the crew's clock that the report speaks of.
    records, program, settings : str
        Sentences.
    """

    as_of: str
    records: str
    program: str
    settings: str


def imprint(view: View, *, present: bool = False) -> Imprint:
    """Return the imprint of a report.

    It names no file, because a file may be named after a person.

    Parameters
    ----------
    present : bool
        Whether the report speaks of now rather than of the last analysis.
    """
    now = advised_at(view) if present else view.run.now
    zone = view.data.zone()
    return Imprint(
        f"{instant_text(now.astimezone(zone))}, {zone.key}",
        _records(view),
        f"arcdrift {arcdrift.__version__}.",
        _settings(view),
    )


def advised_at(view: View) -> datetime:
    """Return the instant (UTC) of which advice speaks now: never before the last analysis."""
    return max(view.data.present(), view.run.now)


def _records(view: View) -> str:
    imports = read_imports(view.data.engine)
    counted = imports[imports["undone_at"].isna()].sort_values("id")
    if counted.empty:
        return "No file is imported."
    newest = counted["started_at"].iloc[-1].tz_convert(view.data.zone())
    ids = f"{counted['id'].iloc[0]} to {counted['id'].iloc[-1]}"
    one = len(counted) == 1
    words = (
        f"{count_text(view.run.splices, 'splice')} and {count_text(view.run.checks, 'check')} from "
        f"{count_text(len(counted), 'import')} (number {counted['id'].iloc[0] if one else ids} of "
        f"`arcdrift imports`, the last on {day_text(newest)}; mark of their contents "
        f"{_mark(''.join(counted['sha256']))})."
    )
    if view.data.outdated():
        words += " Records have changed since the analysis that this report tells."
    return words


def _settings(view: View) -> str:
    crew = view.data.crew
    accepted = crew.acceptance
    special = f", {count_text(len(accepted.overrides), 'special limit')}" * bool(accepted.overrides)
    return (
        f"Accepted loss {accepted.average_db:.2f} dB on average and {accepted.single_db:.2f} dB "
        f"for one splice{special}; {number_text(crew.false_alarms_per_month, 1)} false alarms a "
        f"month; workdays begin at {crew.day_starts_at}. Mark of all settings {_mark(repr(crew))}."
    )


def _mark(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:MARK_LENGTH]
