"""``arcdrift clock``: lists wrong splicer clocks, and records by how much one was wrong."""

import re
from datetime import timedelta
from typing import TYPE_CHECKING, Annotated, Any

import typer

from arcdrift.cli.crew_folder import CrewSession, command_text, open_crew
from arcdrift.cli.known_names import require_known
from arcdrift.cli.options import CURRENT_FOLDER, AsJson, CrewFolder
from arcdrift.cli.output import frame_records, print_json, print_lines, print_table
from arcdrift.cli.time_arguments import local_time, parse_instant
from arcdrift.clock_bounds import MAX_SHIFT
from arcdrift.errors import UsageError

if TYPE_CHECKING:
    import pandas as pd

    from arcdrift.clock_bounds import ClockBounds
    from arcdrift.store.annotations.clock_shifts import ClockShift

_SHIFT_PART = re.compile(r"(\d+)\s*(d|h|min)")
_SHIFT = re.compile(rf"([+-])?\s*((?:{_SHIFT_PART.pattern}\s*)+)")
_UNITS = {"d": timedelta(days=1), "h": timedelta(hours=1), "min": timedelta(minutes=1)}


def clock(
    splicer: Annotated[str | None, typer.Argument(help="The splicer.")] = None,
    shift: Annotated[
        str | None,
        typer.Option(
            "--shift", metavar="+7h", help="What to add to its times; 0h if the clock was right."
        ),
    ] = None,
    since: Annotated[
        str | None,
        typer.Option("--from", metavar="TIME", help="First wrong time, as the splicer showed it."),
    ] = None,
    until: Annotated[
        str | None,
        typer.Option("--until", metavar="TIME", help="First time after the last wrong one."),
    ] = None,
    by: Annotated[str | None, typer.Option("--by", metavar="NAME", help="Who reports it.")] = None,
    why: Annotated[str | None, typer.Option("--why", metavar="TEXT", help="How it is known.")] = (
        None
    ),
    undo: Annotated[int | None, typer.Option("--undo", metavar="ID", help="Undo a shift.")] = None,
    folder: CrewFolder = CURRENT_FOLDER,
    as_json: AsJson = False,
) -> None:
    """List wrong splicer clocks, or record by how much one was wrong.

    Records keep the logged time; the shift is added when they are read.
    """
    with open_crew(folder) as session:
        if splicer is not None:
            from arcdrift.store.records.record_overview import read_splicers

            known = {*read_splicers(session.engine), *session.crew.splicers}
            splicer = require_known(splicer, known, "splicer")
        options = {"--shift": shift, "--from": since, "--until": until, "--by": by, "--why": why}
        given_options = [name for name, value in options.items() if value is not None]
        if undo is not None:
            _undo_shift(session, splicer, undo, given_options, as_json=as_json)
        elif given_options:
            _set_shift(session, splicer, options, as_json=as_json)
        else:
            _print_clocks(session, splicer, as_json=as_json)


def shift_json(shift: "ClockShift") -> dict[str, Any]:
    """Return one clock shift as ``clock --json`` prints it."""
    return {
        "id": shift.id,
        "splicer": shift.bounds.splicer,
        "shift_hours": shift.shift / timedelta(hours=1),
        "logged_from": shift.bounds.starts_at,
        "logged_until": shift.bounds.ends_at,
        "by": shift.said_by,
        "why": shift.why,
        "recorded_at": shift.recorded_at,
        "undone_at": shift.undone_at,
    }


def parse_shift(text: str) -> timedelta:
    """Parse the value of ``--shift``, such as +7h, -1h, +365d2h or 0h.

    Raises
    ------
    UsageError
        If it is no such value, or longer than 40 years.
    """
    match = _SHIFT.fullmatch(text.strip())
    if match is None:
        raise UsageError(f"--shift {text} is not a shift; write it like +7h, -1h or +365d.")
    size = sum((int(n) * _UNITS[unit] for n, unit in _SHIFT_PART.findall(match[2])), timedelta(0))
    if size and match[1] is None:
        raise UsageError(
            f"--shift {text} needs its sign: +{text.strip()} makes the logged times later, "
            f"-{text.strip()} earlier."
        )
    if size > MAX_SHIFT:
        raise UsageError(f"--shift {text} is longer than 40 years; check the number.")
    return -size if match[1] == "-" else size


