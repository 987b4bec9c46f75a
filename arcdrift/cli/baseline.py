"""``arcdrift baseline``: what loss charts compare with, and saying which days do not count."""

from datetime import date
from pathlib import Path
from typing import Annotated, Any

import typer

from arcdrift.cli.crew_folder import OpenCrew, command, open_crew, require_analysis
from arcdrift.cli.names import require_known
from arcdrift.cli.options import HERE, AsJson, CrewFolder
from arcdrift.cli.output import print_json, print_table, records_of, tell
from arcdrift.cli.time_arguments import typed_day
from arcdrift.errors import UsageError

app = typer.Typer()

Splicer = Annotated[
    str | None, typer.Argument(help="Whose streams; leave it out and give --all for everybody's.")
]
Everybody = Annotated[bool, typer.Option("--all", help="Streams of every splicer.")]
Program = Annotated[
    str | None,
    typer.Option("--program", metavar="NAME", help="Only this program.", show_default="all"),
]
First = Annotated[str, typer.Option("--from", metavar="DATE", help="First day.")]
Note = Annotated[str, typer.Option("--note", metavar="TEXT", help="Why.")]
By = Annotated[str, typer.Option("--by", metavar="NAME", help="Who says so.")]
DOES = {
    "exclude": "left out: neither judged nor learned from",
    "freeze": "baseline frozen: days are judged, nothing is learned",
}


@app.callback(invoke_without_command=True)
def baseline(
    context: typer.Context,
    undo: Annotated[
        int | None, typer.Option("--undo", metavar="ID", help="Take a mark back.")
    ] = None,
    crew: CrewFolder = HERE,
    as_json: AsJson = False,
) -> None:
    """List the baselines of loss charts and the marks on them, or take a mark back."""
    if context.invoked_subcommand is not None:
        context.obj = crew
        return
    from arcdrift.store.baseline_marks import withdraw_mark

    with open_crew(crew) as here:
        if undo is None:
            _list(here, as_json=as_json)
            return
        withdraw_mark(here.engine, undo)
        if as_json:
            print_json({"id": undo, "undone": True})
            return
        tell(f"Mark {undo} was taken back.", _next(here.folder))


@app.command()
def exclude(
    context: typer.Context,
    first: First,
    last: Annotated[str, typer.Option("--to", metavar="DATE", help="Last day.")],
    note: Note,
    by: By,
    splicer: Splicer = None,
    program: Program = None,
    everybody: Everybody = False,
    crew: CrewFolder = HERE,
    as_json: AsJson = False,
) -> None:
    """Leave days out of loss charts: they are neither judged nor learned from."""
    folder = context.obj if crew == HERE else crew
    _mark(folder, "exclude", splicer, program, first, last, note, by, everybody, as_json)


@app.command()
def freeze(
    context: typer.Context,
    first: First,
    note: Note,
    by: By,
    last: Annotated[
        str | None,
        typer.Option(
            "--to", metavar="DATE", help="Last day.", show_default="until it is taken back"
        ),
    ] = None,
    splicer: Splicer = None,
    program: Program = None,
    everybody: Everybody = False,
    crew: CrewFolder = HERE,
    as_json: AsJson = False,
) -> None:
    """Freeze a baseline: days are judged, and it stays as it was before the first of them."""
    folder = context.obj if crew == HERE else crew
    _mark(folder, "freeze", splicer, program, first, last, note, by, everybody, as_json)


def _mark(
    folder: Path,
    action: Any,
    splicer: str | None,
    program: str | None,
    first: str,
    last: str | None,
    note: str,
    by: str,
    everybody: bool,
    as_json: bool,
) -> None:
    with open_crew(folder) as here:
        from arcdrift.store.baseline_marks import add_mark

        if (splicer is None) is not everybody:
            raise UsageError("Name one splicer, or give --all for the streams of every splicer.")
        known = _streams(here)
        if splicer is not None:
            require_known(splicer, {row["splicer"] for row in known}, "splicer with splices")
            known = [row for row in known if row["splicer"] == splicer]
        if program is not None:
            require_known(program, {row["program"] for row in known}, "program")
        number = add_mark(
            here.engine,
            action,
            date.fromisoformat(typed_day(first, "--from")),
            None if last is None else date.fromisoformat(typed_day(last, "--to")),
            splicer=splicer,
            program=program,
            note=note,
            said_by=by,
        )
        mark = next(row for row in _marks(here) if row["id"] == number)
        if as_json:
            print_json(mark)
            return
        tell(f"Mark {number}: {_whose(mark)}, {_span(mark)}, {DOES[action]}.", _next(here.folder))


def _list(here: OpenCrew, *, as_json: bool) -> None:
    require_analysis(here)
    streams, marks = _streams(here), _marks(here)
    if as_json:
        print_json({"streams": streams, "marks": marks})
        return
    if streams:
        print_table(
            ["Splicer", "Program", "State", "Baseline, dB", "Since", "Days"],
            [
                (
                    row["splicer"], row["program"], row["state"],
                    "" if row["baseline_db"] is None else f"{row['baseline_db']:.3f}",
                    row["since"] or "", row["days"],
                )
                for row in streams
            ],
            numbers=(3, 5),
        )  # fmt: skip
    else:
        tell("No splices were analyzed yet.")
    if not marks:
        tell("No days are left out and no baseline is frozen.")
        return
    print_table(
        ["Mark", "What", "Whose", "Days", "Why, by whom"],
        [
            (
                row["id"],
                DOES[row["action"]],
                _whose(row),
                _span(row),
                f"{row['note']} ({row['by']})",
            )
            for row in marks
        ],
    )


def _streams(here: OpenCrew) -> list[dict[str, Any]]:
    from arcdrift.store import read

    names = {"segment_start": "since", "segment_days": "days"}
    rows = read.result(here.engine, "result_streams").rename(columns=names)
    return records_of(rows[["splicer", "program", "state", "baseline_db", "since", "days"]])


def _marks(here: OpenCrew) -> list[dict[str, Any]]:
    from arcdrift.store.baseline_marks import marks

    rows = marks(here.engine).rename(columns={"said_by": "by"})
    return records_of(rows.drop(columns="undone_at"))


def _whose(mark: dict[str, Any]) -> str:
    return f"{mark['splicer'] or 'all splicers'}, {mark['program'] or 'all programs'}"


def _span(mark: dict[str, Any]) -> str:
    if mark["last_day"] is None:
        return f"from {mark['first_day']} on"
    if mark["last_day"] == mark["first_day"]:
        return str(mark["first_day"])
    return f"{mark['first_day']} to {mark['last_day']}"


def _next(folder: Path) -> str:
    return f"It counts from the next {command('analyze', folder)}."
