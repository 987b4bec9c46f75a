"""Splices made with a program that is not allowed for their fibers or sleeve length.

Pairs of fibers and sleeves that crew.toml does not list are not judged, nor are splices without
fibers, sleeve or program in the log.
"""

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from arcdrift.analysis.common.days import WORKDAY, workdays
from arcdrift.analysis.common.episodes import episodes, severity
from arcdrift.analysis.common.grouping import category_to_text, rows_with, text_codes
from arcdrift.arrays import Bools, Ints
from arcdrift.finding import Finding
from arcdrift.settings import Crew

COLUMNS = ("fiber_a", "fiber_b", "sleeve_mm", "heater_program")
"""Columns of a splice log that only these rules use."""
EPISODE_DAYS = 30
RUN = 3
"""So many splices with a wrong program are a run, fewer a slip (common practice, no source)."""
MADE = ("splicer", "site", "spliced_at", WORKDAY)
KEYS = ["part", "asked", "program"]
DAY_COLUMNS = ["splicer", *KEYS, "day", "splices", "first", "last"]


def unexpected_days(splices: pd.DataFrame, crew: Crew) -> pd.DataFrame:
    """Number of splices with a program that is not allowed, by splicer and day.

    Parameters
    ----------
    splices : DataFrame
        With `COLUMNS` where crew.toml allows programs.

    Returns
    -------
    DataFrame
        ``splicer``, ``part`` (splice or heater), ``asked`` (text for the pair or the sleeve),
        ``program``, ``day``, ``splices``, ``first``, ``last`` (UTC). Practice splices are left out.
    """
    if not (crew.allowed_programs or crew.heater_programs):
        return pd.DataFrame(columns=DAY_COLUMNS)
    slips = [*_splice_programs(splices, crew), *_heater_programs(splices, crew)]
    rows = np.concatenate([slip.rows for slip in slips])
    made = [name for name in MADE if name in splices.columns]
    found = category_to_text(splices[made].iloc[rows]).assign(
        part=np.repeat([slip.part for slip in slips], [len(slip.rows) for slip in slips]),
        asked=np.repeat([slip.asked for slip in slips], [len(slip.rows) for slip in slips]),
        program=np.concatenate([slip.program for slip in slips]),
    )
    found["day"] = workdays(found, crew, "spliced_at")
    return (
        found.groupby(["splicer", *KEYS, "day"])["spliced_at"]
        .agg(splices="size", first="min", last="max")
        .reset_index()[DAY_COLUMNS]
    )


class _Slips(NamedTuple):
    """Splices whose program one rule does not allow: their positions, and their programs."""

    part: str
    asked: str
    rows: Ints
    program: npt.NDArray[np.object_]


def _splice_programs(splices: pd.DataFrame, crew: Crew) -> Iterator[_Slips]:
    for (a, b), allowed in _allowed_by_fibers(crew).items():
        first, second = splices["fiber_a"], splices["fiber_b"]
        pair = rows_with(first, a) & rows_with(second, b)
        pair |= rows_with(first, b) & rows_with(second, a)
        yield _slips(splices, "program", pair, allowed, "splice", f"{a} to {b}")


def _heater_programs(splices: pd.DataFrame, crew: Crew) -> Iterator[_Slips]:
    for length, allowed in _allowed_by_sleeve(crew).items():
        sleeve = splices["sleeve_mm"].to_numpy(np.float64, na_value=np.nan) == length
        yield _slips(splices, "heater_program", sleeve, allowed, "heater", f"{length:g} mm")


def _slips(
    splices: pd.DataFrame,
    column: str,
    applies: Bools,
    allowed: tuple[str, ...],
    part: str,
    asked: str,
) -> _Slips:
    """Production splices to which a rule applies and whose program it does not allow."""
    code, programs = text_codes(splices[column])
    wrong = np.append(~programs.isin(allowed), False)[code]  # the last one: no program logged
    rows = np.flatnonzero(wrong & applies & rows_with(splices["purpose"], "production"))
    return _Slips(part, asked, rows, programs.to_numpy(dtype=object)[code[rows]])


def _allowed_by_fibers(crew: Crew) -> dict[tuple[str, str], tuple[str, ...]]:
    """Allowed programs by pair of fibers; several rules for one pair are combined."""
    pairs: dict[tuple[str, str], tuple[str, ...]] = {}
    for rule in crew.allowed_programs:
        a, b = sorted(rule.fibers)
        pairs[a, b] = pairs.get((a, b), ()) + rule.programs
    return pairs


def _allowed_by_sleeve(crew: Crew) -> dict[float, tuple[str, ...]]:
    sleeves: dict[float, tuple[str, ...]] = {}
    for rule in crew.heater_programs:
        sleeves[rule.sleeve_mm] = sleeves.get(rule.sleeve_mm, ()) + rule.programs
    return sleeves


def program_findings(days: pd.DataFrame, crew: Crew, now: pd.Timestamp) -> list[Finding]:
    """One finding per run of splices of a splicer with a program and a pair of fibers or a sleeve.

    Parameters
    ----------
    days : DataFrame
        From `unexpected_days`.

    Notes
    -----
    Days at most `EPISODE_DAYS` apart belong to one run.
    """
    found = []
    for (splicer, part, asked, program), program_days in days.groupby(["splicer", *KEYS]):
        allowed = _allowed(str(part), str(asked), crew)
        for rows in episodes(program_days["first"], pd.Timedelta(days=EPISODE_DAYS)):
            run = program_days.loc[rows]
            found.append(
                _finding(str(splicer), str(part), str(asked), str(program), allowed, run, now)
            )
    return found


def _allowed(part: str, asked: str, crew: Crew) -> tuple[str, ...]:
    if part == "splice":
        return {f"{a} to {b}": programs for (a, b), programs in _allowed_by_fibers(crew).items()}[
            asked
        ]
    return {f"{length:g} mm": programs for length, programs in _allowed_by_sleeve(crew).items()}[
        asked
    ]


def _finding(
    splicer: str,
    part: str,
    asked: str,
    program: str,
    allowed: tuple[str, ...],
    run: pd.DataFrame,
    now: pd.Timestamp,
) -> Finding:
    splices, last = int(run["splices"].sum()), run["last"].max()
    single = splices == 1
    noun = "splice" if part == "splice" else "sleeve"
    name = "program" if part == "splice" else "heater program"
    heavy = splices >= RUN
    repair = (
        "look at their losses, and have the doubtful ones measured or made again."
        if part == "splice"
        else "look the sleeves over for bubbles and cold ends, and heat or replace the doubtful "
        "ones. The heater and fresh sleeves are hot."
    )
    return Finding(
        kind="program-unexpected",
        subject_type="splicer",
        subject_id=splicer,
        since=run["first"].min().to_pydatetime(),
        until=last.to_pydatetime(),
        severity=severity(last, now, heavy=heavy) if heavy else "note",
        evidence={
            "program": program,
            "allowed_programs": list(allowed),
            "fibers" if part == "splice" else "sleeve": asked,
            "splices": splices,
            "days": len(run),
        },
        summary=(
            f"{splicer}: {splices:,} {noun}{'' if single else 's'} of {asked} "
            f"{'was' if single else 'were'} made with {name} {program}; allowed "
            f"{'is' if len(allowed) == 1 else 'are'} {', '.join(allowed)}."
        ),
        next_step=f"Choose an allowed {name} before the next splice; {repair} If the program is "
        f"right after all, add it in crew.toml.",
        assessed_on=now.to_pydatetime(),
    )
