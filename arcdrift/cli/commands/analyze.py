"""``arcdrift analyze``: runs the analysis of the stored records."""

from collections import Counter
from typing import TYPE_CHECKING, Annotated, Any

import typer

from arcdrift.cli.analysis_run import review_crew, review_findings_text
from arcdrift.cli.crew_folder import (
    CrewSession,
    command_text,
    open_crew,
    print_records_in_future,
)
from arcdrift.cli.options import CURRENT_FOLDER, AsJson, CrewFolder
from arcdrift.cli.output import count_noun, print_json, print_lines, print_notice
from arcdrift.finding import SEVERITY_ORDER

if TYPE_CHECKING:
    from arcdrift.analysis.review.review import Review


FromScratch = Annotated[
    bool,
    typer.Option(
        "--from-scratch",
        help="Read every record again, also of days that have not changed since the last analysis.",
    ),
]
ExecutorChoice = Annotated[
    str | None,
    typer.Option(
        "--executor",
        metavar="process:N | dask:ADDRESS",
        show_default="what pays on this machine",
        help="Where parts of the work are done beside this process: in N worker processes, or by "
        "the workers of the Dask scheduler at an address.",
    ),
]


def analyze(
    folder: CrewFolder = CURRENT_FOLDER,
    from_scratch: FromScratch = False,
    executor: ExecutorChoice = None,
    as_json: AsJson = False,
) -> None:
    """Work out from the stored records what drifted, what was missed and what is due."""
    with open_crew(folder) as session:
        review = review_crew(session, from_scratch=from_scratch, executor=executor)
        print_records_in_future(session)
        counts = case_counts(session)
        unknown = sorted(set(review.names) - set(session.crew.splicers))
        for sentence in session.crew.notices:
            print_notice(sentence)
    if as_json:
        print_json(json_object(review) | {"cases": counts})
        return
    print_lines(
        f"Analyzed {count_noun(review.splices, 'splice')} and "
        f"{count_noun(review.checks, 'arc check')} of {count_noun(review.splicers, 'splicer')} in "
        f"{review.seconds:.1f} s.",
        f"Findings: {review_findings_text(review)}.",
        f"Cases: {case_counts_text(counts)}.",
        f"Next: {command_text('cases', folder)} lists what to work on, "
        f"{command_text('findings', folder)} every finding; {command_text('serve', folder)} shows "
        "them with their charts.",
    )
    if unknown:
        print_lines(
            f"crew.toml does not name {', '.join(unknown)}: their arc settings are taken as steps, "
            "and they borrow nothing from sister splicers. Add them under [splicers]."
        )


def case_counts(session: CrewSession) -> dict[str, int]:
    """Return how many cases there are in each state, of those that are work for somebody."""
    from arcdrift.analysis.cases.cases_from_store import read_cases
    from arcdrift.case import STATES

    told = Counter(case["state"] for case in read_cases(session.engine) if case["told"])
    return {state: told[state] for state in STATES}


def case_counts_text(counts: dict[str, int]) -> str:
    """Return the number of cases in each state as text."""
    from arcdrift.case import STATES

    return ", ".join(f"{counts[state]:,} {words}" for state, words in STATES.items())


def json_object(review: "Review") -> dict[str, Any]:
    """Return what ``analyze --json`` prints."""
    counts = dict.fromkeys(SEVERITY_ORDER, 0)
    counts |= Counter(finding.severity for finding in review.findings)
    return {
        "now": review.now,
        "splicers": review.splicers,
        "splices": review.splices,
        "checks": review.checks,
        "findings": counts,
        "seconds": review.seconds,
    }
