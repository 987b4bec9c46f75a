"""``arcdrift clock``: splicer clocks that were wrong, and saying by how much."""

import re
from datetime import timedelta
from typing import TYPE_CHECKING, Annotated, Any

import typer

from arcdrift.cli.crew_folder import OpenCrew, command, open_crew
from arcdrift.cli.names import require_known
from arcdrift.cli.options import HERE, AsJson, CrewFolder
from arcdrift.cli.output import print_json, print_table, records_of, tell
from arcdrift.cli.time_arguments import local, typed_instant
from arcdrift.errors import UsageError

if TYPE_CHECKING:
    import pandas as pd

    from arcdrift.clock_bounds import ClockBounds
    from arcdrift.store.clock_shifts import ClockShift

_PART = re.compile(r"(\d+)\s*(d|h|min)")
_SHIFT = re.compile(rf"([+-])?\s*((?:{_PART.pattern}\s*)+)")
_UNIT = {"d": timedelta(days=1), "h": timedelta(hours=1), "min": timedelta(minutes=1)}
_MOST = timedelta(days=365 * 40)


def clock(
    splicer: Annotated[str | None, typer.Argument(help="Whose clock.")] = None,
    shift: Annotated[
        str | None,
        typer.Option("--shift", metavar="+7h", help="What to add to its times; 0h: it is right."),
    ] = None,
    since: Annotated[
        str | None,
        typer.Option("--from", metavar="TIME", help="First wrong time, as the splicer showed it."),
    ] = None,
    until: Annotated[
        str | None,
        typer.Option("--until", metavar="TIME", help="First time after the last wrong one."),
    ] = None,
    by: Annotated[str | None, typer.Option("--by", metavar="NAME", help="Who says so.")] = None,
    why: Annotated[str | None, typer.Option("--why", metavar="TEXT", help="How it is known.")] = (
        None
    ),
    undo: Annotated[
        int | None, typer.Option("--undo", metavar="ID", help="Take a shift back.")
    ] = None,
    crew: CrewFolder = HERE,
    as_json: AsJson = False,
) -> None:
    """List splicer clocks that were wrong, or say by how much one was.

    Records keep the time that was logged; a shift is added when they are read.
    """
    with open_crew(crew) as here:
        if splicer is not None:
            from arcdrift.store import read

            known = {*read.splicers(here.engine), *here.crew.splicers}
            splicer = require_known(splicer, known, "splicer")
        told = {"--shift": shift, "--from": since, "--until": until, "--by": by, "--why": why}
        given = [name for name, value in told.items() if value is not None]
        if undo is not None:
            _undo(here, splicer, undo, given, as_json=as_json)
        elif given:
            _set(here, splicer, told, as_json=as_json)
        else:
            _list(here, splicer, as_json=as_json)


def as_data(shift: "ClockShift") -> dict[str, Any]:
    """Shape of one shift in ``clock --json``."""
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


def typed_shift(text: str) -> timedelta:
    """Turn what was typed after ``--shift`` into a span: +7h, -1h, +365d2h, 0h.

    Raises
    ------
    UsageError
        When it is none, or longer than a splicer can be old.
    """
    found = _SHIFT.fullmatch(text.strip())
    if found is None:
        raise UsageError(f"--shift {text} is not a shift; write it like +7h, -1h or +365d.")
    size = sum((int(n) * _UNIT[unit] for n, unit in _PART.findall(found[2])), timedelta(0))
    if size and found[1] is None:
        raise UsageError(
            f"--shift {text} needs its sign: +{text.strip()} makes the logged times later, "
            f"-{text.strip()} earlier."
        )
    if size > _MOST:
        raise UsageError(f"--shift {text} is longer than 40 years; check the number.")
    return -size if found[1] == "-" else size


def _undo(
    here: OpenCrew, splicer: str | None, number: int, given: list[str], *, as_json: bool
) -> None:
    from arcdrift.store.clock_shifts import undo_shift

    if splicer is None or given:
        raise UsageError("Take a shift back with `arcdrift clock SPLICER --undo ID` alone.")
    undo_shift(here.engine, splicer, number)
    if as_json:
        print_json({"id": number, "splicer": splicer, "undone": True})
        return
    tell(
        f"Shift {number} of {splicer} was taken back; its records are read as logged again.",
        f"Next: {command('analyze', here.folder)}.",
    )


