"""``arcdrift usual``: lists what each splicer and program usually loses, and leaves days out."""

from datetime import date
from pathlib import Path
from typing import Annotated, Any

import typer

from arcdrift.cli.crew_folder import (
    CrewSession,
    command_text,
    open_crew,
    require_analysis,
    subcommand_folder,
)
from arcdrift.cli.known_names import require_known
from arcdrift.cli.options import CURRENT_FOLDER, AsJson, CrewFolder
from arcdrift.cli.output import frame_records, print_json, print_lines, print_table
from arcdrift.cli.time_arguments import parse_day
from arcdrift.errors import UsageError

app = typer.Typer()

Splicer = Annotated[
    str | None, typer.Argument(help="Only this splicer, with all programs; or give --all instead.")
]
AllSplicers = Annotated[bool, typer.Option("--all", help="Every splicer.")]
Program = Annotated[
    str | None,
    typer.Option("--program", metavar="NAME", help="Only this program.", show_default="all"),
]
FirstDay = Annotated[str, typer.Option("--from", metavar="DATE", help="First day.")]
Note = Annotated[str, typer.Option("--note", metavar="TEXT", help="The reason.")]
By = Annotated[str, typer.Option("--by", metavar="NAME", help="Who decides.")]
STATES = {"charted": "known", "learning": "learning", "too-few": "too few days"}
EFFECTS = {
    "exclude": "left out: neither judged nor learned from",
    "freeze": "usual loss frozen: days are judged, nothing is learned",
}


@app.callback(invoke_without_command=True)
def usual(
    context: typer.Context,
    undo: Annotated[int | None, typer.Option("--undo", metavar="ID", help="Undo a mark.")] = None,
    folder: CrewFolder = CURRENT_FOLDER,
    as_json: AsJson = False,
) -> None:
    """List the usual loss of each splicer and program and what people set, or undo that."""
    if context.invoked_subcommand is not None:
        context.obj = folder
        return
    from arcdrift.store.annotations.baseline_marks import withdraw_mark

    with open_crew(folder) as session:
        if undo is None:
            _print_usual(session, as_json=as_json)
            return
        withdraw_mark(session.engine, undo)
        if as_json:
            print_json({"id": undo, "undone": True})
            return
        print_lines(f"Mark {undo} was taken back.", _next_step(session.folder))


@app.command()
def exclude(
    context: typer.Context,
    first: FirstDay,
    last: Annotated[str, typer.Option("--to", metavar="DATE", help="Last day.")],
    note: Note,
    by: By,
    splicer: Splicer = None,
    program: Program = None,
    all_splicers: AllSplicers = False,
    folder: CrewFolder = CURRENT_FOLDER,
    as_json: AsJson = False,
) -> None:
    """Exclude days from loss charts: they raise no alarm and do not change the usual loss."""
    _add_mark(
        subcommand_folder(context, folder),
        "exclude",
        splicer,
        program,
        first,
        last,
        note,
        by,
        all_splicers,
        as_json,
    )


@app.command()
def freeze(
    context: typer.Context,
    first: FirstDay,
    note: Note,
    by: By,
    last: Annotated[
        str | None,
        typer.Option("--to", metavar="DATE", help="Last day.", show_default="until it is undone"),
    ] = None,
    splicer: Splicer = None,
    program: Program = None,
    all_splicers: AllSplicers = False,
    folder: CrewFolder = CURRENT_FOLDER,
    as_json: AsJson = False,
) -> None:
    """Freeze the usual loss: days can raise alarms, but do not change it."""
    _add_mark(
        subcommand_folder(context, folder),
        "freeze",
        splicer,
        program,
        first,
        last,
        note,
        by,
        all_splicers,
        as_json,
    )


def _add_mark(
    folder: Path,
    action: Any,
    splicer: str | None,
    program: str | None,
    first: str,
    last: str | None,
    note: str,
    by: str,
    all_splicers: bool,
    as_json: bool,
) -> None:
    with open_crew(folder) as session:
        from arcdrift.store.annotations.baseline_marks import add_mark

        if (splicer is None) is not all_splicers:
            raise UsageError("Name one splicer, or give --all for every splicer.")
        streams = _streams(session)
        if splicer is not None:
            require_known(splicer, {row["splicer"] for row in streams}, "splicer with splices")
            streams = [row for row in streams if row["splicer"] == splicer]
        if program is not None:
            require_known(program, {row["program"] for row in streams}, "program")
        mark_id = add_mark(
            session.engine,
            action,
            date.fromisoformat(parse_day(first, "--from")),
            None if last is None else date.fromisoformat(parse_day(last, "--to")),
            splicer=splicer,
            program=program,
            note=note,
            said_by=by,
        )
        mark = next(row for row in _marks(session) if row["id"] == mark_id)
        if as_json:
            print_json(mark)
            return
        print_lines(
            f"Mark {mark_id}: {_scope_text(mark)}, {_days_text(mark)}, {EFFECTS[action]}.",
            _next_step(session.folder),
        )


def _print_usual(session: CrewSession, *, as_json: bool) -> None:
    require_analysis(session)
    streams, marks = _streams(session), _marks(session)
    if as_json:
        print_json({"streams": streams, "marks": marks})
        return
    if streams:
        print_table(
            ["Splicer", "Program", "State", "Usual loss, dB", "Since", "Days"],
            [
                (
                    row["splicer"], row["program"], STATES.get(row["state"], row["state"]),
                    "" if row["baseline_db"] is None else f"{row['baseline_db']:.3f}",
                    row["since"] or "", row["days"],
                )
                for row in streams
            ],
            numeric_columns=(3, 5),
        )  # fmt: skip
    else:
        print_lines("No splices were analyzed yet.")
    if not marks:
        print_lines("No days are left out and no usual loss is frozen.")
        return
    print_table(
        ["Mark", "What", "Whose", "Days", "Why, by whom"],
        [
            (
                row["id"],
                EFFECTS[row["action"]],
                _scope_text(row),
                _days_text(row),
                f"{row['note']} ({row['by']})",
            )
            for row in marks
        ],
    )


def _streams(session: CrewSession) -> list[dict[str, Any]]:
    from arcdrift.store.results.result_rows import read_result

    names = {"first_day": "since", "charted_days": "days"}
    rows = read_result(session.engine, "result_streams").rename(columns=names)
    return frame_records(rows[["splicer", "program", "state", "baseline_db", "since", "days"]])


def _marks(session: CrewSession) -> list[dict[str, Any]]:
    from arcdrift.store.annotations.baseline_marks import marks

    rows = marks(session.engine).rename(columns={"said_by": "by"})
    return frame_records(rows.drop(columns="undone_at"))


def _scope_text(mark: dict[str, Any]) -> str:
    return f"{mark['splicer'] or 'all splicers'}, {mark['program'] or 'all programs'}"


def _days_text(mark: dict[str, Any]) -> str:
    if mark["last_day"] is None:
        return f"from {mark['first_day']} on"
    if mark["last_day"] == mark["first_day"]:
        return str(mark["first_day"])
    return f"{mark['first_day']} to {mark['last_day']}"


def _next_step(folder: Path) -> str:
    return f"It counts from the next {command_text('analyze', folder)}."
