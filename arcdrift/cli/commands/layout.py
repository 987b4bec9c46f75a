"""``arcdrift layout``: drafts a layout from a sample file and tries it on that file."""

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from arcdrift.cli.crew_folder import command_text
from arcdrift.cli.error_messages import validation_message
from arcdrift.cli.options import CURRENT_FOLDER, AsJson, CrewFolder, RecordKind
from arcdrift.cli.output import count_noun, print_json, print_lines, print_notice, print_problems
from arcdrift.errors import BadInput, UsageError

if TYPE_CHECKING:
    from arcdrift.intake.draft.draft_toml import Draft
    from arcdrift.intake.draft.layout_trial import Trial
    from arcdrift.intake.layout.layouts import Layout
    from arcdrift.settings import Crew


def layout(
    file: Annotated[Path, typer.Argument(metavar="FILE", readable=False, help="A sample log.")],
    folder: CrewFolder = CURRENT_FOLDER,
    kind: Annotated[
        RecordKind | None,
        typer.Option("--kind", help="Kind of the file, if it does not follow from its headers."),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            readable=False,
            metavar="NAME.toml",
            help="Where to write the layout.",
            show_default="the crew's layouts folder",
        ),
    ] = None,
    day_first: Annotated[
        bool, typer.Option("--day-first", help="Read ambiguous dates as day, then month.")
    ] = False,
    month_first: Annotated[
        bool, typer.Option("--month-first", help="Read ambiguous dates as month, then day.")
    ] = False,
    time_zone: Annotated[
        str | None,
        typer.Option(
            "--time-zone",
            metavar="ZONE",
            help="Time zone of the times in the file, such as Europe/Oslo.",
        ),
    ] = None,
    sheet: Annotated[
        str | None, typer.Option("--sheet", metavar="NAME", help="Sheet of a workbook.")
    ] = None,
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="Replace an existing layout.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Draft a layout, which maps a file's headers and units to arcdrift's, and try it.

    What does not follow from the file, such as which part of 04/05 is the month, is left for you
    to decide, and is listed. Nothing is imported.
    """
    from arcdrift.intake.containers.sources import sheet_names
    from arcdrift.intake.layout.layout_match import LAYOUTS

    if day_first and month_first:
        raise UsageError("--day-first and --month-first exclude each other; keep one.")
    _require_time_zone(time_zone)
    target = _layout_path(out, file, folder)
    sheets: list[str | None] = [sheet] if sheet is not None else list(sheet_names(file))
    if out is None and not overwrite:
        fitting = _fitting_layouts(folder, file, kind, sheets)
        sheets = [name for name in sheets if fitting[name] is None]
        first = next(filter(None, fitting.values()), None)
        if first is not None and not sheets:
            _print_fitting(first, file, folder, as_json=as_json)
            return
    if target.exists() and not overwrite:
        raise UsageError(f"{target} is already there; give --overwrite to replace it.")
    now = datetime.now(UTC)
    crew = _load_crew(folder)
    answers = _given_answers(day_first=day_first, month_first=month_first, time_zone=time_zone)
    draft, content, drafted = _draft_first(
        folder, file, sheets, crew, now=now, kind=kind, answers=answers
    )
    _write(target, draft.text())
    trials, obstacles = _try_orders(draft, content, crew, now)
    if as_json:
        print_json(_json_object(draft, target, trials, obstacles))
        return
    print_lines(
        f"Wrote {target}: a layout for {draft.kind.name} with {draft.matched} of the file's "
        "headers."
    )
    others = [name for name in sheets if name != drafted]
    if others:
        print_notice(
            f"Drafted from the sheet {drafted!r}; {file.name} also has "
            f"{', '.join(map(repr, others))}: draft from another one with --sheet."
        )
    _print_undecided(draft, target)
    for read_as, trial in trials:
        _print_trial(read_as, trial)
    for sentence in obstacles:
        print_notice(sentence)
    found_by_headers = target.parent == folder / LAYOUTS
    option = "" if found_by_headers else f" --layout {target}"
    run = command_text(f"import {file}{option}", folder)
    print_lines(f"Next: {'decide what is open, then ' if draft.questions else ''}{run}.")


def _given_answers(*, day_first: bool, month_first: bool, time_zone: str | None) -> dict[str, str]:
    """What the options decide, by the keys of the questions that a draft would ask."""
    from arcdrift.intake.draft.draft_layout import ORDER_KEY
    from arcdrift.intake.draft.time_columns import ZONE_KEY

    order = "day first" if day_first else "month first" if month_first else None
    answers = {ORDER_KEY: order, ZONE_KEY: time_zone}
    return {key: answer for key, answer in answers.items() if answer is not None}


def _draft_first(
    folder: Path,
    file: Path,
    sheets: list[str | None],
    crew: "Crew | None",
    *,
    now: datetime,
    kind: str | None,
    answers: dict[str, str],
) -> "tuple[Draft, bytes, str | None]":
    """Draft a layout from the first sheet that tells enough, or from a file without sheets.

    Returns
    -------
    draft, content, sheet
        The draft, the text that it was drafted from, and the sheet.

    Raises
    ------
    BadInput
        If no sheet does; with the reason of the first one.
    """
    from arcdrift.intake.containers.files import MAX_FILE_BYTES, open_log
    from arcdrift.intake.draft.draft_layout import draft_layout
    from arcdrift.intake.draft.headers.word_lists import load_words
    from arcdrift.intake.draft.sample_table import find_table

    words = load_words(folder)
    problems = []
    for sheet in sheets:
        try:
            with open_log(file, file.name, max_bytes=MAX_FILE_BYTES, sheet=sheet) as text:
                content, encoding = text.read(0, text.size), text.encoding
            draft = draft_layout(
                find_table(content, file.name, words),
                file.name,
                now=now,
                words=words,
                kind=kind,
                encoding=encoding,
                answers=answers,
                crew=crew,
            )
        except BadInput as problem:
            problems.append(problem)
        else:
            return draft, content, sheet
    raise problems[0]


def _require_time_zone(zone: str | None) -> None:
    from pydantic import TypeAdapter, ValidationError

    from arcdrift.settings import ZoneName

    try:
        TypeAdapter(ZoneName | None).validate_python(zone)
    except ValidationError as problem:
        raise UsageError(f"--time-zone: {validation_message(problem)}.") from None


def _layout_path(out: Path | None, file: Path, folder: Path) -> Path:
    from arcdrift.intake.layout.layout_match import LAYOUTS
    from arcdrift.settings import CREW_FILE

    if out is not None:
        return out if out.suffix == ".toml" else out.with_name(f"{out.name}.toml")
    name = f"{file.name.split('.')[0] or 'layout'}.toml"
    return folder / LAYOUTS / name if (folder / CREW_FILE).exists() else Path(name)


def _fitting_layouts(
    folder: Path, file: Path, kind: str | None, sheets: "list[str | None]"
) -> "dict[str | None, Layout | None]":
    """Find the first layout of the crew that fits each sheet of a file already."""
    from arcdrift.intake.layout.file_start import FileStart
    from arcdrift.intake.layout.layout_match import crew_layouts, fitting_layouts

    layouts = crew_layouts(folder).layouts
    fitting = {
        sheet: fitting_layouts(layouts, FileStart(file, file.name, sheet), kind=kind)
        for sheet in sheets
    }
    return {sheet: next(iter(found), None) for sheet, found in fitting.items()}


def _print_fitting(layout: "Layout", file: Path, folder: Path, *, as_json: bool) -> None:
    from arcdrift.intake.layout.layout_match import LAYOUTS

    path = folder / LAYOUTS / layout.name
    if as_json:
        print_json(
            {
                "layout": str(path),
                "file": file.name,
                "kind": layout.kind,
                "already_fits": True,
                "undecided": layout.undecided,
            }
        )
        return
    print_lines(
        f"{path} already fits {file.name}, so none was drafted; --overwrite drafts it anew."
    )
    decide = f"decide {' and '.join(layout.undecided)} there, then " if layout.undecided else ""
    print_lines(f"Next: {decide}{command_text(f'import {file}', folder)}.")


def _load_crew(folder: Path) -> "Crew | None":
    from arcdrift.settings import CREW_FILE, load_crew

    return load_crew(folder) if (folder / CREW_FILE).exists() else None


def _write(target: Path, text: str) -> None:
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(text, encoding="utf-8", newline="\n")
    except OSError as problem:
        raise BadInput(f"{target} cannot be written: {problem.strerror}.") from None


def _try_orders(
    draft: "Draft", content: bytes, crew: "Crew | None", now: datetime
) -> "tuple[list[tuple[str, Trial]], list[str]]":
    """Try the layout on its file, in each possible order of its dates.

    Returns
    -------
    trials, obstacles
        Each order with its trial, and sentences about what keeps the layout from being used.
    """
    from arcdrift.intake.draft.layout_trial import try_layout
    from arcdrift.settings import Crew

    obstacles = []
    if crew is None:
        # without a crew folder any time zone serves: the rows are only counted
        crew = Crew(name="none", time_zone=draft.time_zone or "UTC")
    elif not (crew.time_zone or draft.time_zone or draft.time_format.has_offset):
        crew = crew.model_copy(update={"time_zone": "UTC"})
        obstacles.append(
            "The times carry no offset and no time zone is set, so the rows were counted as if "
            "written in UTC; set time_zone in the layout or in crew.toml."
        )
    trials = []
    for order, layout in draft.trials():
        try:
            trials.append((order, try_layout(content, layout, crew, now=now, file=draft.name)))
        except BadInput as problem:
            obstacles.append(f"The draft cannot read the file yet: {problem}")
    return trials, obstacles


def _print_undecided(draft: "Draft", target: Path) -> None:
    """Print a sentence about each thing that the user has to decide, and what is left out."""
    from arcdrift.intake.draft.draft_layout import ORDER_KEY

    if draft.open_orders:
        orders = " and ".join(choice.order for choice in draft.open_orders)
        print_notice(
            f"Decide the order of dates such as {draft.time_format.sample}: {orders} fit every "
            f"value; choose a time_format in {target}, or draft again with --day-first or "
            "--month-first."
        )
    for question in draft.questions:
        if question.key != ORDER_KEY:
            print_notice(f"Open in {target}: {question.text}")
    if draft.unmatched:
        pronoun = "it" if len(draft.unmatched) == 1 else "them"
        headers = ", ".join(repr(header) for header in draft.unmatched)
        print_notice(
            f"Left out: {headers}; map {pronoun} under columns in {target} to read {pronoun}."
        )


def _print_trial(order: str, trial: "Trial") -> None:
    intro = f"Tried on the file, read {order}" if order else "Tried on the file"
    skipped = f"; {count_noun(trial.skipped, 'line')} skipped" if trial.skipped else ""
    print_lines(
        f"{intro}: {trial.sound:,} of {count_noun(trial.rows, 'row')} would be accepted{skipped}."
    )
    print_problems(trial.problems)


def _json_object(
    draft: "Draft", target: Path, trials: "list[tuple[str, Trial]]", obstacles: list[str]
) -> dict[str, Any]:
    """Return what ``layout --json`` prints."""
    return {
        "layout": str(target),
        "file": draft.name,
        "kind": draft.kind.name,
        "already_fits": False,
        "matched": draft.matched,
        "not_recognized": draft.unmatched,
        "not_found": draft.absent,
        "orders": [choice.order for choice in draft.open_orders],
        "undecided": {question.key: question.text for question in draft.questions},
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
        "trouble": obstacles,
    }
