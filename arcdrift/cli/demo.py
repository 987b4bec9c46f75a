"""``arcdrift demo``: an invented crew from its logs to the dashboard, in one command."""

import shutil
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

import arcdrift
from arcdrift.cli.analyze import review_crew, severity_words
from arcdrift.cli.crew_folder import open_crew
from arcdrift.cli.findings import print_findings
from arcdrift.cli.import_files import import_one, print_reports
from arcdrift.cli.output import tell
from arcdrift.cli.serve import HOST, Port, serve_folder
from arcdrift.errors import BadInput, UsageError

if TYPE_CHECKING:
    from arcdrift.analysis.review.review import Review
    from arcdrift.intake.storing.import_file import ImportReport
    from arcdrift.settings import Crew

FOLDER = Path("arcdrift-demo")
LOGS = ("arc-checks.csv", "splices.csv.gz", "readings.csv", "service.csv")
TOP = 3


def demo(
    folder: Annotated[
        Path, typer.Argument(metavar="[DIR]", help="Folder for the invented crew.")
    ] = FOLDER,
    port: Port = None,
    no_serve: Annotated[
        bool, typer.Option("--no-serve", help="Stop after the summary; no dashboard.")
    ] = False,
) -> None:
    """Show what arcdrift does, on the logs of an invented crew; ends with the dashboard."""
    sample = sample_folder()
    _take_settings(sample, folder)
    with open_crew(folder) as here:
        reports = [import_one(here, sample / name) for name in LOGS]
        done = review_crew(here)
        _print_summary(here.crew, reports, done)
    if no_serve:
        tell(f"Next: `arcdrift serve --crew {folder}` shows it all on a dashboard.")
    else:
        serve_folder(folder, HOST, port)


def sample_folder() -> Path:
    """Folder of the sample logs: inside an installed package, or beside it in a checkout.

    Raises
    ------
    BadInput
        When they are in neither place.
    """
    package = Path(arcdrift.__file__).parent
    for place in (package / "sample", package.parent / "data" / "sample"):
        if (place / "crew.toml").is_file():
            return place
    raise BadInput("The sample logs are missing from this installation; install arcdrift anew.")


def _take_settings(sample: Path, folder: Path) -> None:
    """Copy the sample's crew.toml; never over a crew of somebody's own."""
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
                f"`arcdrift demo {FOLDER}`."
            )
        return
    if any(folder.iterdir()):
        raise UsageError(f"{folder} is not empty; give the demo a new folder.")
    try:
        shutil.copyfile(sample / CREW_FILE, folder / CREW_FILE)
    except OSError as problem:
        raise BadInput(f"{folder} cannot be written: {problem.strerror}.") from None


def _print_summary(crew: "Crew", reports: "Sequence[ImportReport]", done: "Review") -> None:
    tell(f"{crew.name}: an invented scenario; no such people, machines or places exist.", "")
    print_reports(reports)
    rows = sum(report.balance.rows for report in reports)
    tell(
        f"{rows:,} rows were read and every one is accounted for; `arcdrift quarantine` shows "
        "the broken ones, which were left in the logs on purpose.",
        "",
        f"As of {done.now:%Y-%m-%d}, {done.splices:,} splices and {done.checks:,} arc checks of "
        f"{done.splicers} splicers say: {severity_words(done)}. The first of them:",
        "",
    )
    print_findings(_top(done), crew)
    tell("`arcdrift findings`, `checks` and `advise SPLICER` tell more; add --json for scripts.")


def _top(done: "Review") -> list[dict[str, Any]]:
    from arcdrift.finding import SEVERITY_ORDER

    ordered = sorted(
        done.findings, key=lambda item: (SEVERITY_ORDER[item.severity], -item.until.timestamp())
    )
    return [item.to_json() for item in ordered[:TOP]]
