"""``arcdrift cases``: lists the cases, and the splices to revisit."""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from arcdrift.cli.crew_folder import (
    CrewSession,
    command_text,
    open_crew,
    require_analysis,
    subcommand_folder,
)
from arcdrift.cli.options import CURRENT_FOLDER, AsJson, CrewFolder
from arcdrift.cli.output import count_noun, print_json, print_lines, print_nothing, print_table
from arcdrift.cli.time_arguments import local_day, parse_instant, zone_of_splicer
from arcdrift.errors import UsageError
from arcdrift.wording import screen_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from arcdrift.settings import Crew

CaseState = Literal["open", "new", "taken-on", "waiting", "closed"]
RECENTLY = timedelta(days=42)
"""Time for which a closed case stays in the list."""
SHORT = 6
"""Characters of an id that lists show; `find_case` needs fewer."""

app = typer.Typer()


@app.callback(invoke_without_command=True)
def cases(
    context: typer.Context,
    state: Annotated[
        CaseState | None,
        typer.Option(
            "--state", help="Only cases in this state; open means all that are not closed."
        ),
    ] = None,
    since: Annotated[
        str | None,
        typer.Option(
            "--since", metavar="DATE", help="Only cases with evidence or news on or after this day."
        ),
    ] = None,
    all_cases: Annotated[
        bool,
        typer.Option("--all", help="Also those closed long ago, and what is no work for anybody."),
    ] = False,
    folder: CrewFolder = CURRENT_FOLDER,
    as_json: AsJson = False,
) -> None:
    """List the cases: what is to be worked on, by whom, and what came of it."""
    if context.invoked_subcommand is not None:
        context.obj = folder
        return
    with open_crew(folder) as session:
        require_analysis(session)
        start = None
        if since is not None:
            start = parse_instant(since, zone_of_splicer(session.crew), "--since")
        found = visible_cases(session)
        if not all_cases:
            found = listed_cases(found, now_of_results(session), state, start)
        elif state is not None or start is not None:
            found = [case for case in found if _is_chosen(case, state, start)]
        if as_json:
            print_json(found)
            return
        print_cases(found, session.folder, session.crew, shortened=not all_cases and state is None)


def visible_cases(session: CrewSession) -> list[dict[str, Any]]:
    """Return the cases that may be shown, with pseudonyms if the crew wants them."""
    from arcdrift.analysis.cases.cases_from_store import read_cases
    from arcdrift.people import People
    from arcdrift.store.results.result_rows import read_technicians

    people, names = People(session.crew), read_technicians(session.engine)
    shown = (people.case(case, names) for case in read_cases(session.engine))
    return [case for case in shown if case is not None]


def listed_cases(
    cases: "Sequence[dict[str, Any]]",
    now: datetime,
    state: CaseState | None = None,
    since: datetime | None = None,
) -> list[dict[str, Any]]:
    """Select the cases of a list: work for somebody, open or closed not long ago.

    Parameters
    ----------
    now : datetime
        The instant the results speak of.
    state, since
        As chosen; either lifts the limit on the age of closed cases.
    """
    found = [case for case in cases if case["told"] and _is_chosen(case, state, since)]
    if state is None and since is None:
        found = [case for case in found if not _is_old(case, now)]
    return found


def _is_chosen(case: dict[str, Any], state: CaseState | None, since: datetime | None) -> bool:
    if state == "open" and case["state"] == "closed":
        return False
    if state not in (None, "open") and case["state"] != state:
        return False
    return since is None or _latest(case) >= since


def _latest(case: dict[str, Any]) -> datetime:
    """When evidence was last seen, or something was last done or said."""
    return max(datetime.fromisoformat(at) for at in _instants(case))


def _instants(case: dict[str, Any]) -> list[str]:
    return [case["until"], *(row["at"] for row in case["history"])]


def _is_old(case: dict[str, Any], now: datetime) -> bool:
    """Whether a case was closed too long ago for a list."""
    closed = case["closed"]
    return closed is not None and datetime.fromisoformat(closed["at"]) < now - RECENTLY


def now_of_results(session: CrewSession) -> datetime:
    """Return the instant that the results speak of."""
    from arcdrift.instants import instant_at
    from arcdrift.store.results.result_rows import last_analysis

    run = last_analysis(session.engine)
    return datetime.now(UTC) if run is None else instant_at(run.now)


