"""First step of a review: summarize the records of some splicers.

A pure function of their frames. A crew can be summarized in parts and in any order; the result
does not depend on how it was split.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields

import numpy as np
import pandas as pd

from arcdrift.air.air_join import AirSources, join_air
from arcdrift.analysis.advice.splicer_state import SplicerState
from arcdrift.analysis.advice.splicer_state_at import PROGRAM_DAYS, splicer_states_at
from arcdrift.analysis.arc.arc_points import arc_points
from arcdrift.analysis.checks.daily_checks import daily_checks
from arcdrift.analysis.clock.clock_errors import ClockErrors, find_clock_errors
from arcdrift.analysis.common.days import WORKDAY, record_sites, site_time_zones, workdays
from arcdrift.analysis.common.grouping import (
    category_to_text,
    concat_frames,
    text_to_category,
)
from arcdrift.analysis.common.record_columns import RARELY_REPEATED_COLUMNS, SPLICE_COLUMNS
from arcdrift.analysis.loss.acceptance.accepted_limits import accepted_days, splices_over_limit
from arcdrift.analysis.loss.acceptance.agreement import measured_pairs
from arcdrift.analysis.loss.acceptance.program_findings import COLUMNS as PROGRAM_COLUMNS
from arcdrift.analysis.loss.acceptance.program_findings import unexpected_days
from arcdrift.analysis.loss.outlier_splices import OutlierSplices, find_outlier_splices
from arcdrift.analysis.loss.stream_days import aggregate_stream_days, production_splices
from arcdrift.analysis.loss.technician_days import aggregate_technician_days
from arcdrift.analysis.maintenance.service_findings import usage_by_hour
from arcdrift.analysis.people.cleave_runs import cleave_runs, practice_splices
from arcdrift.analysis.review.crew_sums import (
    air_coverage,
    daily_outcomes,
    import_spans,
    loss_histogram,
    records_without_air,
)
from arcdrift.analysis.setting_cost.mismatch_groups import mismatch_cells
from arcdrift.arrays import Ints
from arcdrift.clock_bounds import ClockBounds
from arcdrift.settings import Crew

CLOCK_COLUMNS = ("id", "import_id", "spliced_at", "arc_count", "splice_number")
WORK_COLUMNS = [
    "id", "splicer", "spliced_at", WORKDAY, "site", "technician", "program", "fiber_a", "fiber_b",
    "loss_db", "loss_below_db", "outcome", "purpose", "location",
]  # fmt: skip
NEVER = pd.Timestamp(0, tz="UTC")


@dataclass(frozen=True)
class Summary:
    """Records of some splicers, or of a whole crew, summarized.

    Records made while a splicer's clock was wrong are in none of the frames.

    Attributes
    ----------
    splicers : tuple of str
        Sorted.
    splices : int
        Number of splices on record.
    stream_days : DataFrame
        Days of each splicer and program (`arcdrift.analysis.loss.stream_days`).
    technician_days : DataFrame
        Production splices by technician, cleaver, program, fibers, site and day
        (`arcdrift.analysis.loss.technician_days`).
    singles : OutlierSplices
        Single splices far outside their stream, and the limits used.
    accepted_days : DataFrame
        Stream days beside the mean loss accepted for them
        (`arcdrift.analysis.loss.acceptance.accepted_limits`).
    over_limit : DataFrame
        Splices above the limit accepted for a single one (the same module).
    measured : DataFrame
        Splices measured from both ends (`arcdrift.analysis.loss.acceptance.agreement`).
    unexpected_days : DataFrame
        Days on which a program was used that is not allowed
        (`arcdrift.analysis.loss.acceptance.program_findings`).
    check_days : DataFrame
        Status of the arc check on each workday (`arcdrift.analysis.checks.daily_checks`).
    arc_points : DataFrame
        Arc checks with their air, ready for the arc model (`arcdrift.analysis.arc.arc_points`).
    mismatch_groups : DataFrame
        Splices by program, technician, day and latest check, for what a wrong arc setting costs
        (`arcdrift.analysis.setting_cost.mismatch_groups`).
    use : DataFrame
        Splices by splicer, cleaver, blade position and hour
        (`arcdrift.analysis.maintenance.service_findings`).
    cleave_runs, practice : DataFrame
        Runs of bad cleaves, and practice splices (`arcdrift.analysis.people.cleave_runs`).
    histogram, outcomes, coverage, imports, airless : DataFrame
        Sums for the crew as a whole (`arcdrift.analysis.review.crew_sums`).
    clocks : dict of Clock
        By splicer: the stretches in which its clock was wrong.
    states : tuple of Situation
        State of each splicer that made a splice within the last day.
    """

    splicers: tuple[str, ...]
    splices: int
    stream_days: pd.DataFrame
    technician_days: pd.DataFrame
    singles: OutlierSplices
    accepted_days: pd.DataFrame
    over_limit: pd.DataFrame
    measured: pd.DataFrame
    unexpected_days: pd.DataFrame
    check_days: pd.DataFrame
    arc_points: pd.DataFrame
    mismatch_groups: pd.DataFrame
    use: pd.DataFrame
    cleave_runs: pd.DataFrame
    practice: pd.DataFrame
    histogram: pd.DataFrame
    outcomes: pd.DataFrame
    coverage: pd.DataFrame
    imports: pd.DataFrame
    airless: pd.DataFrame
    clocks: dict[str, ClockErrors]
    states: tuple[SplicerState, ...]


def splice_columns(crew: Crew) -> tuple[str, ...]:
    """Columns of the splice log that a review reads.

    Those about programs are read only if crew.toml says which programs are allowed.
    """
    program_columns = PROGRAM_COLUMNS if crew.allowed_programs or crew.heater_programs else ()
    return tuple(dict.fromkeys((*SPLICE_COLUMNS, *program_columns)))


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
    """Summarize some splicers.

    Parameters
    ----------
    splices, checks, service : DataFrame
        All records of those splicers, each splicer's in the order they were stored.
    readings : DataFrame or AirSources
        Prepared readings (`arcdrift.air.prepared_readings`) of the whole crew.
    began : Timestamp, optional
        First day of the crew (`arcdrift.analysis.clock.clock_errors.crew_start`).
    clock_right : iterable of ClockBounds
        Stretches in which somebody said that a splicer's clock was right.
    """
    sources = AirSources.from_readings(readings, crew)
    recorded = len(splices)
    splices = text_to_category(splices, skip=RARELY_REPEATED_COLUMNS)
    positions = _positions_by_splicer(splices, checks)
    clocks = _clocks(splices, checks, positions, crew, now, began, tuple(clock_right))
    if any(clock.stretches for clock in clocks.values()):
        splices, checks = _without_wrong_times(splices, checks, positions, clocks)
    splices[WORKDAY] = workdays(splices, crew, "spliced_at")
    splice_air = join_air(splices, sources, crew, "spliced_at")
    check_air = join_air(checks, sources, crew, "checked_at")
    work = production_splices(splices[WORK_COLUMNS])
    day = work[WORKDAY]
    check_days = daily_checks(checks, splices, crew, now)
    judged = ~_in_wrong_stretch(check_days, clocks)
    stream_days = aggregate_stream_days(splices, service, crew)
    technician_days, runs = _technician_days(splices, splice_air, stream_days, crew)
    return Summary(
        splicers=tuple(positions),
        splices=recorded,
        stream_days=stream_days,
        technician_days=technician_days,
        singles=find_outlier_splices(work, day, service),
        accepted_days=accepted_days(work, day, stream_days, crew),
        over_limit=splices_over_limit(work, day, crew),
        measured=measured_pairs(splices),
        unexpected_days=unexpected_days(splices, crew),
        check_days=check_days[judged].reset_index(drop=True),
        arc_points=arc_points(checks, check_air, service),
        mismatch_groups=mismatch_cells(splices, splice_air, checks, service, stream_days, crew),
        use=usage_by_hour(splices),
        cleave_runs=runs,
        practice=practice_splices(splices),
        histogram=loss_histogram(work, day),
        outcomes=daily_outcomes(splices),
        coverage=air_coverage(splices, splice_air, checks, check_air),
        imports=import_spans(splices, checks),
        airless=records_without_air(splices, splice_air, checks, check_air, crew),
        clocks=clocks,
        states=_states(tuple(positions), splices, checks, sources, service, crew, now),
    )


def concatenate_summaries(parts: Sequence[Summary]) -> Summary:
    """Put summaries of different splicers together, sorted by their first splicers."""
    parts = sorted(parts, key=lambda part: part.splicers)
    frames = {
        field.name: concat_frames([getattr(part, field.name) for part in parts])
        for field in fields(Summary)
        if isinstance(getattr(parts[0], field.name), pd.DataFrame)
    }
    return Summary(
        splicers=tuple(sorted(name for part in parts for name in part.splicers)),
        splices=sum(part.splices for part in parts),
        singles=OutlierSplices(
            concat_frames([part.singles.outliers for part in parts]),
            concat_frames([part.singles.limits for part in parts]),
        ),
        clocks={name: clock for part in parts for name, clock in part.clocks.items()},
        states=tuple(state for part in parts for state in part.states),
        **frames,
    )


def _positions_by_splicer(
    splices: pd.DataFrame, checks: pd.DataFrame
) -> dict[str, tuple[Ints, Ints]]:
    """Row numbers of the splices and of the checks of each splicer, sorted by name."""
    splices_of, checks_of = (
        {str(name): np.asarray(rows) for name, rows in records.groupby("splicer").indices.items()}
        for records in (splices, checks)
    )
    none = np.zeros(0, dtype=np.int64)
    return {
        name: (splices_of.get(name, none), checks_of.get(name, none))
        for name in sorted({*splices_of, *checks_of})
    }


def _clocks(
    splices: pd.DataFrame,
    checks: pd.DataFrame,
    positions: dict[str, tuple[Ints, Ints]],
    crew: Crew,
    now: pd.Timestamp,
    began: pd.Timestamp | None,
    clock_right: tuple[ClockBounds, ...],
) -> dict[str, ClockErrors]:
    """Look for stretches in which each splicer's clock was wrong."""
    counts = splices[[name for name in CLOCK_COLUMNS if name in splices.columns]]
    return {
        name: find_clock_errors(
            name,
            counts.iloc[splice_rows],
            checks.iloc[check_rows],
            _usual_zone(name, splices["site"].iloc[splice_rows], crew),
            now,
            began,
            tuple(bounds for bounds in clock_right if bounds.splicer == name),
            crew.day_offset,
        )
        for name, (splice_rows, check_rows) in positions.items()
    }


