"""First step of a review: summarize the records of some splicers.

A pure function of their frames. A crew can be summarized in parts and in any order, and the days
on which nothing changed need not be summarized again; the result is the same.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, fields, replace

import pandas as pd

from arcdrift.air.air_join import AirSources, join_air
from arcdrift.analysis.advice.splicer_state import SplicerState
from arcdrift.analysis.advice.splicer_states_at import COUNT_DAYS, splicer_states_at
from arcdrift.analysis.arc.arc_points import passed_checks, points_with_air
from arcdrift.analysis.clock.clock_errors import ClockErrors
from arcdrift.analysis.common.days import WORKDAY, workdays
from arcdrift.analysis.common.grouping import (
    category_to_text,
    concat_frames,
    match_rows,
    text_to_category,
)
from arcdrift.analysis.common.record_columns import RARELY_REPEATED_COLUMNS, SPLICE_COLUMNS
from arcdrift.analysis.loss.acceptance.accepted_limits import (
    PLACE_KEYS,
    splices_at_places,
    splices_to_revisit,
)
from arcdrift.analysis.loss.acceptance.program_findings import COLUMNS as PROGRAM_COLUMNS
from arcdrift.analysis.loss.outlier_splices import OutlierSplices
from arcdrift.analysis.loss.stream_days import production_splices, stream_caps
from arcdrift.analysis.review.crew_sums import (
    add_coverage,
    air_coverage,
    import_spans,
    join_spans,
    records_without_air,
)
from arcdrift.analysis.review.splice_counters import SpliceCounters
from arcdrift.analysis.review.splice_summary import (
    EarlierSplices,
    SpliceContext,
    SpliceSummary,
    all_calibration_losses,
    append_days,
    concatenate_splice_summaries,
    over_limit_splices,
    rows_of_days,
    summarize_splices,
)
from arcdrift.analysis.review.wrong_times import (
    clock_errors,
    in_wrong_stretch,
    without_wrong_times,
)
from arcdrift.arrays import Ints
from arcdrift.clock_bounds import ClockBounds
from arcdrift.settings import Crew

STATE_COLUMNS = ["splicer", "spliced_at", "site", "program", "arc_count"]
"""Columns of splices from which the state of a splicer is found."""
PlaceReader = Callable[[Ints], pd.DataFrame]
"""Reads the splices with some ids."""


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
    error_splices, blade_days, stretches, made_again : DataFrame
        Errors, attempts by blade position, stretches of work and attempts after the first at their
        places (`arcdrift.analysis.attempts`).
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
    error_splices: pd.DataFrame
    blade_days: pd.DataFrame
    stretches: pd.DataFrame
    made_again: pd.DataFrame
    clocks: dict[str, ClockErrors]
    states: tuple[SplicerState, ...]


@dataclass(frozen=True)
class PartSummary:
    """Records of some splicers, before they are put together with other splicers and days.

    Attributes
    ----------
    splicers, splices, arc_points, clocks, states
        As in `Summary`.
    settled : tuple of SpliceSummary
        Splices of ranges of days before the latest ones, where these were asked for apart.
    latest : SpliceSummary
        Splices of the other days that were summarized.
    coverage, imports, airless : DataFrame
        Of the arc checks (`arcdrift.analysis.review.crew_sums`).
    """

    splicers: tuple[str, ...]
    splices: int
    settled: tuple[SpliceSummary, ...]
    latest: SpliceSummary
    arc_points: pd.DataFrame
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
    """Summarize all records of some splicers.

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
    counters = SpliceCounters.of(splices)
    clocks = clock_errors(counters, checks, crew, now, began, clock_right)
    return combine_parts(
        [summarize_part_records(splices, checks, readings, service, crew, now, clocks)]
    )


