"""``arcdrift coach``: writes and lists coaching notes, with what changed after each."""

from typing import Annotated, Any

import typer

from arcdrift.cli.crew_folder import open_crew
from arcdrift.cli.known_names import require_known
from arcdrift.cli.options import CURRENT_FOLDER, AsJson, CrewFolder
from arcdrift.cli.output import (
    print_json,
    print_lines,
    print_list,
    print_nothing,
    print_renderable,
    printable,
)
from arcdrift.cli.time_arguments import parse_day
from arcdrift.errors import UsageError


def coach(
    technician: Annotated[str | None, typer.Argument(help="The technician.")] = None,
    topic: Annotated[
        str | None, typer.Option("--topic", metavar="WORDS", help="What was practiced.")
    ] = None,
    note: Annotated[str, typer.Option("--note", metavar="TEXT", help="Anything to remember.")] = "",
    by: Annotated[
        str | None, typer.Option("--by", metavar="NAME", help="Who writes the note.")
    ] = None,
    day: Annotated[
        str | None,
        typer.Option("--day", metavar="DATE", help="Day of the coaching.", show_default="today"),
    ] = None,
    undo: Annotated[int | None, typer.Option("--undo", metavar="ID", help="Undo a note.")] = None,
    folder: CrewFolder = CURRENT_FOLDER,
    as_json: AsJson = False,
) -> None:
    """Add a note to the coaching log, or list its notes with what changed after each."""
    from datetime import date

    with open_crew(folder) as session:
        from arcdrift.analysis.people.before_after import CAUTION
        from arcdrift.analysis.people.technician_report import coaching_rows
        from arcdrift.cli.time_arguments import zone_of_splicer
        from arcdrift.people import HIDDEN, People
        from arcdrift.store.annotations import coaching
        from arcdrift.store.records.record_overview import assessment_time
        from arcdrift.store.results.result_rows import read_result

        people = People(session.crew)
        days = read_result(session.engine, "result_person_days")
        known = sorted(set(days["technician"]))
        if not people.any_pages:
            print_nothing(HIDDEN, as_json=as_json)
            return
        name = None
        if technician is not None:
            names = {people.shown(known_name): known_name for known_name in known}
            name = names[require_known(technician, set(names), "technician")]
        if undo is not None:
            coaching.withdraw_note(session.engine, undo)
            print_lines(f"Coaching note {undo} was taken back.")
            return
        if topic is not None or note or by is not None:
            if name is None:
                raise UsageError("Say whom the note is about: arcdrift coach NAME --topic ...")
            now = assessment_time(session.engine, session.crew)
            today = now.tz_convert(zone_of_splicer(session.crew)).date()
            held_on = today if day is None else date.fromisoformat(parse_day(day, "--day"))
            note_id = coaching.add_note(
                session.engine, name, held_on, topic or "", note, by or "", today=today
            )
            print_lines(f"Coaching note {note_id} on {people.shown(name)} was written down.")
            return
        rows = [
            row
            for row in coaching_rows(coaching.notes(session.engine), days, people)
            if name is None or row["technician"] == people.shown(name)
        ]
        if as_json:
            print_json(rows)
            return
        _print_notes(rows, CAUTION)


def _print_notes(rows: list[dict[str, Any]], caution: str) -> None:
    if not rows:
        print_lines("No coaching is on record for this choice.")
        return
    for row in rows:
        print_lines(
            printable(f"{row['id']}. {row['technician']}, {row['held_on']}: {row['topic']} "
                  f"(by {row['by']})")
        )  # fmt: skip
        if row["note"]:
            print_lines(printable(row["note"]))
        print_list([change["words"] for change in row["changes"]])
        print_renderable("")
    print_lines(caution)
