"""Analyzing an open crew folder, and counting findings by severity."""

from collections import Counter
from collections.abc import Iterable
from contextlib import nullcontext
from typing import TYPE_CHECKING

from arcdrift.cli.crew_folder import CrewSession
from arcdrift.cli.output import print_notice, print_waiting, progress_bar

if TYPE_CHECKING:
    from arcdrift.analysis.review.review import Review
    from arcdrift.cli.executors.worker_processes import LastingWorkers


def review_crew(
    session: CrewSession,
    *,
    from_scratch: bool = False,
    executor: str | None = None,
    lasting: "LastingWorkers | None" = None,
) -> "Review":
    """Analyze the records of a crew, with a progress bar.

    Parameters
    ----------
    from_scratch : bool
        Whether to read every record again.
    executor : str, optional
        What was asked for (`arcdrift.cli.executors.executor_choice.chosen_executor`).
    lasting : LastingWorkers, optional
        Workers that stay after the review, instead.
    """
    with progress_bar("Analyzing", "splicers") as progress:
        from arcdrift.analysis.review.review import review
        from arcdrift.cli.executors.executor_choice import chosen_executor, lost_worker_notices

        with (
            nullcontext(lasting.pool())
            if lasting is not None
            else chosen_executor(session.engine, executor)
        ) as workers:
            done = review(
                session.engine,
                session.crew,
                progress=progress,
                executor=workers,
                from_scratch=from_scratch,
                waiting=print_waiting,
            )
            notices = lost_worker_notices(workers)
    for sentence in notices:
        print_notice(sentence)
    return done


def severity_counts_text(severities: Iterable[str]) -> str:
    """Return the number of findings of each severity as text."""
    counts = Counter(severities)
    return f"{counts['act']} to act on, {counts['watch']} to watch, {counts['note']} to note"


def review_findings_text(review: "Review") -> str:
    """Return the number of findings of each severity in a review as text."""
    return severity_counts_text(finding.severity for finding in review.findings)
