"""``arcdrift coach``: note down what was practiced with whom, and see what changed after it."""

from typing import Annotated, Any

import typer

from arcdrift.cli.crew_folder import open_crew
from arcdrift.cli.names import require_known
from arcdrift.cli.options import HERE, AsJson, CrewFolder
from arcdrift.cli.output import emit, print_json, shown, tell, tell_list
from arcdrift.cli.time_arguments import typed_day
from arcdrift.errors import UsageError


def coach(
    technician: Annotated[str | None, typer.Argument(help="Whom it is about.")] = None,
    topic: Annotated[
        str | None, typer.Option("--topic", metavar="WORDS", help="What was gone through.")
    ] = None,
    note: Annotated[str, typer.Option("--note", metavar="TEXT", help="Anything to remember.")] = "",
    by: Annotated[
        str | None, typer.Option("--by", metavar="NAME", help="Who writes this down.")
    ] = None,
    day: Annotated[
        str | None,
        typer.Option("--day", metavar="DATE", help="When it was.", show_default="today"),
    ] = None,
    undo: Annotated[
        int | None, typer.Option("--undo", metavar="ID", help="Take a note back.")
    ] = None,
    crew: CrewFolder = HERE,
    as_json: AsJson = False,
) -> None:
    """Keep the coaching log: write a note down, or list notes with what changed after each."""
    from datetime import date

    with open_crew(crew) as here:
        from arcdrift.analysis.people.before_after import CAUTION
        from arcdrift.analysis.people.technician_report import coaching_rows
        from arcdrift.cli.time_arguments import zone_of_splicer
        from arcdrift.people import HIDDEN, People
        from arcdrift.store import coaching, read
        from arcdrift.store.read import assessment_time

        people = People(here.crew)
        days = read.result(here.engine, "result_person_days")
        known = sorted(set(days["technician"]))
        if not people.any_pages:
            tell(HIDDEN)
            return
        who = None
        if technician is not None:
            shown_names = {people.shown(name): name for name in known}
            who = shown_names[require_known(technician, set(shown_names), "technician")]
        if undo is not None:
            coaching.withdraw_note(here.engine, undo)
            tell(f"Coaching note {undo} was taken back.")
            return
        if topic is not None or note or by is not None:
            if who is None:
                raise UsageError("Say whom the note is about: arcdrift coach NAME --topic ...")
            today = (
                assessment_time(here.engine, here.crew)
                .tz_convert(zone_of_splicer(here.crew))
                .date()
            )
            held = today if day is None else date.fromisoformat(typed_day(day, "--day"))
            number = coaching.add_note(
                here.engine, who, held, topic or "", note, by or "", today=today
            )
            tell(f"Coaching note {number} on {people.shown(who)} was written down.")
            return
        rows = [
            row
            for row in coaching_rows(coaching.notes(here.engine), days, people)
            if who is None or row["technician"] == people.shown(who)
        ]
        if as_json:
            print_json(rows)
            return
        _print(rows, CAUTION)


def _print(rows: list[dict[str, Any]], caution: str) -> None:
    if not rows:
        tell("No coaching is on record for this choice.")
        return
    for row in rows:
        tell(
            shown(f"{row['id']}. {row['technician']}, {row['held_on']}: {row['topic']} "
                  f"(by {row['by']})")
        )  # fmt: skip
        if row["note"]:
            tell(shown(row["note"]))
        tell_list([change["words"] for change in row["changes"]])
        emit("")
    tell(caution)
