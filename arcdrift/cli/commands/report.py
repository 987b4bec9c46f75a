"""``arcdrift report``: one HTML file to print or to send, and a PDF of it."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from arcdrift.cli.crew_folder import open_crew, require_analysis
from arcdrift.cli.known_names import require_known
from arcdrift.cli.options import CURRENT_FOLDER, AsJson, CrewFolder
from arcdrift.cli.output import print_json, print_lines
from arcdrift.errors import BadInput, UsageError

if TYPE_CHECKING:
    from dashboard.reading.data import CrewData
    from dashboard.reports.report import Report, ReportKind

KindName = Literal["week", "month", "client", "shift", "splicer", "person", "card"]


def report(
    kind_name: Annotated[
        KindName,
        typer.Argument(
            metavar="KIND",
            help="week or month, for the lead; client: losses by place, without names of people; "
            "shift: all splicers on one page; splicer; person, for a talk; card: the settings to "
            "expect of a splicer, for its case.",
        ),
    ],
    name: Annotated[
        str | None,
        typer.Argument(
            metavar="[NAME]",
            help="The splicer or person; the week (2026-W46) or month (2026-11), by default the "
            "last one that is over.",
        ),
    ] = None,
    folder: CrewFolder = CURRENT_FOLDER,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", metavar="FILE", show_default="a name that says what it is",
            help="The HTML file to write.",
        ),
    ] = None,
    since: Annotated[
        str | None, typer.Option("--since", metavar="DAY", help="First day, in place of a month.")
    ] = None,
    until: Annotated[
        str | None, typer.Option("--until", metavar="DAY", help="Last day, by default today.")
    ] = None,
    pdf: Annotated[
        bool, typer.Option("--pdf", help="Also print it as PDF, by an installed Chromium.")
    ] = False,
    paper: Annotated[
        Literal["A4", "letter"] | None,
        typer.Option("--paper", help="Size of the paper.", show_default="A4 for --pdf"),
    ] = None,
    address: Annotated[
        str,
        typer.Option(
            "--address", metavar="URL",
            help="Where the dashboard is reached, for the code on a card that leads back to it.",
        ),
    ] = "",
    as_json: AsJson = False,
) -> None:  # fmt: skip
    """Write a report as one file to print or to send: a week, a month, a splicer's card, ..."""
    with open_crew(folder) as session:
        require_analysis(session)
        days = {"since": since or "", "until": until or ""}
        size = paper or ("A4" if pdf else "")
        found = _made(folder, kind_name, name, days, address.rstrip("/"), size)
        path = out or Path(f"{found.file_name}.html")
        _write(path, found.html)
        printed = _print(path) if pdf else None
    if as_json:
        print_json(
            {
                "report": kind_name,
                "file": str(path),
                "pdf": None if printed is None else str(printed),
            }
        )
    else:
        print_lines(f"Wrote {path}." + ("" if printed is None else f" Printed {printed}."))
    if pdf and printed is None:
        from dashboard.reports.pdf_printing import NONE_FOUND

        raise UsageError(NONE_FOUND)


def _made(
    folder: Path, kind_name: str, name: str | None, days: dict[str, str], address: str, paper: str
) -> "Report":
    from dashboard.components import View
    from dashboard.reading.data import CrewData
    from dashboard.reports.report import Asked, make_report
    from dashboard.reports.report_kinds import REPORT_KINDS

    data, kind = CrewData(folder), REPORT_KINDS[kind_name]
    query = _query(data, kind_name, kind, name) | {key: day for key, day in days.items() if day}

    def make() -> "Report":
        run = data.run()
        if run is None:
            raise UsageError("Nothing has been analyzed yet; run arcdrift analyze first.")
        return make_report(kind_name, kind, Asked(View(data, run, query, "light"), address, paper))

    try:
        return data.in_one_state(make)
    finally:
        data.engine.dispose()


def _print(path: Path) -> Path | None:
    """Print a report; return None where no Chromium is installed."""
    from dashboard.reports.pdf_printing import installed_chromium, print_pdf

    chromium, pdf = installed_chromium(), path.with_suffix(".pdf")
    if chromium is None:
        return None
    print_pdf(path, pdf, chromium)
    return pdf


def _query(
    data: "CrewData", kind_name: str, kind: "ReportKind", name: str | None
) -> dict[str, str]:
    """Return the query that a page's button would send."""
    if kind.about == "":
        if name is not None:
            raise UsageError(f"A {kind_name} report is about no single {name!r}; leave it away.")
        return {}
    if kind.about == "splicer":
        if name is None:
            raise UsageError(f"Say which splicer: arcdrift report {kind_name} SPLICER.")
        return {"splicer": require_known(name, data.splicers(), "splicer")}
    if kind.about == "person":
        if name is None:
            raise UsageError("Say whom: arcdrift report person NAME.")
        shown = [data.people.shown(technician) for technician in data.technicians()]
        return {"technician": require_known(name, shown, "person")}
    return {} if name is None else {kind.about: name}


def _write(path: Path, text: str) -> None:
    try:
        path.write_bytes(text.encode())
    except OSError as problem:
        raise BadInput(f"{path} cannot be written: {problem.strerror}.") from None