def print_cases(
    cases: list[dict[str, Any]], folder: Path, crew: "Crew", *, shortened: bool
) -> None:
    """Print cases as tables: the open ones, then the closed ones.

    Parameters
    ----------
    shortened : bool
        Whether cases that were closed long ago are left out.
    """
    from arcdrift.case import CLOSED_WORDS, STATES

    open_cases = [case for case in cases if case["state"] != "closed"]
    closed = [case for case in cases if case["state"] == "closed"]
    if open_cases:
        print_table(
            ("Case", "What", "State", "Days", "Owner"),
            [
                (case["id"][:SHORT], screen_text(case["title"]), STATES[case["state"]],
                 case["days_open"], case["owner"] or "")
                for case in open_cases
            ],
            numeric_columns=(3,),
            title="Open",
        )  # fmt: skip
    if closed:
        print_table(
            ("Case", "What", "Closed", "Why"),
            [
                (case["id"][:SHORT], screen_text(case["title"]), _closing_day(case, crew),
                 f"{CLOSED_WORDS[case['closed']['how']]}: {case['closed']['why']}"
                 if case["closed"]["why"] else CLOSED_WORDS[case["closed"]["how"]])
                for case in closed
            ],
            title="Closed",
        )  # fmt: skip
    older = "; those closed more than six weeks ago are left out" if shortened else ""
    if not cases:
        print_lines(f"No cases for this choice{older}.")
        return
    show = command_text(f"case show {cases[0]['id'][:SHORT]}", folder)
    print_lines(
        f"{count_noun(len(open_cases), 'open case')}, {len(closed):,} closed{older}.",
        f"Next: {show} tells its history and the next step; "
        f"{command_text('cases revisit', folder)} lists splices over the limit.",
    )


def _closing_day(case: dict[str, Any], crew: "Crew") -> str:
    """Local day on which a case was closed."""
    zone = zone_of_splicer(crew, str(case["subject"]["id"]))
    return local_day(case["closed"]["at"], zone)


@app.command()
def revisit(
    context: typer.Context,
    splice: Annotated[
        int | None, typer.Argument(help="Number of a splice on the list, to tick it off.")
    ] = None,
    by: Annotated[str | None, typer.Option("--by", metavar="NAME", help="Who was there.")] = None,
    note: Annotated[str, typer.Option("--note", metavar="TEXT", help="What was found.")] = "",
    undo: Annotated[bool, typer.Option("--undo", help="Put the splice back on the list.")] = False,
    all_splices: Annotated[
        bool, typer.Option("--all", help="Also those made again or ticked off.")
    ] = False,
    folder: CrewFolder = CURRENT_FOLDER,
    as_json: AsJson = False,
) -> None:
    """List splices over the limit by place, newest first, or tick one off as dealt with."""
    from arcdrift.store.cases.revisit_rows import read_revisit, tick_off, undo_tick

    with open_crew(subcommand_folder(context, folder)) as session:
        require_analysis(session)
        if splice is None and (by is not None or undo or note):
            raise UsageError("Say which splice: arcdrift cases revisit NUMBER --by NAME.")
        if splice is not None:
            if not undo and by is None:
                raise UsageError("Say who was there: give --by NAME to tick the splice off.")
            row = undo_tick(session.engine, splice) if undo else tick_off(
                session.engine, splice, by or "", note
            )  # fmt: skip
            if as_json:
                print_json(row)
                return
            where = f" at {row['location']}" if row["location"] else ""
            done = "is on the list again" if undo else f"was ticked off by {by}"
            print_lines(f"Splice {splice}{where} {done}.")
            return
        rows = read_revisit(session.engine)
        chosen = [row for row in rows if all_splices or row["state"] == "open"]
        if as_json:
            print_json(chosen)
            return
        if not chosen:
            print_nothing("No splices over the limit wait to be revisited.", as_json=False)
            return
        _print_revisit(session, chosen, closed=len(rows) - len(chosen))


def _print_revisit(session: CrewSession, rows: list[dict[str, Any]], *, closed: int) -> None:
    states = {"open": "", "made-again": "made again", "ticked-off": "ticked off by"}
    print_table(
        ("Splice", "Place", "Made", "Splicer", "dB", "Limit", ""),
        [
            (
                row["splice_id"], row["location"] or row["site"] or "not logged",
                local_day(row["spliced_at"], zone_of_splicer(session.crew, row["splicer"])),
                row["splicer"], f"{row['loss_db']:.2f}", f"{row['limit_db']:.2f}",
                f"{states[row['state']]} {row['ticked_off_by'] or ''}".strip(),
            )
            for row in rows
        ],
        numeric_columns=(0, 4, 5),
    )  # fmt: skip
    unknown = sum(row["state"] == "open" and not row["can_tell"] for row in rows)
    print_lines(
        f"{count_noun(len(rows), 'splice')}"
        + (f"; {closed:,} more were made again or ticked off" if closed else "")
        + (f"; of {unknown:,} the log cannot tell whether they were made again" if unknown else "")
        + ".",
        f"Next: measure from both ends, make again what is still over the limit, then "
        f"{command_text('cases revisit NUMBER --by NAME', session.folder)} ticks it off. Never "
        "look into a fiber that may carry light, and collect the glass shards.",
    )
