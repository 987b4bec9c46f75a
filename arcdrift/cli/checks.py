"""``arcdrift checks``: which daily arc checks were done, late or missed."""

from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from arcdrift.cli.crew_folder import open_crew, require_analysis
from arcdrift.cli.moments import local, typed_day, zone_of_splicer
from arcdrift.cli.names import require_known
from arcdrift.cli.options import HERE, AsJson, CrewFolder
from arcdrift.cli.output import print_json, print_table, records_of, tell

if TYPE_CHECKING:
    import pandas as pd

    from arcdrift.settings import Crew

Status = Literal["checked", "late", "failed-only", "missed", "due", "no-work"]
LAST_DAYS = 7
SHAPE = (
    "splicer",
    "day",
    "status",
    "checked_at",
    "first_splice_at",
    "splices",
    "splices_before_check",
)


def checks(
    crew: CrewFolder = HERE,
    since: Annotated[
        str | None, typer.Option("--since", metavar="DATE", help="Only from this day on.")
    ] = None,
    splicer: Annotated[str | None, typer.Option("--splicer", help="Only this splicer.")] = None,
    status: Annotated[
        Status | None, typer.Option("--status", help="Only days that ended like this.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Show how the daily arc checks were kept: by splicer, and day by day."""
    from arcdrift.store import read

    with open_crew(crew) as here:
        require_analysis(here)
        days = read.result(here.engine, "result_check_days")
        if splicer is not None:
            known = set(days["splicer"]) | set(here.crew.splicers)
            days = days[days["splicer"] == require_known(splicer, known, "splicer")]
        if since is not None:
            days = days[days["day"] >= typed_day(since, "--since")]
        listed = days if status is None else days[days["status"] == status]
        listed = listed.sort_values(["day", "splicer"])
        if as_json:
            print_json(as_data(listed))
            return
        _print_compliance(days)
        if since is None and status is None:
            listed = listed[listed["day"].isin(sorted(set(listed["day"]))[-LAST_DAYS:])]
        _print_days(listed, here.crew)


def as_data(days: "pd.DataFrame") -> list[dict[str, Any]]:
    """Shape of ``checks --json``: one object a splicer-day."""
    return records_of(days[list(SHAPE)])


def _print_compliance(days: "pd.DataFrame") -> None:
    from arcdrift.figures.checks import compliance_table

    table = compliance_table(days)
    if table.empty:
        tell("No finished workday is on record for this choice.")
        return
    print_table(
        ["Splicer", "Workdays", "Checked", "Late", "Failed\nonly", "Missed", "In time", "95 %"],
        [
            (
                row["splicer"],
                row["days"],
                row["checked"],
                row["late"],
                row["failed-only"],
                row["missed"],
                f"{row['share']:.0%}",
                f"{row['low']:.0%} to {row['high']:.0%}",
            )
            for row in records_of(table)
        ],
        numbers=range(1, 8),
        title="Daily arc checks before the first splice",
    )


def _print_days(days: "pd.DataFrame", crew: "Crew") -> None:
    worked = days[days["status"] != "no-work"] if len(days) > LAST_DAYS else days
    if worked.empty:
        tell("No day to list for this choice.")
        return
    zones = {name: zone_of_splicer(crew, name) for name in worked["splicer"].unique()}
    print_table(
        ["Day", "Splicer", "Status", "First\nsplice", "Passed\ncheck", "Splices", "Before\ncheck"],
        [
            (
                row["day"],
                row["splicer"],
                row["status"],
                local(row["first_splice_at"], zones[row["splicer"]], clock_only=True),
                local(row["checked_at"], zones[row["splicer"]], clock_only=True),
                row["splices"],
                row["splices_before_check"],
            )
            for row in records_of(worked)
        ],
        numbers=(5, 6),
        title="Day by day (days without work left out)" if len(worked) < len(days) else "By day",
    )
