"""First step of a review: sum records up, so that the crew can be looked at whole.

A pure function of the frames of some splicers; a crew can be summarized in parts, in any order,
and what comes of it does not depend on how it was parted.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields

import numpy as np
import pandas as pd

from arcdrift.air import AirSources, join_air
from arcdrift.analysis.advice.splicer_state import Situation
from arcdrift.analysis.advice.splicer_state_at import PROGRAM_DAYS, situations_of
from arcdrift.analysis.arc.arc_points import arc_points
from arcdrift.analysis.checks.daily_checks import daily_checks
from arcdrift.analysis.clock.clock_errors import Clock, look_at_clock
from arcdrift.analysis.common.days import WORKDAY, record_sites, site_time_zones, workdays
from arcdrift.analysis.common.event_lookup import splicer_index
from arcdrift.analysis.common.grouping import (
    as_text,
    category_to_text,
    concat_frames,
    group_index,
    group_sums,
    text_to_category,
)
from arcdrift.analysis.common.record_columns import RARELY_REPEATED_COLUMNS, SPLICE_COLUMNS
from arcdrift.analysis.loss.acceptance import accepted_days, over_limit
from arcdrift.analysis.loss.agreement import measured_pairs
from arcdrift.analysis.loss.outlier_splices import SingleSplices, single_splices
from arcdrift.analysis.loss.program_findings import COLUMNS as PROGRAM_COLUMNS
from arcdrift.analysis.loss.program_findings import unexpected_days
from arcdrift.analysis.loss.stream_days import loss_days, production
from arcdrift.analysis.loss.technician_days import hand_days
from arcdrift.analysis.maintenance.service_findings import use_by_hour
from arcdrift.analysis.people.cleave_runs import cleave_runs, practice_splices
from arcdrift.analysis.setting_cost.mismatch_groups import mismatch_cells
from arcdrift.arrays import Ints
from arcdrift.clock_bounds import ClockBounds
from arcdrift.settings import Crew

CLOCK_COLUMNS = ("id", "import_id", "spliced_at", "arc_count", "splice_number")
WORK_COLUMNS = [
    "id", "splicer", "spliced_at", WORKDAY, "site", "technician", "program", "fiber_a", "fiber_b",
    "loss_db", "outcome", "purpose", "location",
]  # fmt: skip
HISTOGRAM_STEP_DB = 0.001
OVER_DB = 0.10
NEVER = pd.Timestamp(0, tz="UTC")


@dataclass(frozen=True)
class Summary:
    """Some splicers, or a whole crew, summed up.

    Attributes
    ----------
    splicers : tuple of str
        Sorted.
    splices : int
        How many splices they made.
    days : DataFrame
        Stream days for the loss chart (`arcdrift.analysis.loss.stream_days.loss_days`).
    singles : SingleSplices
        Single splices far outside their stream, and its limits.
    accepted, over : DataFrame
        Stream days beside the mean loss accepted of them
        (`arcdrift.analysis.loss.acceptance.accepted_days`), and splices over the limit of a single
        one (`arcdrift.analysis.loss.acceptance.over_limit`).
    checks : DataFrame
        Daily check statuses.
    points : DataFrame
        Arc checks ready for the model.
    histogram : DataFrame
        ``day``, ``bin`` (0.001 dB), ``count``: exact enough for crew-wide percentiles, and small.
    outcomes : DataFrame
        ``day``, ``splices``, ``total`` (dB), ``over``, ``redo``, ``errors``.
    coverage : DataFrame
        ``kind``, ``splicer``, ``rows``, ``with_air``.
    imports : DataFrame
        ``splicer``, ``import_id``, ``first``, ``last``: which import speaks of which time.
    airless : DataFrame
        ``site``, ``at``: checks and splices without any air reading near them.
    cells : DataFrame
        Splices by program, technician, day and check, for what a wrong arc setting costs
        (`arcdrift.analysis.setting_cost.mismatch_model.mismatch_cells`).
    use : DataFrame
        Splices by cleaver, blade position and hour
        (`arcdrift.analysis.maintenance.service_findings.use_by_hour`).
    hands : DataFrame
        Production splices by technician, cleaver, program, fibers, site and day
        (`arcdrift.analysis.loss.technician_days.hand_days`).
    runs : DataFrame
        Runs of bad cleaves (`arcdrift.analysis.people.cleave_runs.cleave_runs`).
    practice : DataFrame
        Practice splices (`arcdrift.analysis.people.cleave_runs.practice_splices`).
    measured : DataFrame
        Splices measured both ways (`arcdrift.analysis.loss.agreement.measured_pairs`).
    unexpected : DataFrame
        Days of programs not allowed (`arcdrift.analysis.loss.program_findings.unexpected_days`).
    clocks : dict of Clock
        Where the clock of each splicer was wrong; those records are in none of the frames.
    clock_days : DataFrame
        ``splicer``, ``day``: days left out of `checks` because the clock was wrong.
    situations : tuple of Situation
        Where each splicer that made a splice within a day stands now.
    """

    splicers: tuple[str, ...]
    splices: int
    days: pd.DataFrame
    singles: SingleSplices
    accepted: pd.DataFrame
    over: pd.DataFrame
    checks: pd.DataFrame
    points: pd.DataFrame
    histogram: pd.DataFrame
    outcomes: pd.DataFrame
    coverage: pd.DataFrame
    imports: pd.DataFrame
    airless: pd.DataFrame
    cells: pd.DataFrame
    use: pd.DataFrame
    hands: pd.DataFrame
    runs: pd.DataFrame
    practice: pd.DataFrame
    measured: pd.DataFrame
    unexpected: pd.DataFrame
    clocks: dict[str, Clock]
    clock_days: pd.DataFrame
    situations: tuple[Situation, ...]


def splice_columns(crew: Crew) -> tuple[str, ...]:
    """Columns a review reads of the splice log; those of programs only where some are allowed."""
    judged = crew.allowed_programs or crew.heater_programs
    return tuple(dict.fromkeys((*SPLICE_COLUMNS, *(PROGRAM_COLUMNS if judged else ()))))


def summarize(
    splices: pd.DataFrame,
    checks: pd.DataFrame,
    readings: pd.DataFrame | AirSources,
    service: pd.DataFrame,
    crew: Crew,
    now: pd.Timestamp,
    *,
    began: pd.Timestamp | None = None,
    clock_right: Iterable[ClockBounds] = (),
) -> Summary:
    """Sum some splicers up.

    Parameters
    ----------
    splices, checks, service : DataFrame
        All records of those splicers, each splicer's in the order they were stored.
    readings : DataFrame or AirSources
        Prepared readings (`arcdrift.air.prepare_readings`) of the whole crew.
    began : Timestamp, optional
        First day of the crew (`arcdrift.analysis.clock.clock_errors.crew_began`).
    clock_right : iterable of ClockBounds
        Where somebody said that a splicer's clock was right.
    """
    sources = AirSources.of(readings, crew)
    made = len(splices)
    splices = text_to_category(splices, skip=RARELY_REPEATED_COLUMNS)
    parts = _by_splicer(splices, checks)
    counts = splices[[one for one in CLOCK_COLUMNS if one in splices.columns]]
    clocks = {
        name: look_at_clock(
            name,
            counts.iloc[mine],
            checks.iloc[own],
            _zone(name, splices["site"].iloc[mine], crew),
            now,
            began,
            tuple(bounds for bounds in clock_right if bounds.splicer == name),
            crew.day_offset,
        )
        for name, (mine, own) in parts.items()
    }
    if any(clock.stretches for clock in clocks.values()):
        splices, checks = _believed(splices, checks, parts, clocks)
    splices[WORKDAY] = workdays(splices, crew, "spliced_at")
    splice_air = join_air(splices, sources, crew, "spliced_at")
    check_air = join_air(checks, sources, crew, "checked_at")
    work = production(splices[WORK_COLUMNS])
    day = work[WORKDAY]
    statuses = daily_checks(checks, splices, crew, now)
    left_out = _days_left_out(statuses, clocks)
    days = loss_days(splices, service, crew)
    hands, runs = _hands(splices, splice_air, days, crew)
    points = arc_points(checks, check_air, service)
    return Summary(
        splicers=tuple(parts),
        splices=made,
        days=days,
        singles=single_splices(work, day, service),
        accepted=accepted_days(work, day, days, crew),
        over=over_limit(work, day, crew),
        checks=statuses[~left_out].reset_index(drop=True),
        points=points,
        histogram=_histogram(work, day),
        outcomes=_outcomes(splices),
        coverage=_coverage(splices, splice_air, checks, check_air),
        imports=_imports(splices, checks),
        airless=_airless(splices, splice_air, checks, check_air, crew),
        cells=mismatch_cells(splices, splice_air, checks, service, days, crew),
        use=use_by_hour(splices),
        hands=hands,
        runs=runs,
        practice=practice_splices(splices),
        measured=measured_pairs(splices),
        unexpected=unexpected_days(splices, crew),
        clocks=clocks,
        clock_days=statuses.loc[left_out, ["splicer", "day"]].reset_index(drop=True),
        situations=_situations(tuple(parts), splices, checks, sources, service, crew, now),
    )


def concatenate_summaries(parts: Sequence[Summary]) -> Summary:
    """Put summaries of different splicers together, in order of their first splicers."""
    parts = sorted(parts, key=lambda part: part.splicers)
    frames = {
        one.name: concat_frames([getattr(part, one.name) for part in parts])
        for one in fields(Summary)
        if isinstance(getattr(parts[0], one.name), pd.DataFrame)
    }
    return Summary(
        splicers=tuple(sorted(name for part in parts for name in part.splicers)),
        splices=sum(part.splices for part in parts),
        singles=SingleSplices(
            concat_frames([part.singles.exceptions for part in parts]),
            concat_frames([part.singles.limits for part in parts]),
        ),
        clocks={name: clock for part in parts for name, clock in part.clocks.items()},
        situations=tuple(one for part in parts for one in part.situations),
        **frames,
    )


def _by_splicer(splices: pd.DataFrame, checks: pd.DataFrame) -> dict[str, tuple[Ints, Ints]]:
    """Positions of the splices and the checks of each splicer, in the order of names."""
    mine, own = (
        {str(name): np.asarray(at) for name, at in records.groupby("splicer").indices.items()}
        for records in (splices, checks)
    )
    nothing = np.zeros(0, dtype=np.int64)
    return {
        name: (mine.get(name, nothing), own.get(name, nothing)) for name in sorted({*mine, *own})
    }


def _believed(
    splices: pd.DataFrame,
    checks: pd.DataFrame,
    parts: dict[str, tuple[Ints, Ints]],
    clocks: dict[str, Clock],
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Leave out what was recorded while a clock was wrong."""
    kept = [np.ones(len(records), dtype=bool) for records in (splices, checks)]
    for name, clock in clocks.items():
        if clock.stretches:
            for which, records, when, mine in (
                (kept[0], splices, "spliced_at", parts[name][0]),
                (kept[1], checks, "checked_at", parts[name][1]),
            ):
                which[mine] = ~clock.apart(records.iloc[mine], when)
    return splices[kept[0]].reset_index(drop=True), checks[kept[1]].reset_index(drop=True)


