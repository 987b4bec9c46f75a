"""``arcdrift checks``: daily arc checks done, late or missed, by day and as shares."""

from datetime import date
from operator import itemgetter
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from arcdrift.cli.crew_folder import open_crew, require_analysis
from arcdrift.cli.known_names import require_known
from arcdrift.cli.options import CURRENT_FOLDER, AsJson, CrewFolder
from arcdrift.cli.output import (
    count_noun,
    print_json,
    print_lines,
    print_nothing,
    print_table,
)
from arcdrift.cli.time_arguments import local_time, parse_day, zone_of_splicer
from arcdrift.instants import day_text

if TYPE_CHECKING:
    from arcdrift.settings import Crew

Status = Literal["checked", "late", "failed-only", "missed", "due", "no-work"]
By = Literal["splicer", "technician", "week", "site"]
TECHNICIAN_NOTE = (
    "A day counts for whoever made most of its splices on that splicer. These shares are for "
    "coaching; how sure they are is in the interval."
)
LAST_DAYS = 7
"""Days that are listed one by one unless ``--since`` or ``--status`` is given."""
JSON_COLUMNS = (
    "splicer",
    "day",
    "status",
    "checked_at",
    "first_splice_at",
    "splices",
    "splices_before_check",
)


def checks(
    folder: CrewFolder = CURRENT_FOLDER,
    since: Annotated[
        str | None, typer.Option("--since", metavar="DATE", help="Only days from this one on.")
    ] = None,
    splicer: Annotated[str | None, typer.Option("--splicer", help="Only this splicer.")] = None,
    status: Annotated[
        Status | None, typer.Option("--status", help="Only days with this status.")
    ] = None,
    by: Annotated[
        By | None,
        typer.Option(
            "--by",
            help="Only shares of workdays checked in time, by one of these; also with --json.",
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Show which daily arc checks were done in time: by splicer, and day by day.

    With --json: one object per splicer and day. With --json and --by: one object per splicer,
    technician, ISO week or site, with its workdays by status, the share checked before the first
    splice, and the 95 % interval of that share (low to high).
    """
    from arcdrift.errors import UsageError
    from arcdrift.people import HIDDEN, People
    from arcdrift.store.results.result_rows import read_check_days

    if by is not None and status is not None:
        raise UsageError(
            "--status chooses days and --by counts all of them; give one of the two only."
        )
    with open_crew(folder) as session:
        require_analysis(session)
        people = People(session.crew)
        days = read_check_days(session.engine)
        if by == "technician" and not people.any_pages:
            print_nothing(HIDDEN, as_json=as_json)
            return
        if splicer is not None:
            known = {day["splicer"] for day in days} | set(session.crew.splicers)
            require_known(splicer, known, "splicer")
            days = [day for day in days if day["splicer"] == splicer]
        if since is not None:
            first = parse_day(since, "--since")
            days = [day for day in days if day["day"] >= first]
        if by is not None:
            for day in days:
                if day["technician"] is not None:
                    day["technician"] = people.shown(day["technician"])
            if as_json:
                print_json(_compliance(days, by))
            else:
                _print_compliance(days, by)
            return
        listed = [day for day in days if status in (None, day["status"])]
        listed.sort(key=itemgetter("day", "splicer"))
        if as_json:
            print_json(json_rows(listed))
            return
        _print_compliance(days, "splicer")
        if since is None and status is None:
            last = sorted({day["day"] for day in listed})[-LAST_DAYS:]
            listed = [day for day in listed if day["day"] in last]
        _print_days(listed, session.crew)


def json_rows(days: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return what ``checks --json`` prints: one object per splicer and day."""
    return [{name: day[name] for name in JSON_COLUMNS} for day in days]


def _compliance(days: list[dict[str, Any]], by: By | Literal["crew"]) -> list[dict[str, Any]]:
    from arcdrift.analysis.checks.compliance import compliance

    names = ("splicer", "day", "status", "site", "technician", "day_over")
    return compliance({name: [day[name] for day in days] for name in names}, by)


def _print_compliance(days: list[dict[str, Any]], by: By) -> None:
    table = _compliance(days, by)
    if not table:
        print_lines("No finished workday is on record for this choice.")
        return
    print_table(
        [
            by.capitalize(),
            "Workdays",
            "Checked",
            "Late",
            "Failed\nonly",
            "Missed",
            "In time",
            "95 %",
            "",
        ],
        [
            (
                row[by],
                row["days"],
                row["checked"],
                row["late"],
                row["failed-only"],
                row["missed"],
                f"{row['share']:.0%}",
                f"{row['low']:.0%} to {row['high']:.0%}",
                row["note"],
            )
            for row in table
        ],
        numeric_columns=range(1, 8),
        title="Daily arc checks before the first splice",
    )
    (total,) = _compliance(days, "crew")
    print_lines(
        f"Together: {total['checked']} of {count_noun(total['days'], 'workday')} in time, "
        f"{total['share']:.0%} ({total['low']:.0%} to {total['high']:.0%} with 95 % confidence)."
    )
    if by == "technician":
        print_lines(TECHNICIAN_NOTE)


def _print_days(days: list[dict[str, Any]], crew: "Crew") -> None:
    worked = [day for day in days if day["status"] != "no-work" or len(days) <= LAST_DAYS]
    if not worked:
        print_lines("No day to list for this choice.")
        return
    zones = {name: zone_of_splicer(crew, name) for name in {day["splicer"] for day in worked}}
    print_table(
        ["Day", "Splicer", "Status", "First\nsplice", "Passed\ncheck", "Splices", "Before\ncheck"],
        [
            (
                day_text(date.fromisoformat(row["day"])),
                row["splicer"],
                row["status"],
                local_time(row["first_splice_at"], zones[row["splicer"]], clock_only=True),
                local_time(row["checked_at"], zones[row["splicer"]], clock_only=True),
                row["splices"],
                row["splices_before_check"],
            )
            for row in worked
        ],
        numeric_columns=(5, 6),
        title="Day by day (days without work left out)" if len(worked) < len(days) else "By day",
    )