def _set(
    here: OpenCrew, splicer: str | None, told: dict[str, str | None], *, as_json: bool
) -> None:
    from arcdrift.analysis.clock.clock_findings import zone_of
    from arcdrift.clock_bounds import ClockBounds
    from arcdrift.store.clock_shifts import set_shift
    from arcdrift.store.read import assessment_time

    missing = [name for name, value in told.items() if value is None]
    if splicer is None:
        missing.insert(0, "SPLICER")
    if splicer is None or missing:
        raise UsageError(
            f"A shift needs {', '.join(missing)} too: arcdrift clock SPLICER --shift +7h "
            "--from TIME --until TIME --by NAME --why TEXT."
        )
    size = typed_shift(str(told["--shift"]))
    zone = zone_of(splicer, here.crew)
    start = typed_instant(str(told["--from"]), zone, "--from")
    end = typed_instant(str(told["--until"]), zone, "--until")
    if size and end + size > assessment_time(here.engine, here.crew) + timedelta(days=1):
        raise UsageError(
            f"With --shift {told['--shift']} these records would lie in a time to come; check "
            "the sign and --until."
        )
    bounds = _with_counts(here, ClockBounds(splicer, start, end))
    rows = _rows_within(here, bounds)
    if not rows and start < end:
        raise UsageError(
            f"{splicer} has no splice or arc check with a logged time from {told['--from']} to "
            f"{told['--until']}; give times as the splicer showed them."
        )
    done = set_shift(here.engine, bounds, size, said_by=str(told["--by"]), why=str(told["--why"]))
    if as_json:
        print_json(as_data(done) | {"records": rows})
        return
    what = f"are read {_words(size)}" if size else "count as right"
    tell(
        f"Shift {done.id}: {rows:,} records of {splicer} {what}; so will those imported later "
        "into the same stretch.",
        f"Next: {command('analyze', here.folder)}.",
    )


def _with_counts(here: OpenCrew, typed: "ClockBounds") -> "ClockBounds":
    """Take over the counts of the suspected stretch that was typed, if it is one."""
    from dataclasses import replace

    from arcdrift.store.clock_shifts import suspected

    minute = timedelta(minutes=2)
    for found in suspected(here.engine, [typed.splicer]):
        if (
            abs(found.starts_at - typed.starts_at) <= minute
            and abs(found.ends_at - typed.ends_at) <= minute
        ):
            return replace(found, starts_at=typed.starts_at, ends_at=typed.ends_at)
    return typed


def _rows_within(here: OpenCrew, bounds: "ClockBounds") -> int:
    from arcdrift.store.clock_shifts import rows_within

    return rows_within(here.engine, bounds)


def _list(here: OpenCrew, splicer: str | None, *, as_json: bool) -> None:
    from arcdrift.cli.crew_folder import require_analysis
    from arcdrift.store import read
    from arcdrift.store.clock_shifts import clock_shifts

    require_analysis(here)
    only = {} if splicer is None else {"splicer": splicer}
    found = read.result(here.engine, "result_clock_stretches", **only)
    shifts = clock_shifts(here.engine, splicers=None if splicer is None else [splicer], undone=True)
    reasons = _not_told(here, splicer)
    if as_json:
        stretches = [_stretch_data(row) for row in records_of(found)]
        print_json(
            {
                "suspected": stretches,
                "shifts": [as_data(shift) for shift in shifts],
                "not_told": reasons,
            }
        )
        return
    if found.empty:
        tell("No splicer clock looks wrong that nobody has spoken of.")
    else:
        _print_found(here, found)
    if shifts:
        _print_shifts(here, shifts)
    for name, reason in reasons.items():
        tell(f"{name}: cannot tell by its counts, since {reason}.")


def _stretch_data(row: dict[str, Any]) -> dict[str, Any]:
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


def _not_told(here: OpenCrew, splicer: str | None) -> dict[str, str]:
    import json

    from arcdrift.store import read

    run = read.result(here.engine, "analysis_run")
    reasons = json.loads(run["summary"].iloc[-1]).get("clocks_not_told", {})
    return {name: why for name, why in reasons.items() if splicer in (None, name)}


def _print_found(here: OpenCrew, found: "pd.DataFrame") -> None:
    from arcdrift.analysis.clock.clock_findings import zone_of

    rows = []
    for row in records_of(found):
        zone = zone_of(row["splicer"], here.crew)
        hours = row["shift_h"]
        rows.append(
            (
                row["splicer"],
                "cannot tell" if hours is None else f"{hours:+.0f}h",
                local(row["starts_at"], zone),
                local(row["ends_at"], zone),
                row["splices"],
                row["checks"],
                row["days"],
            )
        )
    print_table(
        ["Splicer", "Shift", "Logged from", "Logged until", "Splices", "Checks", "Days"],
        rows,
        numbers=(1, 4, 5, 6),
        title="Clocks that were wrong; these records are kept apart",
    )
    tell("`arcdrift findings --kind clock-wrong` says for each what to type.")


def _print_shifts(here: OpenCrew, shifts: "list[ClockShift]") -> None:
    from arcdrift.analysis.clock.clock_findings import zone_of

    print_table(
        ["ID", "Splicer", "Shift", "Logged from", "Logged until", "By", "Why"],
        [
            (
                one.id,
                one.bounds.splicer,
                _size(one.shift),
                local(one.bounds.starts_at, zone_of(one.bounds.splicer, here.crew)),
                local(one.bounds.ends_at, zone_of(one.bounds.splicer, here.crew)),
                one.said_by,
                one.why + (" (taken back)" if one.undone_at is not None else ""),
            )
            for one in shifts
        ],
        numbers=(0, 2),
        title="Shifts that were set",
    )


def _size(shift: timedelta) -> str:
    minutes = round(shift / timedelta(minutes=1))
    hours, rest = divmod(abs(minutes), 60)
    sign = "-" if minutes < 0 else "+" if minutes else ""
    return f"{sign}{hours}h" + (f"{rest}min" if rest else "")


def _words(shift: timedelta) -> str:
    return f"{_size(abs(shift))[1:]} {'later' if shift > timedelta(0) else 'earlier'}"
