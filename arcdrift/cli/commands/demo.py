"""``arcdrift demo``: imports the logs of an invented crew, analyzes and shows them."""

import shutil
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

import arcdrift
from arcdrift.cli.analysis_run import review_crew, review_findings_text
from arcdrift.cli.commands.cases import (
    listed_cases,
    now_of_results,
    print_cases,
    visible_cases,
)
from arcdrift.cli.commands.serve import HOST, Port, serve_folder
from arcdrift.cli.crew_folder import command_text, open_crew
from arcdrift.cli.importing.import_run import import_log, print_reports
from arcdrift.cli.output import print_lines
from arcdrift.errors import BadInput, UsageError
from arcdrift.instants import day_text

if TYPE_CHECKING:
    from arcdrift.analysis.review.review import Review
    from arcdrift.intake.storing.import_file import ImportReport
    from arcdrift.settings import Crew

DEFAULT_FOLDER = Path("arcdrift-demo")
LOGS = ("arc-checks.csv", "splices.csv.gz", "readings.csv", "service.csv")


def demo(
    folder: Annotated[
        Path, typer.Argument(metavar="[DIR]", readable=False, help="Folder for the invented crew.")
    ] = DEFAULT_FOLDER,
    port: Port = None,
    no_serve: Annotated[
        bool, typer.Option("--no-serve", help="Stop after the summary; no dashboard.")
    ] = False,
) -> None:
    """Import and analyze the logs of an invented crew, and show the dashboard."""
    sample = sample_folder()
    _copy_settings(sample, folder)
    with open_crew(folder) as session:
        reports = [import_log(session, sample / name) for name in LOGS]
        review = review_crew(session)
        cases = listed_cases(visible_cases(session), now_of_results(session))
        _print_summary(session.crew, reports, review, cases, folder)
    if no_serve:
        print_lines(f"Next: `arcdrift serve --crew {folder}` shows it all on a dashboard.")
    else:
        serve_folder(folder, HOST, port)


def sample_folder() -> Path:
    """Return the folder of the sample logs: in the installed package, or in a source checkout.

    Raises
    ------
    BadInput
        If they are in neither place.
    """
    package = Path(arcdrift.__file__).parent
    for candidate in (package / "sample", package.parent / "data" / "sample"):
        if (candidate / "crew.toml").is_file():
            return candidate
    raise BadInput("The sample logs are missing from this installation; install arcdrift anew.")


def _copy_settings(sample: Path, folder: Path) -> None:
    """Copy the sample's crew.toml into the folder; refuse a folder with other content."""
    from arcdrift.settings import CREW_FILE, load_crew

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise BadInput(f"{folder} cannot be made: {problem.strerror}.") from None
    if (folder / CREW_FILE).exists():
        present = load_crew(folder)
        if not present.invented or present.name != load_crew(sample).name:
            raise UsageError(
                f"{folder} holds another crew; give the demo another folder, such as "
                f"`arcdrift demo {DEFAULT_FOLDER}`."
            )
        return
    if any(folder.iterdir()):
        raise UsageError(f"{folder} is not empty; give the demo a new folder.")
    try:
        shutil.copyfile(sample / CREW_FILE, folder / CREW_FILE)
    except OSError as problem:
        raise BadInput(f"{folder} cannot be written: {problem.strerror}.") from None


def _print_summary(
    crew: "Crew",
    reports: "Sequence[ImportReport]",
    review: "Review",
    cases: list[dict[str, Any]],
    folder: Path,
) -> None:
    print_lines(f"{crew.name}: an invented scenario; no such people, machines or places exist.", "")
    print_reports(reports)
    rows = sum(report.balance.rows for report in reports)
    print_lines(
        f"{rows:,} rows were read and every one is accounted for; "
        f"{command_text('quarantine', folder)} shows the broken ones, which were left in the logs "
        "on purpose.",
        "",
        f"As of {day_text(review.now)}, {review.splices:,} splices and {review.checks:,} arc "
        f"checks of {review.splicers} splicers say: {review_findings_text(review)}. Findings of "
        "one cause on one subject are one case:",
        "",
    )
    print_cases(cases, folder, crew, shortened=True)
    print_lines(
        f"{command_text('findings', folder)}, {command_text('checks', folder)} and "
        f"{command_text('advise SPLICER', folder)} tell more; add --json for scripts."
    )