def summarize_part_records(
    splices: pd.DataFrame,
    checks: pd.DataFrame,
    readings: pd.DataFrame | AirSources,
    service: pd.DataFrame,
    crew: Crew,
    now: pd.Timestamp,
    clocks: dict[str, ClockErrors],
    *,
    earlier: EarlierSplices | None = None,
    read_places: PlaceReader | None = None,
    settle_until: Sequence[pd.Timestamp] = (),
    recorded: int | None = None,
) -> PartSummary:
    """Summarize the records of some splicers, or of their latest days.

    Parameters
    ----------
    splices, checks, readings, service, crew, now
        As for `summarize`; `splices` may begin later.
    clocks : dict of ClockErrors
        By splicer (`clock_errors`).
    earlier : EarlierSplices, optional
        What is needed of the days before, whose splices are left out.
    read_places : callable, optional
        Reads splices of the days before; needed with `earlier`.
    settle_until : sequence of Timestamp
        Workdays at which ranges of days end that are summarized apart from later ones.
    recorded : int, optional
        Number of splices on record, where `splices` are not all of them.

    Raises
    ------
    EarlierOutdated
        When `earlier` does not fit these records.
    """
    sources = AirSources.from_readings(readings, crew)
    recorded = len(splices) if recorded is None else recorded
    names = tuple(sorted(clocks))
    service, checks = text_to_category(service), text_to_category(checks)
    right_checks = without_wrong_times(checks, "checked_at", clocks)
    days_of_checks = workdays(right_checks, crew, "checked_at")
    right_checks = right_checks.assign(**{WORKDAY: days_of_checks})
    counted = right_splices = _with_workdays(splices, clocks, crew)
    if earlier is not None:
        right_splices = rows_of_days(counted, WORKDAY, earlier.since, None)
    over_limit, earlier_places = over_limit_splices(right_splices, crew), []
    places = over_limit[PLACE_KEYS]
    if earlier is not None:
        is_new = places["location"].notna() & (match_rows(places, earlier.places, PLACE_KEYS) < 0)
        elsewhere = places[is_new]
        if read_places is not None and len(elsewhere):
            ids = earlier.counters.ids_at(elsewhere)
            there = _with_workdays(read_places(ids), clocks, crew)
            there = production_splices(rows_of_days(there, WORKDAY, None, earlier.since))
            earlier_places = [splices_at_places(there, elsewhere)]
        places = concat_frames([places, earlier.places])
    passed = passed_checks(right_checks, service)
    calibration = all_calibration_losses(right_splices, crew, earlier)
    context = SpliceContext(
        right_checks,
        passed,
        service,
        sources,
        crew,
        now,
        calibration=calibration,
        caps=stream_caps(calibration),
        over_limit=over_limit,
        places=places,
    )
    ranges, before = [], earlier
    for until in (*settle_until, None):
        rows = rows_of_days(right_splices, WORKDAY, None if before is None else before.since, until)
        ranges.append(summarize_splices(rows, context, before, until))
        if until is not None:
            before = EarlierSplices.after(ranges[-1:], until)
    # kept with the first splices over the limit that are at these places
    ranges[0] = replace(ranges[0], places=concat_frames([ranges[0].places, *earlier_places]))
    check_air = join_air(right_checks, sources, crew, "checked_at")
    return PartSummary(
        splicers=names,
        splices=recorded,
        settled=tuple(ranges[:-1]),
        latest=ranges[-1],
        arc_points=category_to_text(points_with_air(passed, check_air)),
        coverage=air_coverage("arc-checks", right_checks, check_air),
        imports=import_spans(right_checks, "checked_at"),
        airless=records_without_air(right_checks, check_air, "checked_at", crew),
        clocks=clocks,
        states=_states(names, counted, right_checks, passed, sources, service, crew, now),
    )


def settle_parts(parts: Sequence[PartSummary]) -> list[SpliceSummary]:
    """Put together what the parts of a crew have settled: the whole crew's splices by range.

    Text is in categories, once for what is kept and for what later steps use.
    """
    ranges = zip(*(part.settled for part in _in_order(parts)), strict=True)
    return [append_days([concatenate_splice_summaries(of_parts)]) for of_parts in ranges]


def combine_parts(parts: Sequence[PartSummary], settled: Sequence[SpliceSummary] = ()) -> Summary:
    """Put summaries of different splicers and days together.

    Parameters
    ----------
    parts : sequence of PartSummary
        Of the whole crew.
    settled : sequence of SpliceSummary
        Splices of the whole crew on all days before the latest ones, in ranges one after the other.
    """
    parts = _in_order(parts)
    splices = concatenate_splice_summaries([part.latest for part in parts])
    splices = append_days([_without_counters(days) for days in (*settled, splices)])
    clocks = {name: clock for part in parts for name, clock in part.clocks.items()}
    judged = ~in_wrong_stretch(splices.check_days, clocks)
    taken = {field.name for field in fields(SpliceSummary)} & {
        field.name for field in fields(Summary)
    }
    return Summary(
        **{name: getattr(splices, name) for name in taken}
        | {
            "splicers": tuple(sorted(name for part in parts for name in part.splicers)),
            "splices": sum(part.splices for part in parts),
            "singles": OutlierSplices(splices.outliers, splices.outlier_state),
            "over_limit": splices_to_revisit(splices.over_limit, splices.places),
            "check_days": splices.check_days[judged].reset_index(drop=True),
            "arc_points": concat_frames([part.arc_points for part in parts]),
            "coverage": add_coverage([splices.coverage, *(part.coverage for part in parts)]),
            "imports": join_spans([splices.imports, *(part.imports for part in parts)]),
            "airless": concat_frames([splices.airless, *(part.airless for part in parts)]),
            "clocks": clocks,
            "states": tuple(state for part in parts for state in part.states),
        }
    )


def _without_counters(splices: SpliceSummary) -> SpliceSummary:
    """A summary without its largest frame, which is needed to summarize later days only."""
    return replace(splices, counters=splices.counters.iloc[:0])


def _in_order(parts: Sequence[PartSummary]) -> list[PartSummary]:
    return sorted(parts, key=lambda part: part.splicers)


def _with_workdays(
    splices: pd.DataFrame, clocks: dict[str, ClockErrors], crew: Crew
) -> pd.DataFrame:
    """Splices made with a right clock, with their workdays; text as categories."""
    splices = text_to_category(splices, skip=RARELY_REPEATED_COLUMNS)
    right = without_wrong_times(splices, "spliced_at", clocks)
    return right.assign(**{WORKDAY: workdays(right, crew, "spliced_at")})


def _states(
    names: tuple[str, ...],
    splices: pd.DataFrame,
    checks: pd.DataFrame,
    passed: pd.DataFrame,
    sources: AirSources,
    service: pd.DataFrame,
    crew: Crew,
    now: pd.Timestamp,
) -> tuple[SplicerState, ...]:
    """State of each splicer."""
    spliced_at = splices["spliced_at"]
    is_recent = (spliced_at <= now) & (spliced_at > now - pd.Timedelta(days=COUNT_DAYS))
    recent = splices.loc[is_recent, STATE_COLUMNS]
    return splicer_states_at(names, checks, recent, service, sources, crew, now, passed=passed)
