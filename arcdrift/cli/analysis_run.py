"""Analyzing an open crew folder, and counting findings by severity."""

from collections import Counter
from collections.abc import Iterable
from typing import TYPE_CHECKING

from arcdrift.cli.crew_folder import CrewSession
from arcdrift.cli.output import progress_bar

if TYPE_CHECKING:
    from arcdrift.analysis.review.review import Review


def review_crew(session: CrewSession, *, from_scratch: bool = False) -> "Review":
    """Analyze the records of a crew, with a progress bar.

    Parameters
    ----------
    from_scratch : bool
        Whether to read every record again.
    """
    with progress_bar("Analyzing", "splicers") as progress:
        from arcdrift.analysis.review.review import review
        from arcdrift.cli.worker_processes import worker_pool

        with worker_pool(session.engine) as executor:
            return review(
                session.engine,
                session.crew,
                progress=progress,
                executor=executor,
                from_scratch=from_scratch,
            )


def severity_counts_text(severities: Iterable[str]) -> str:
    """Return the number of findings of each severity as text."""
    counts = Counter(severities)
    return f"{counts['act']} to act on, {counts['watch']} to watch, {counts['note']} to note"


def review_findings_text(review: "Review") -> str:
    """Return the number of findings of each severity in a review as text."""
    return severity_counts_text(finding.severity for finding in review.findings)