def _days_left_out(statuses: pd.DataFrame, clocks: dict[str, Clock]) -> pd.Series:
    out = pd.Series(data=False, index=statuses.index)
    for name, clock in clocks.items():
        if clock.stretches:
            mine = statuses["splicer"] == name
            out[mine] = clock.holds_day(statuses.loc[mine, "day"])
    return out


def _hands(
    splices: pd.DataFrame, air: pd.DataFrame, days: pd.DataFrame, crew: Crew
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Production splices by whose hands made them, and runs of bad cleaves among them."""
    kept = (splices["purpose"] == "production").to_numpy()
    if not kept.all():
        splices, air = (frame[kept].reset_index(drop=True) for frame in (splices, air))
    day = workdays(splices, crew, "spliced_at")
    return hand_days(splices, air, day, days, crew), cleave_runs(splices, day, crew)


def _zone(splicer: str, sites: pd.Series, crew: Crew) -> str:
    """Zone of the site at which the splicer works most."""
    site = sites.mode()
    usual = pd.DataFrame({"splicer": [splicer], "site": [site.iloc[0] if len(site) else pd.NA]})
    return str(site_time_zones(record_sites(usual, crew), crew).iloc[0])


def _situations(
    names: tuple[str, ...],
    splices: pd.DataFrame,
    checks: pd.DataFrame,
    sources: AirSources,
    service: pd.DataFrame,
    crew: Crew,
    now: pd.Timestamp,
) -> tuple[Situation, ...]:
    at = splices["spliced_at"]
    recent = splices[(at <= now) & (at > now - pd.Timedelta(days=PROGRAM_DAYS))]
    newest = (
        category_to_text(recent[["splicer", "spliced_at"]]).groupby("splicer")["spliced_at"].max()
    )
    working = [name for name in names if newest.get(name, NEVER) >= now - pd.Timedelta(days=1)]
    return situations_of(working, checks, recent, service, sources, crew, now)


def _histogram(work: pd.DataFrame, day: pd.Series) -> pd.DataFrame:
    bins = np.rint(work["loss_db"].to_numpy(dtype=float) / HISTOGRAM_STEP_DB).astype(int)
    at = day.to_numpy()
    cell, first = group_index(at, bins)
    return pd.DataFrame({"day": at[first], "bin": bins[first]}).join(
        group_sums(cell, {"count": 1}, counts=("count",))
    )


def _outcomes(splices: pd.DataFrame) -> pd.DataFrame:
    made = splices.loc[splices["purpose"] == "production", [WORKDAY, "loss_db", "outcome"]]
    day = made[WORKDAY].to_numpy()
    cell, first = group_index(day)
    sums = {
        "splices": 1,
        "measured": made["loss_db"].notna(),
        "total": made["loss_db"].fillna(0.0),
        "over": made["loss_db"] > OVER_DB,
        "redo": made["outcome"] == "redo",
        "errors": made["outcome"] == "error",
    }
    table = group_sums(cell, sums, counts=("splices", "measured", "over", "redo", "errors"))
    table.insert(0, "day", day[first])
    return table


def _coverage(
    splices: pd.DataFrame, splice_air: pd.DataFrame, checks: pd.DataFrame, check_air: pd.DataFrame
) -> pd.DataFrame:
    names = sorted({*splices["splicer"].unique(), *checks["splicer"].unique()})
    index, parts = pd.Index(names), []
    for kind, records, air in (
        ("arc-checks", checks, check_air),
        ("splices", splices, splice_air),
    ):
        who = splicer_index(records["splicer"], index)
        with_air = np.bincount(who, air["air_density"].notna(), minlength=len(names))
        counts = {"rows": np.bincount(who, minlength=len(names)), "with_air": with_air.astype(int)}
        parts.append(pd.DataFrame({"kind": kind, "splicer": index} | counts))
    return pd.concat(parts, ignore_index=True)


def _imports(splices: pd.DataFrame, checks: pd.DataFrame) -> pd.DataFrame:
    keys = ["splicer", "import_id"]
    parts = [
        category_to_text(records.groupby(keys)[when].agg(first="min", last="max").reset_index())
        for records, when in ((splices, "spliced_at"), (checks, "checked_at"))
    ]
    spans: pd.DataFrame = pd.concat(parts).groupby(keys).agg({"first": "min", "last": "max"})
    return spans.reset_index()


def _airless(
    splices: pd.DataFrame,
    splice_air: pd.DataFrame,
    checks: pd.DataFrame,
    check_air: pd.DataFrame,
    crew: Crew,
) -> pd.DataFrame:
    parts = []
    for records, air, when in (
        (splices, splice_air, "spliced_at"),
        (checks, check_air, "checked_at"),
    ):
        bare = records[air["air_density"].isna()]
        sites = record_sites(bare, crew)
        parts.append(pd.DataFrame({"site": as_text(sites).fillna("(no site)"), "at": bare[when]}))
    return pd.concat(parts, ignore_index=True).sort_values("at", ignore_index=True)