def _without_wrong_times(
    splices: pd.DataFrame,
    checks: pd.DataFrame,
    positions: dict[str, tuple[Ints, Ints]],
    clocks: dict[str, ClockErrors],
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Leave out the records made while a clock was wrong."""
    right_splices, right_checks = (np.ones(len(rows), np.bool_) for rows in (splices, checks))
    for name, clock in clocks.items():
        if clock.stretches:
            splice_rows, check_rows = positions[name]
            right_splices[splice_rows] = ~clock.contains(splices.iloc[splice_rows], "spliced_at")
            right_checks[check_rows] = ~clock.contains(checks.iloc[check_rows], "checked_at")
    return (
        splices[right_splices].reset_index(drop=True),
        checks[right_checks].reset_index(drop=True),
    )


def _in_wrong_stretch(check_days: pd.DataFrame, clocks: dict[str, ClockErrors]) -> pd.Series:
    """Whether each splicer's workday lies in a stretch in which its clock was wrong."""
    wrong = pd.Series(data=False, index=check_days.index)
    for name, clock in clocks.items():
        if clock.stretches:
            rows = check_days["splicer"] == name
            wrong[rows] = clock.holds_day(check_days.loc[rows, "day"])
    return wrong


def _technician_days(
    splices: pd.DataFrame, air: pd.DataFrame, stream_days: pd.DataFrame, crew: Crew
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Production splices by technician and day, and the runs of bad cleaves among them."""
    in_production = (splices["purpose"] == "production").to_numpy()
    if not in_production.all():
        splices, air = (frame[in_production].reset_index(drop=True) for frame in (splices, air))
    day = workdays(splices, crew, "spliced_at")
    return aggregate_technician_days(splices, air, day, stream_days, crew), cleave_runs(
        splices, day, crew
    )


def _usual_zone(splicer: str, sites: pd.Series, crew: Crew) -> str:
    """Time zone of the site at which the splicer works most."""
    site = sites.mode()
    usual = pd.DataFrame({"splicer": [splicer], "site": [site.iloc[0] if len(site) else pd.NA]})
    return str(site_time_zones(record_sites(usual, crew), crew).iloc[0])


def _states(
    names: tuple[str, ...],
    splices: pd.DataFrame,
    checks: pd.DataFrame,
    sources: AirSources,
    service: pd.DataFrame,
    crew: Crew,
    now: pd.Timestamp,
) -> tuple[SplicerState, ...]:
    """State of each splicer that made a splice within the last day."""
    spliced_at = splices["spliced_at"]
    recent = splices[(spliced_at <= now) & (spliced_at > now - pd.Timedelta(days=PROGRAM_DAYS))]
    by_splicer = category_to_text(recent[["splicer", "spliced_at"]]).groupby("splicer")
    newest = by_splicer["spliced_at"].max()
    working = [name for name in names if newest.get(name, NEVER) >= now - pd.Timedelta(days=1)]
    return splicer_states_at(working, checks, recent, service, sources, crew, now)
