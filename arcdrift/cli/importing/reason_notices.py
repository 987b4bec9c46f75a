"""Notices after an import of splices: reasons of errors whose words nobody knows."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from arcdrift.cli.crew_folder import CrewSession
from arcdrift.cli.output import count_noun
from arcdrift.error_reasons import ErrorReasons, line_for_crew_toml

if TYPE_CHECKING:
    from arcdrift.intake.storing.import_file import ImportReport

_NAMED = 3
"""Reasons that are named in a notice."""


def reason_notices(session: CrewSession, reports: "Sequence[ImportReport]") -> list[str]:
    """Sentences about reasons of errors that count as other until crew.toml says what they are."""
    from arcdrift.store.records.logged_reasons import logged_reasons

    reasons = ErrorReasons(session.crew.error_reasons)
    return [
        f"{report.file}: {_notice(unknown)}"
        for report in reports
        if report.kind == "splices" and report.balance.accepted
        if (unknown := reasons.unknown(logged_reasons(session.engine, report.import_id)))
    ]


def _notice(unknown: dict[str, int]) -> str:
    listed = ", ".join(
        f"{reason!r} ({count_noun(splices, 'splice')})"
        for reason, splices in list(unknown.items())[:_NAMED]
    ) + (", ..." if len(unknown) > _NAMED else "")
    verb = "counts" if len(unknown) == 1 else "count"
    return (
        f"{count_noun(len(unknown), 'reason')} of errors {verb} as other, because no word of it is "
        f"known: {listed}. Write into crew.toml, under [error_reasons], what it is, such as "
        f"{line_for_crew_toml(next(iter(unknown)))}; then analyze again."
    )
