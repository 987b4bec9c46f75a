"""``arcdrift analyze``: work out everything anew from the stored records."""

from collections import Counter
from typing import TYPE_CHECKING, Any

from arcdrift.cli.crew_folder import OpenCrew, command, open_crew
from arcdrift.cli.options import HERE, AsJson, CrewFolder
from arcdrift.cli.output import counted, print_json, tell, working

if TYPE_CHECKING:
    from arcdrift.analysis.review.review import Review
    from arcdrift.finding import Severity

SEVERITIES: tuple["Severity", ...] = ("act", "watch", "note")


def analyze(crew: CrewFolder = HERE, as_json: AsJson = False) -> None:
    """Work out from the stored records what drifted, what was missed and what is due."""
    with open_crew(crew) as here:
        done = review_crew(here)
        unknown = sorted(set(done.names) - set(here.crew.splicers))
    if as_json:
        print_json(as_data(done))
        return
    tell(
        f"Analyzed {counted(done.splices, 'splice')} and {counted(done.checks, 'arc check')} of "
        f"{counted(done.splicers, 'splicer')} in {done.seconds:.1f} s.",
        f"Findings: {severity_words(done)}.",
        f"Next: {command('findings', crew)} lists them; {command('serve', crew)} shows them with "
        "their charts.",
    )
    if unknown:
        tell(
            f"crew.toml does not name {', '.join(unknown)}: their arc settings are taken as steps, "
            "and they borrow nothing from sister splicers. Add them under [splicers]."
        )


def review_crew(here: OpenCrew) -> "Review":
    """Analyze an open crew folder with its progress shown."""
    with working("Analyzing", "splicers") as progress:
        from arcdrift.analysis.review.review import review
        from arcdrift.cli.worker_processes import helping

        with helping(here.engine) as executor:
            return review(here.engine, here.crew, progress=progress, executor=executor)


def as_data(done: "Review") -> dict[str, Any]:
    """Shape of ``analyze --json``."""
    counts = dict.fromkeys(SEVERITIES, 0)
    counts |= Counter(finding.severity for finding in done.findings)
    return {
        "now": done.now,
        "splicers": done.splicers,
        "splices": done.splices,
        "checks": done.checks,
        "findings": counts,
        "seconds": done.seconds,
    }


def severity_words(done: "Review") -> str:
    """Count findings by severity, in words."""
    counts = Counter(finding.severity for finding in done.findings)
    return f"{counts['act']} to act on, {counts['watch']} to watch, {counts['note']} to note"