def _undo_shift(
    session: CrewSession,
    splicer: str | None,
    shift_id: int,
    given_options: list[str],
    *,
    as_json: bool,
) -> None:
    from arcdrift.store.annotations.clock_shifts import undo_shift

    if splicer is None or given_options:
        raise UsageError("Take a shift back with `arcdrift clock SPLICER --undo ID` alshift.")
    undo_shift(session.engine, splicer, shift_id)
    if as_json:
        print_json({"id": shift_id, "splicer": splicer, "undone": True})
        return
    print_lines(
        f"Shift {shift_id} of {splicer} was taken back; its records are read as logged again.",
        f"Next: {command_text('analyze', session.folder)}.",
    )


def _set_shift(
    session: CrewSession, splicer: str | None, options: dict[str, str | None], *, as_json: bool
) -> None:
    from arcdrift.analysis.clock.clock_findings import home_zone
    from arcdrift.clock_bounds import ClockBounds
    from arcdrift.store.annotations.clock_shifts import count_within, set_shift
    from arcdrift.store.records.future_records import leads_into_future

    missing = [name for name, value in options.items() if value is None]
    if splicer is None:
        missing.insert(0, "SPLICER")
    if splicer is None or missing:
        raise UsageError(
            f"A shift needs {', '.join(missing)} too: arcdrift clock SPLICER --shift +7h "
            "--from TIME --until TIME --by NAME --why TEXT."
        )
    size = parse_shift(str(options["--shift"]))
    zone = home_zone(splicer, session.crew)
    start = parse_instant(str(options["--from"]), zone, "--from")
    end = parse_instant(str(options["--until"]), zone, "--until")
    if leads_into_future(session.engine, session.crew, end, size):
        raise UsageError(
            f"With --shift {options['--shift']} these records would lie in a time to come; check "
            "the sign and --until."
        )
    bounds = _with_suspected_counts(session, ClockBounds(splicer, start, end))
    rows = count_within(session.engine, bounds)
    if not rows and start < end:
        raise UsageError(
            f"{splicer} has no splice or arc check with a logged time from {options['--from']} to "
            f"{options['--until']}; give times as the splicer showed them."
        )
    shift = set_shift(
        session.engine, bounds, size, said_by=str(options["--by"]), why=str(options["--why"])
    )
    if as_json:
        print_json(shift_json(shift) | {"records": rows})
        return
    effect = f"are read {_shift_text(size)}" if size else "count as right"
    print_lines(
        f"Shift {shift.id}: {rows:,} records of {splicer} {effect}; so will those imported later "
        "into the same stretch.",
        f"Next: {command_text('analyze', session.folder)}.",
    )


def _with_suspected_counts(session: CrewSession, typed: "ClockBounds") -> "ClockBounds":
    """Return the bounds with the arc counts of the suspected period they match, if any."""
    from dataclasses import replace

    from arcdrift.store.annotations.clock_shifts import suspected_bounds

    tolerance = timedelta(minutes=2)
    for period in suspected_bounds(session.engine, [typed.splicer]):
        if (
            abs(period.starts_at - typed.starts_at) <= tolerance
            and abs(period.ends_at - typed.ends_at) <= tolerance
        ):
            return replace(period, starts_at=typed.starts_at, ends_at=typed.ends_at)
    return typed


