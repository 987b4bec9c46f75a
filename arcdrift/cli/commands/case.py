"""``arcdrift case``: shows a case with its history, and writes down what a person says about it."""

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal
from zoneinfo import ZoneInfo

import typer

from arcdrift.cli.commands.cases import SHORT, visible_cases
from arcdrift.cli.crew_folder import CrewSession, open_crew, require_analysis
from arcdrift.cli.options import CURRENT_FOLDER, AsJson, CrewFolder
from arcdrift.cli.output import print_json, print_lines, print_list
from arcdrift.cli.time_arguments import parse_instant, zone_of_splicer
from arcdrift.wording import screen_text

if TYPE_CHECKING:
    from collections.abc import Callable

app = typer.Typer(no_args_is_help=True)

Id = Annotated[
    str, typer.Argument(metavar="ID", help="Its id, or the first three characters or more of it.")
]
By = Annotated[str, typer.Option("--by", metavar="NAME", help="Who says so.")]
Why = Annotated[str, typer.Option("--why", metavar="TEXT", help="The reason, or what was done.")]
BasedOn = Annotated[
    int | None,
    typer.Option(
        "--version", metavar="N", min=0,
        help="The version of the case that you saw (--json shows it); refused if it has changed.",
    ),
]  # fmt: skip
How = Literal["cured", "not-a-fault", "accepted"]
WORDS = {
    "take": "is taken on by {by}", "done": "waits for the result of what {by} did",
    "close": "was closed by {by}", "reopen": "was opened again by {by}",
}  # fmt: skip


@app.callback()
def case() -> None:
    """Show one case with its history, or say that you take it, that the work is done, ..."""


@app.command()
def show(case_id: Id, folder: CrewFolder = CURRENT_FOLDER, as_json: AsJson = False) -> None:
    """Show a case: what was found, what was done, what came of it, and the next step."""
    from arcdrift.analysis.cases.cases_from_store import find_case

    with open_crew(folder) as session:
        require_analysis(session)
        found = find_case(visible_cases(session), case_id)
        if as_json:
            print_json(found)
            return
        _print_case(found, session)


@app.command()
def take(
    case_id: Id, by: By, why: Why = "", version: BasedOn = None,
    folder: CrewFolder = CURRENT_FOLDER, as_json: AsJson = False,
) -> None:  # fmt: skip
    """Take a case on: it is yours until it is done."""
    _say(folder, case_id, "take", by, why, version, as_json=as_json)


@app.command()
def done(
    case_id: Id, by: By, why: Why = "",
    day: Annotated[
        str | None,
        typer.Option("--day", metavar="DATE", help="When it was done.", show_default="now"),
    ] = None,
    version: BasedOn = None, folder: CrewFolder = CURRENT_FOLDER, as_json: AsJson = False,
) -> None:  # fmt: skip
    """Say that the work is done (--why: what was done); the result is then waited for."""
    _say(folder, case_id, "done", by, why, version, as_json=as_json, day=day)


@app.command()
def close(
    case_id: Id, by: By, why: Why = "",
    how: Annotated[
        How, typer.Option("--as", help="Cured, not a fault (say why), or accepted as it is.")
    ] = "accepted",
    version: BasedOn = None, folder: CrewFolder = CURRENT_FOLDER, as_json: AsJson = False,
) -> None:  # fmt: skip
    """Close a case; it opens itself again if the fault comes back."""
    _say(folder, case_id, "close", by, why, version, as_json=as_json, how=how)


@app.command()
def reopen(
    case_id: Id, by: By, why: Why = "", version: BasedOn = None,
    folder: CrewFolder = CURRENT_FOLDER, as_json: AsJson = False,
) -> None:  # fmt: skip
    """Open a closed case again, with its history."""
    _say(folder, case_id, "reopen", by, why, version, as_json=as_json)


def _say(
    folder: Path, case_id: str, action: str, by: str, why: str, version: int | None, *,
    as_json: bool, how: str = "", day: str | None = None,
) -> None:  # fmt: skip
    from arcdrift.analysis.cases.cases_from_store import find_case, read_cases, state_case

    with open_crew(folder) as session:
        require_analysis(session)
        shown = find_case(visible_cases(session), case_id)
        found = find_case(read_cases(session.engine), shown["id"])
        acted_on = None
        if day is not None:
            acted_on = parse_instant(day, zone_of_splicer(session.crew), "--day")
        state_case(
            session.engine, found, action, by, why, how=how, acted_on=acted_on, based_on=version
        )
        now = find_case(visible_cases(session), shown["id"])
        if as_json:
            print_json(now)
            return
        print_lines(
            f"{screen_text(now['title'])}: case {now['id'][:SHORT]} {WORDS[action].format(by=by)}."
        )
        if now["next_step"]:
            print_lines(f"Next: {screen_text(now['next_step'])}")


def _print_case(case: dict[str, Any], session: CrewSession) -> None:
    from arcdrift.case import CLOSED_WORDS, STATES, rate_text
    from arcdrift.instants import day_text

    zone = ZoneInfo(zone_of_splicer(session.crew, str(case["subject"]["id"])) or "UTC")

    def local(at: str) -> str:
        return day_text(datetime.fromisoformat(at).astimezone(zone).date())

    state = STATES[case["state"]]
    if case["closed"] is not None:
        closed = case["closed"]
        state += f" on {local(closed['at'])}: {CLOSED_WORDS[closed['how']]}"
        state += f", {closed['why']}" if closed["why"] else ""
        state += f" (by {closed['by']})" if closed["by"] else ""
    print_lines(f"{screen_text(case['title'])}.", f"Case {case['id']}, {state}.")
    print_lines(f"Likely cause: {screen_text(case['cause_text'])}.")
    if case["rate"] is not None:
        print_lines(rate_text(case["rate"]))
    if case["owner"]:
        print_lines(f"Taken on by {case['owner']}.")
    if case["result"] is not None and case["state"] != "closed":
        print_lines(f"Result so far: {screen_text(case['result_text'])}.")
    if case["next_step"]:
        print_lines(f"Next: {screen_text(case['next_step'])}")
    print_lines("History:")
    print_list(_history_text(row, local) for row in case["history"])
    if case["findings"]:
        print_lines(f"Evidence: findings {', '.join(case['findings'])}.")
    print_lines(f"Version {case['version']}.")


def _history_text(row: dict[str, Any], local: "Callable[[str], str]") -> str:
    by = f" by {row['by']}" if row["by"] else ""
    text = f": {screen_text(row['text'])}" if row["text"] else ""
    return f"{local(row['at'])} {row['what'].replace('-', ' ')}{by}{text}"
