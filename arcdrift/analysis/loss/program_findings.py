"""Programs that are not the ones the crew allows for a pair of fibers or a sleeve length.

Nothing is known of a pair or a sleeve that crew.toml does not name, and nothing is judged then;
neither is a splice whose fibers, sleeve or program were not logged.
"""

import pandas as pd

from arcdrift.analysis.common.days import WORKDAY, workdays
from arcdrift.analysis.common.episodes import episodes, severity
from arcdrift.analysis.common.grouping import category_to_text
from arcdrift.finding import Finding
from arcdrift.settings import Crew

COLUMNS = ("fiber_a", "fiber_b", "sleeve_mm", "heater_program")
"""Columns of a splice log that only these rules read."""
EPISODE_DAYS = 30
RUN = 3
"""Splices from which a wrong program is a run, not a slip (common practice, no source)."""
KEYS = ["part", "asked", "program"]
DAY_COLUMNS = ["splicer", *KEYS, "day", "splices", "first", "last"]


def unexpected_days(splices: pd.DataFrame, crew: Crew) -> pd.DataFrame:
    """Splices made with a program not allowed, summed by splicer and day.

    Parameters
    ----------
    splices : DataFrame
        With `COLUMNS` where crew.toml allows programs.

    Returns
    -------
    DataFrame
        ``splicer``, ``part`` (splice or heater), ``asked`` (words for the pair or the sleeve),
        ``program``, ``day``, ``splices``, ``first``, ``last`` (UTC). Practice splices are left out.
    """
    if not (crew.allowed_programs or crew.heater_programs):
        return pd.DataFrame(columns=DAY_COLUMNS)
    made = ("splicer", "site", "spliced_at", WORKDAY)
    own = [name for name in made if name in splices.columns]
    work = splices.loc[splices["purpose"] == "production", [*own, "program", *COLUMNS]]
    found = pd.concat([_splice_programs(work, crew), _heater_programs(work, crew)])
    found = found.join(category_to_text(work.loc[found.index.unique(), own]))
    found["day"] = workdays(found, crew, "spliced_at")
    return (
        found.groupby(["splicer", *KEYS, "day"])["spliced_at"]
        .agg(splices="size", first="min", last="max")
        .reset_index()[DAY_COLUMNS]
    )


def _splice_programs(work: pd.DataFrame, crew: Crew) -> pd.DataFrame:
    parts = [pd.DataFrame(columns=KEYS)]
    for (one, other), allowed in _pairs(crew).items():
        pair = (work["fiber_a"] == one) & (work["fiber_b"] == other)
        pair |= (work["fiber_a"] == other) & (work["fiber_b"] == one)
        parts.append(_wrong(work["program"], pair, allowed, "splice", f"{one} to {other}"))
    return pd.concat(parts)


def _heater_programs(work: pd.DataFrame, crew: Crew) -> pd.DataFrame:
    parts = [pd.DataFrame(columns=KEYS)]
    for length, allowed in _sleeves(crew).items():
        sleeve = work["sleeve_mm"] == length
        parts.append(_wrong(work["heater_program"], sleeve, allowed, "heater", f"{length:g} mm"))
    return pd.concat(parts)


def _wrong(
    program: pd.Series, concerned: pd.Series, allowed: tuple[str, ...], part: str, asked: str
) -> pd.DataFrame:
    wrong = concerned.fillna(False) & program.notna() & ~program.isin(allowed)
    return category_to_text(pd.DataFrame({"part": part, "asked": asked, "program": program[wrong]}))


def _pairs(crew: Crew) -> dict[tuple[str, str], tuple[str, ...]]:
    """Programs allowed by pair; several blocks for one pair add up."""
    pairs: dict[tuple[str, str], tuple[str, ...]] = {}
    for rule in crew.allowed_programs:
        one, other = sorted(rule.fibers)
        pairs[one, other] = pairs.get((one, other), ()) + rule.programs
    return pairs


def _sleeves(crew: Crew) -> dict[float, tuple[str, ...]]:
    sleeves: dict[float, tuple[str, ...]] = {}
    for rule in crew.heater_programs:
        sleeves[rule.sleeve_mm] = sleeves.get(rule.sleeve_mm, ()) + rule.programs
    return sleeves


def program_findings(days: pd.DataFrame, crew: Crew, now: pd.Timestamp) -> list[Finding]:
    """One finding for every run of a splicer, a program and a pair of fibers or a sleeve.

    Parameters
    ----------
    days : DataFrame
        From `unexpected_days`.

    Notes
    -----
    Days of such splices no more than `EPISODE_DAYS` apart are one run.
    """
    found = []
    for (splicer, part, asked, program), mine in days.groupby(["splicer", *KEYS]):
        allowed = _allowed(str(part), str(asked), crew)
        for rows in episodes(mine["first"], pd.Timedelta(days=EPISODE_DAYS)):
            run = mine.loc[rows]
            found.append(
                _finding(str(splicer), str(part), str(asked), str(program), allowed, run, now)
            )
    return found


def _allowed(part: str, asked: str, crew: Crew) -> tuple[str, ...]:
    if part == "splice":
        return {f"{a} to {b}": programs for (a, b), programs in _pairs(crew).items()}[asked]
    return {f"{length:g} mm": programs for length, programs in _sleeves(crew).items()}[asked]


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
    one = splices == 1
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
            f"{splicer}: {splices:,} {noun}{'' if one else 's'} of {asked} "
            f"{'was' if one else 'were'} made with {name} {program}; allowed "
            f"{'is' if len(allowed) == 1 else 'are'} {', '.join(allowed)}."
        ),
        next_step=f"Choose an allowed {name} before the next splice; {repair} If the program is "
        f"right after all, add it in crew.toml.",
        assessed_on=now.to_pydatetime(),
    )