def _print_clocks(session: CrewSession, splicer: str | None, *, as_json: bool) -> None:
    from arcdrift.cli.crew_folder import require_analysis
    from arcdrift.store.annotations.clock_shifts import clock_shifts
    from arcdrift.store.results.result_rows import read_result

    require_analysis(session)
    where = {} if splicer is None else {"splicer": splicer}
    suspected = read_result(session.engine, "result_clock_stretches", **where)
    splicers = None if splicer is None else [splicer]
    shifts = clock_shifts(session.engine, splicers=splicers, undone=True)
    reasons = _not_assessable(session, splicer)
    if as_json:
        periods = [_period_json(row) for row in frame_records(suspected)]
        print_json(
            {
                "suspected": periods,
                "shifts": [shift_json(shift) for shift in shifts],
                "not_told": reasons,
            }
        )
        return
    if suspected.empty:
        print_lines("No splicer clock looks wrong that nobody has spoken of.")
    else:
        _print_suspected(session, suspected)
    if shifts:
        _print_shifts(session, shifts)
    for name, reason in reasons.items():
        print_lines(f"{name}: cannot tell by its counts, since {reason}.")


def _period_json(row: dict[str, Any]) -> dict[str, Any]:
    return {
        "splicer": row["splicer"],
        "shift_hours": row["shift_h"],
        "logged_from": row["starts_at"],
        "logged_until": row["ends_at"],
        "since": row["since"],
        "until": row["until"],
        "splices": row["splices"],
        "checks": row["checks"],
        "days": row["days"],
    }


def _not_assessable(session: CrewSession, splicer: str | None) -> dict[str, str]:
    """Return why the clock cannot be checked by the counts, for each splicer where it cannot."""
    import json

    from arcdrift.store.results.result_rows import read_result

    run = read_result(session.engine, "analysis_run")
    reasons = json.loads(run["summary"].iloc[-1]).get("clocks_not_told", {})
    return {name: why for name, why in reasons.items() if splicer in (None, name)}


def _print_suspected(session: CrewSession, suspected: "pd.DataFrame") -> None:
    from arcdrift.analysis.clock.clock_findings import home_zone

    rows = []
    for row in frame_records(suspected):
        zone = home_zone(row["splicer"], session.crew)
        hours = row["shift_h"]
        rows.append(
            (
                row["splicer"],
                "cannot tell" if hours is None else f"{hours:+.0f}h",
                local_time(row["starts_at"], zone),
                local_time(row["ends_at"], zone),
                row["splices"],
                row["checks"],
                row["days"],
            )
        )
    print_table(
        ["Splicer", "Shift", "Logged from", "Logged until", "Splices", "Checks", "Days"],
        rows,
        numeric_columns=(1, 4, 5, 6),
        title="Clocks that were wrong; these records are kept apart",
    )
    print_lines("`arcdrift findings --kind clock-wrong` says for each what to type.")


def _print_shifts(session: CrewSession, shifts: "list[ClockShift]") -> None:
    from arcdrift.analysis.clock.clock_findings import home_zone

    print_table(
        ["ID", "Splicer", "Shift", "Logged from", "Logged until", "By", "Why"],
        [
            (
                shift.id,
                shift.bounds.splicer,
                _signed_text(shift.shift),
                local_time(shift.bounds.starts_at, home_zone(shift.bounds.splicer, session.crew)),
                local_time(shift.bounds.ends_at, home_zone(shift.bounds.splicer, session.crew)),
                shift.said_by,
                shift.why + (" (taken back)" if shift.undone_at is not None else ""),
            )
            for shift in shifts
        ],
        numeric_columns=(0, 2),
        title="Shifts that were set",
    )


def _signed_text(shift: timedelta) -> str:
    minutes = round(shift / timedelta(minutes=1))
    hours, rest = divmod(abs(minutes), 60)
    sign = "-" if minutes < 0 else "+" if minutes else ""
    return f"{sign}{hours}h" + (f"{rest}min" if rest else "")


def _shift_text(shift: timedelta) -> str:
    return f"{_signed_text(abs(shift))[1:]} {'later' if shift > timedelta(0) else 'earlier'}"
