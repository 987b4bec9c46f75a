"""``arcdrift layout``: a layout drafted from a sample file, and tried on it."""

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from arcdrift.cli.crew_folder import command
from arcdrift.cli.options import HERE, AsJson, CrewFolder
from arcdrift.cli.output import counted, print_json, say, tell, tell_list
from arcdrift.errors import BadInput, UsageError

if TYPE_CHECKING:
    from arcdrift.intake.draft.draft_toml import Draft
    from arcdrift.intake.draft.layout_trial import Trial
    from arcdrift.settings import Crew

Kind = Literal["arc-checks", "splices", "readings", "service"]
LISTED_PROBLEMS = 8


def layout(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A log to draft it from.")],
    crew: CrewFolder = HERE,
    kind: Annotated[
        Kind | None,
        typer.Option("--kind", help="What the file holds, when its headers do not tell."),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="NAME.toml",
            help="Where to write the layout.",
            show_default="the crew's layouts folder",
        ),
    ] = None,
    day_first: Annotated[
        bool, typer.Option("--day-first", help="Dates are day, then month, where both fit.")
    ] = False,
    month_first: Annotated[
        bool, typer.Option("--month-first", help="Dates are month, then day, where both fit.")
    ] = False,
    time_zone: Annotated[
        str | None,
        typer.Option(
            "--time-zone",
            metavar="ZONE",
            help="Where the clock ticks that wrote the times, such as Europe/Oslo.",
        ),
    ] = None,
    sheet: Annotated[
        str | None, typer.Option("--sheet", metavar="NAME", help="Sheet of a workbook.")
    ] = None,
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="Replace a layout that is already there.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Draft a layout, which maps a file's headers and units to arcdrift's, and try it.

    What the file cannot tell, such as which of 04/05 is the month, the draft leaves open and says
    so. Nothing is imported.
    """
    from arcdrift.intake.containers.files import file_bytes
    from arcdrift.intake.draft.draft_layout import draft_layout, stated_encoding
    from arcdrift.intake.layout.layout_match import LAYOUTS

    if day_first and month_first:
        raise UsageError("--day-first and --month-first exclude each other; keep one.")
    _check_zone(time_zone)
    target = _target(out, file, crew)
    if target.exists() and not overwrite:
        raise UsageError(f"{target} is already there; give --overwrite to replace it.")
    now = datetime.now(UTC)
    packed, content = file_bytes(file, file.name, sheet=sheet)
    made = draft_layout(
        content,
        file.name,
        now=now,
        kind=kind,
        order="day first" if day_first else "month first" if month_first else None,
        time_zone=time_zone,
        encoding=stated_encoding(packed, content),
    )
    _write(target, made.text())
    trials, trouble = _tried(made, content, _crew(crew), now)
    if as_json:
        print_json(_as_data(made, target, trials, trouble))
        return
    tell(
        f"Wrote {target}: a layout for {made.kind.name} with {made.matched} of the file's headers."
    )
    _tell_open(made, target)
    for order, trial in trials:
        _tell_trial(order, trial)
    for sentence in trouble:
        say(sentence)
    ready = not (made.open_orders or made.unmatched or made.absent)
    found_alone = target.parent == crew / LAYOUTS
    run = command(f"import {file}" if found_alone else f"import {file} --layout {target}", crew)
    tell(f"Next: {'' if ready else 'decide what is open, then '}{run}.")


def _check_zone(zone: str | None) -> None:
    from pydantic import TypeAdapter, ValidationError

    from arcdrift.settings import ZoneName

    try:
        TypeAdapter(ZoneName | None).validate_python(zone)
    except ValidationError as problem:
        said = str(problem.errors()[0]["msg"]).removeprefix("Value error, ").rstrip(".")
        raise UsageError(f"--time-zone: {said}.") from None


def _target(out: Path | None, file: Path, crew: Path) -> Path:
    from arcdrift.intake.layout.layout_match import LAYOUTS
    from arcdrift.settings import CREW_FILE

    if out is not None:
        return out if out.suffix == ".toml" else out.with_name(f"{out.name}.toml")
    name = f"{file.name.split('.')[0] or 'layout'}.toml"
    return crew / LAYOUTS / name if (crew / CREW_FILE).exists() else Path(name)


def _crew(folder: Path) -> "Crew | None":
    from arcdrift.settings import CREW_FILE, load_crew

    return load_crew(folder) if (folder / CREW_FILE).exists() else None


def _write(target: Path, text: str) -> None:
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(text, encoding="utf-8", newline="\n")
    except OSError as problem:
        raise BadInput(f"{target} cannot be written: {problem.strerror}.") from None


def _tried(
    made: "Draft", content: bytes, crew: "Crew | None", now: datetime
) -> "tuple[list[tuple[str, Trial]], list[str]]":
    """The layout tried on its sample, in each order its dates may have; and what hinders it."""
    from arcdrift.intake.draft.layout_trial import try_layout
    from arcdrift.settings import Crew

    trouble = []
    if crew is None:
        # no crew folder: any zone will do for counting
        crew = Crew(name="none", time_zone=made.time_zone or "UTC")
    elif not (crew.time_zone or made.time_zone or made.writing.has_offset):
        crew = crew.model_copy(update={"time_zone": "UTC"})
        trouble.append(
            "The times carry no offset and no time zone is set, so the rows were counted as if "
            "written in UTC; set time_zone in the layout or in crew.toml."
        )
    trials = []
    for order, layout in made.trials():
        try:
            trials.append((order, try_layout(content, layout, crew, now=now, file=made.name)))
        except BadInput as problem:
            trouble.append(f"The draft cannot read the file yet: {problem}")
    return trials, trouble


def _tell_open(made: "Draft", target: Path) -> None:
    """Say in a sentence each what is left to decide."""
    if made.open_orders:
        orders = " and ".join(choice.order for choice in made.open_orders)
        say(
            f"Decide the order of dates such as {made.writing.sample}: {orders} fit every value; "
            f"choose a time_format in {target}, or draft again with --day-first or --month-first."
        )
    if made.unmatched:
        it = "it" if len(made.unmatched) == 1 else "them"
        headers = ", ".join(repr(header) for header in made.unmatched)
        say(
            f"Not recognized: {headers}; leave {it} out under ignore in {target}, or map {it} "
            f"under columns."
        )
    if made.absent:
        say(
            f"Not found, though a file of {made.kind.name} needs it: {', '.join(made.absent)}; add "
            f"it to {target}, under columns or fixed."
        )


def _tell_trial(order: str, trial: "Trial") -> None:
    read = f"Tried on the file, read {order}" if order else "Tried on the file"
    skipped = f"; {counted(trial.skipped, 'line')} skipped" if trial.skipped else ""
    tell(f"{read}: {trial.sound:,} of {counted(trial.rows, 'row')} would be accepted{skipped}.")
    if trial.problems:
        tell_list(trial.problems[:LISTED_PROBLEMS])
    more = len(trial.problems) - LISTED_PROBLEMS
    if more > 0:
        tell(f"  and {more} further kinds of problem.")


def _as_data(
    made: "Draft", target: Path, trials: "list[tuple[str, Trial]]", trouble: list[str]
) -> dict[str, Any]:
    """Shape of ``layout --json``."""
    return {
        "layout": str(target),
        "file": made.name,
        "kind": made.kind.name,
        "matched": made.matched,
        "not_recognized": made.unmatched,
        "not_found": made.absent,
        "undecided": [choice.order for choice in made.open_orders],
        "trials": [
            {
                "order": order or None,
                "rows": trial.rows,
                "sound": trial.sound,
                "skipped": trial.skipped,
                "problems": [str(problem) for problem in trial.problems],
            }
            for order, trial in trials
        ],
        "trouble": trouble,
    }
