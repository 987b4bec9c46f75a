"""Summarizes splices of some splicers on a range of workdays.

A review need not read splices of days on which nothing changed: the summary of all earlier days is
kept, with what is needed of them to go on (`EarlierSplices`). The result is the same as that of all
days at once.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
import pandas as pd

from arcdrift.air.air_join import AirSources, join_air
from arcdrift.analysis.attempts.attempt_cells import BLADE_COLUMNS, blade_days, error_splices
from arcdrift.analysis.attempts.made_again import KEYS as AGAIN_KEYS
from arcdrift.analysis.attempts.made_again import made_again
from arcdrift.analysis.attempts.stretches import KEYS as STRETCH_KEYS
from arcdrift.analysis.attempts.stretches import work_stretches
from arcdrift.analysis.checks.daily_checks import EarlierDays, daily_checks
from arcdrift.analysis.common.days import WORKDAY, record_sites
from arcdrift.analysis.common.event_lookup import to_microseconds
from arcdrift.analysis.common.grouping import (
    category_to_text,
    concat_categories,
    concat_frames,
    group_index,
    match_rows,
    rows_with,
    sort_rows,
    text_codes,
    time_order,
)
from arcdrift.analysis.common.places import find_places
from arcdrift.analysis.common.record_columns import RARELY_REPEATED_COLUMNS
from arcdrift.analysis.loss.acceptance.accepted_limits import (
    PLACE_KEYS,
    accepted_days,
    smallest_limit,
    splice_limits,
    splices_at_places,
    splices_over_limit,
)
from arcdrift.analysis.loss.acceptance.agreement import measured_pairs
from arcdrift.analysis.loss.acceptance.program_findings import unexpected_days
from arcdrift.analysis.loss.outlier_splices import OutlierState, find_outlier_splices
from arcdrift.analysis.loss.stream_days import (
    CALIBRATION_COLUMNS,
    CALIBRATION_DAYS,
    calibration_losses,
    in_first_days,
    production_splices,
    sum_stream_days,
)
from arcdrift.analysis.loss.technician_days import CELL, aggregate_technician_days
from arcdrift.analysis.maintenance.service_findings import join_divided_hours, usage_by_hour
from arcdrift.analysis.people.cleave_runs import cleave_runs, practice_splices
from arcdrift.analysis.review.crew_sums import (
    add_coverage,
    air_coverage,
    daily_outcomes,
    import_spans,
    join_spans,
    loss_histogram,
    records_without_air,
)
from arcdrift.analysis.review.splice_counters import SpliceCounters
from arcdrift.analysis.setting_cost.mismatch_groups import CELL as MISMATCH_CELL
from arcdrift.analysis.setting_cost.mismatch_groups import mismatch_cells
from arcdrift.arrays import Bools
from arcdrift.settings import Crew

WORK_COLUMNS = [
    "id", "splicer", "spliced_at", WORKDAY, "site", "technician", "program", "fiber_a", "fiber_b",
    "loss_db", "loss_below_db", "outcome", "purpose", "location",
]  # fmt: skip
ORDER = {
    "stream_days": ["splicer", "program", "day"],
    "technician_days": ["splicer", *CELL],
    "outliers": ["splicer", "splice_id"],
    "accepted_days": ["splicer", "program", "day"],
    "over_limit": ["splicer", "spliced_at", "id"],
    "places": ["spliced_at", "id"],
    "measured": ["splicer", "spliced_at"],
    "unexpected_days": ["splicer", "part", "asked", "program", "day"],
    "check_days": ["splicer", "day"],
    "mismatch_groups": ["splicer", *MISMATCH_CELL],
    "use": ["splicer", "at"],
    "cleave_runs": ["splicer", "began"],
    "practice": ["splicer", "at"],
    "airless": ["at"],
    "error_splices": ["splicer", "spliced_at", "id"],
    "blade_days": BLADE_COLUMNS[:-1],
    "stretches": STRETCH_KEYS,
    "made_again": AGAIN_KEYS,
}
"""Order of the rows of each frame in which the order matters."""


class EarlierOutdated(Exception):
    """Raised when the summary of earlier days does not fit the records any more.

    Parameters
    ----------
    since : Timestamp, optional
        First workday from which on it does not fit; None where that is not known.
    """

    def __init__(self, since: pd.Timestamp | None = None) -> None:
        super().__init__(since)
        self.since = since


@dataclass(frozen=True)
class SpliceSummary:
    """Splices of some splicers on a range of workdays, summarized: frames only.

    Attributes
    ----------
    stream_days, technician_days, accepted_days, measured, unexpected_days, mismatch_groups, use, \
    cleave_runs, practice, histogram, outcomes
        As in `arcdrift.analysis.review.summary.Summary`.
    outliers : DataFrame
        `arcdrift.analysis.loss.outlier_splices.OutlierSplices.outliers`.
    over_limit, places : DataFrame
        Splices over the accepted limit, and all splices at their places
        (`arcdrift.analysis.loss.acceptance.accepted_limits`).
    check_days : DataFrame
        Status of the arc check on each workday, those with a wrong clock included.
    coverage, imports, airless : DataFrame
        Of the splices alone (`arcdrift.analysis.review.crew_sums`).
    newest : DataFrame
        Newest splice of each splicer: ``splicer``, ``spliced_at`` (UTC), ``site``.
    calibration : DataFrame
        Losses of the calibration days of each stream, those of later days included
        (`arcdrift.analysis.loss.stream_days.calibration_losses`).
    outlier_streams, outlier_losses : DataFrame
        State of the limits for single splices (`arcdrift.analysis.loss.outlier_splices`).
    counters : DataFrame
        `arcdrift.analysis.review.splice_counters.SpliceCounters.table`.
    error_splices, blade_days, stretches, made_again : DataFrame
        Errors, attempts by blade position, stretches of work and attempts after the first at their
        places (`arcdrift.analysis.attempts`).
    """

    stream_days: pd.DataFrame
    technician_days: pd.DataFrame
    outliers: pd.DataFrame
    accepted_days: pd.DataFrame
    over_limit: pd.DataFrame
    places: pd.DataFrame
    measured: pd.DataFrame
    unexpected_days: pd.DataFrame
    check_days: pd.DataFrame
    mismatch_groups: pd.DataFrame
    use: pd.DataFrame
    cleave_runs: pd.DataFrame
    practice: pd.DataFrame
    histogram: pd.DataFrame
    outcomes: pd.DataFrame
    coverage: pd.DataFrame
    imports: pd.DataFrame
    airless: pd.DataFrame
    newest: pd.DataFrame
    calibration: pd.DataFrame
    outlier_streams: pd.DataFrame
    outlier_losses: pd.DataFrame
    counters: pd.DataFrame
    error_splices: pd.DataFrame
    blade_days: pd.DataFrame
    stretches: pd.DataFrame
    made_again: pd.DataFrame

    @property
    def outlier_state(self) -> OutlierState:
        """State of the limits for single splices after the last day."""
        return OutlierState(self.outlier_streams, self.outlier_losses)


@dataclass(frozen=True)
class EarlierSplices:
    """What is needed of the days before a range to summarize it.

    Attributes
    ----------
    since : Timestamp
        First workday of the range, as a naive midnight.
    newest, calibration : DataFrame
        As in `SpliceSummary`.
    outliers : OutlierState
    places : DataFrame
        `PLACE_KEYS` of the earlier splices over the accepted limit.
    counters : SpliceCounters
    """

    since: pd.Timestamp
    newest: pd.DataFrame
    calibration: pd.DataFrame
    outliers: OutlierState
    places: pd.DataFrame
    counters: SpliceCounters

    @classmethod
    def after(cls, ranges: Sequence[SpliceSummary], since: pd.Timestamp) -> "EarlierSplices":
        """Take from the summaries of all ranges of days what the days from `since` on need."""
        latest = ranges[-1]
        return cls(
            since,
            latest.newest,
            latest.calibration,
            latest.outlier_state,
            concat_frames([days.over_limit[PLACE_KEYS] for days in ranges]),
            SpliceCounters(concat_frames([days.counters for days in ranges])),
        )

    def for_splicers(self, names: Sequence[str]) -> "EarlierSplices":
        """Leave out other splicers."""

        def own(frame: pd.DataFrame) -> pd.DataFrame:
            return frame[frame["splicer"].isin(names)].reset_index(drop=True)

        return replace(
            self,
            newest=own(self.newest),
            calibration=own(self.calibration),
            outliers=OutlierState(own(self.outliers.streams), own(self.outliers.losses)),
            places=own(self.places),
            counters=SpliceCounters(own(self.counters.table)),
        )


@dataclass(frozen=True)
class SpliceContext:
    """What a summary of splices needs beside them.

    Attributes
    ----------
    checks, service : DataFrame
        All arc checks of these splicers made with a right clock, with `WORKDAY`, and all service
        events.
    passed : DataFrame
        `arcdrift.analysis.arc.arc_points.passed_checks` of these.
    sources : AirSources
    crew : Crew
    now : Timestamp
        UTC.
    calibration, caps : DataFrame
        From `all_calibration_losses`, and the caps of the streams by these
        (`arcdrift.analysis.loss.stream_days.stream_caps`).
    over_limit : DataFrame
        All splices over the accepted limit but earlier ones (`over_limit_splices`).
    places : DataFrame
        Their `PLACE_KEYS`, and those of earlier ones.
    """

    checks: pd.DataFrame
    passed: pd.DataFrame
    service: pd.DataFrame
    sources: AirSources
    crew: Crew
    now: pd.Timestamp
    calibration: pd.DataFrame
    caps: pd.DataFrame
    over_limit: pd.DataFrame
    places: pd.DataFrame


def all_calibration_losses(
    splices: pd.DataFrame, crew: Crew, earlier: EarlierSplices | None
) -> pd.DataFrame:
    """Losses of the calibration days of each stream, earlier ones included.

    Raises
    ------
    EarlierOutdated
        When the cap of a stream of earlier days changes, as with another calibration day.
    """
    losses = calibration_losses(splices, crew)
    if earlier is None or earlier.calibration.empty:
        return losses
    stream = ["splicer", "program"]
    known = earlier.calibration
    is_complete = _settled_streams(known, earlier.since)
    complete = known[is_complete]
    losses = losses[match_rows(losses, complete[stream].drop_duplicates(), stream) < 0]
    if is_complete.all() and losses.empty:
        return known
    known = known[~is_complete].reset_index(drop=True)
    settled = known[known["day"] < earlier.since]
    losses = concat_frames([settled, losses])
    unit, _ = group_index(*(losses[name] for name in stream))
    losses = losses[in_first_days(unit, losses["day"])]
    losses = losses.sort_values(CALIBRATION_COLUMNS, ignore_index=True)
    # the caps of settled days were calculated from these losses
    of_settled = settled[stream].drop_duplicates()
    before, now = (
        frame[match_rows(frame, of_settled, stream) >= 0].reset_index(drop=True)
        for frame in (known, losses)
    )
    if not _same_rows(before, now):
        both = before.merge(now, how="outer", on=CALIBRATION_COLUMNS, indicator="in")
        changed = both.loc[both["in"] != "both", stream].drop_duplicates()
        raise EarlierOutdated(settled.merge(changed, on=stream)["day"].min())
    return sort_rows(concat_frames([complete, losses]), CALIBRATION_COLUMNS)


def _settled_streams(known: pd.DataFrame, since: pd.Timestamp) -> Bools:
    """Whether all calibration days of each row's stream lie before a day, shape (rows,)."""
    stream, _ = group_index(known["splicer"], known["program"])
    _, first = group_index(stream, known["day"].to_numpy())
    is_before = (known["day"] < since).to_numpy()[first]
    days = np.bincount(stream[first], is_before, minlength=int(stream.max()) + 1)
    return np.asarray(days[stream] >= CALIBRATION_DAYS)


def _same_rows(first: pd.DataFrame, second: pd.DataFrame) -> bool:
    """Whether two frames of calibration losses hold the same rows."""
    return len(first) == len(second) and all(
        (first[name].to_numpy() == second[name].to_numpy()).all() for name in CALIBRATION_COLUMNS
    )


def summarize_splices(
    splices: pd.DataFrame,
    context: SpliceContext,
    earlier: EarlierSplices | None = None,
    until: pd.Timestamp | None = None,
) -> SpliceSummary:
    """Summarize the splices of some splicers on a range of workdays.

    Parameters
    ----------
    splices : DataFrame
        Splices made with a right clock on these workdays, with `WORKDAY`, text as categories.
    earlier : EarlierSplices, optional
        What is needed of the days before; without it the range begins with the first splice.
    until : Timestamp, optional
        First workday after the range.
    """
    crew, checks, service = context.crew, context.checks, context.service
    air = join_air(splices, context.sources, crew, "spliced_at")
    work = production_splices(splices[WORK_COLUMNS])
    day = work[WORKDAY]
    since = before = outliers = None
    if earlier is not None:
        since, outliers = earlier.since, earlier.outliers
        before = EarlierDays(since, earlier.newest)
    check_days = daily_checks(checks, splices, crew, context.now, before)
    days = sum_stream_days(work, service, crew, context.caps)
    stream_days = days.days
    segment = stream_days["segment"].to_numpy()[days.of_splice]
    made, made_air = _production_attempts(splices, air)
    limit = splice_limits(made, crew, "single_db")
    places = find_places(made, made[WORKDAY], limit)
    singles = find_outlier_splices(work, day, service, outliers, segment=segment)
    return SpliceSummary(
        stream_days=stream_days,
        technician_days=aggregate_technician_days(
            made, made_air, made[WORKDAY], stream_days, places, crew
        ),
        outliers=singles.outliers,
        accepted_days=accepted_days(work, day, stream_days, crew),
        over_limit=rows_of_days(context.over_limit, "day", since, until),
        places=splices_at_places(work, context.places),
        measured=measured_pairs(splices),
        unexpected_days=unexpected_days(splices, crew),
        check_days=rows_of_days(check_days, "day", None, until),
        mismatch_groups=mismatch_cells(
            splices, air, checks, service, stream_days, crew, passed=context.passed
        ),
        use=usage_by_hour(splices),
        cleave_runs=cleave_runs(made, made[WORKDAY], crew),
        practice=practice_splices(splices),
        histogram=loss_histogram(work, day),
        outcomes=daily_outcomes(made, places),
        coverage=air_coverage("splices", splices, air),
        imports=import_spans(splices, "spliced_at"),
        airless=records_without_air(splices, air, "spliced_at", crew),
        newest=_newest(splices, crew, earlier),
        calibration=context.calibration,
        outlier_streams=singles.state.streams,
        outlier_losses=singles.state.losses,
        counters=SpliceCounters.of(splices).table,
        error_splices=error_splices(made, made[WORKDAY], crew),
        blade_days=blade_days(made, made[WORKDAY]),
        stretches=work_stretches(made, made[WORKDAY], places, stream_days),
        made_again=made_again(made, made[WORKDAY], places, limit, crew),
    )


def over_limit_splices(splices: pd.DataFrame, crew: Crew) -> pd.DataFrame:
    """Production splices over the accepted limit for single splices (`splices_over_limit`)."""
    # few are above the smallest limit, and only these need to be compared with their own
    high = splices["loss_db"].to_numpy(dtype=np.float64) > smallest_limit(crew)
    work = production_splices(splices[high])
    return splices_over_limit(work, work[WORKDAY], crew)


def append_days(ranges: Sequence[SpliceSummary]) -> SpliceSummary:
    """Summary of ranges of days, one after the other, of the same splicers; text as categories."""
    latest = ranges[-1]
    frames = {
        name: concat_categories(parts, skip=RARELY_REPEATED_COLUMNS)
        if name in ORDER
        else concat_frames(parts)
        for name in vars(latest)
        if (parts := [getattr(days, name) for days in ranges])
    }
    if len(ranges) == 1:
        return SpliceSummary(**frames)
    frames |= {
        name: sort_rows(frames[name], order) for name, order in ORDER.items() if len(frames[name])
    }
    return SpliceSummary(
        **frames
        | {
            "places": frames["places"].drop_duplicates("id", ignore_index=True),
            "use": join_divided_hours(frames["use"]),
            "coverage": add_coverage([days.coverage for days in ranges]),
            "imports": join_spans([days.imports for days in ranges]),
            "newest": latest.newest,
            "calibration": latest.calibration,
            "outlier_streams": latest.outlier_streams,
            "outlier_losses": latest.outlier_losses,
        }
    )


def concatenate_splice_summaries(parts: Sequence[SpliceSummary]) -> SpliceSummary:
    """Put summaries of the same days of different splicers together."""
    return SpliceSummary(
        **{
            field.name: concat_frames([getattr(part, field.name) for part in parts])
            for field in fields(SpliceSummary)
        }
    )


def _newest(splices: pd.DataFrame, crew: Crew, earlier: EarlierSplices | None) -> pd.DataFrame:
    """Newest splice of each splicer, with its site."""
    splicer, _ = text_codes(splices["splicer"])
    order = time_order(splicer, to_microseconds(splices["spliced_at"]))
    is_last = np.diff(splicer[order], append=-1) != 0
    last = splices[["splicer", "spliced_at", "site"]].iloc[order[is_last]]
    table = category_to_text(last).assign(site=record_sites(last, crew).astype(object))
    if earlier is not None:
        table = concat_frames([earlier.newest, table]).drop_duplicates("splicer", keep="last")
    return table.sort_values("splicer", ignore_index=True)


def _production_attempts(
    splices: pd.DataFrame, air: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Production splices of all outcomes, and their air."""
    in_production = rows_with(splices["purpose"], "production")
    if in_production.all():
        return splices, air
    splices, air = (frame[in_production].reset_index(drop=True) for frame in (splices, air))
    return splices, air


def rows_of_days(
    rows: pd.DataFrame, column: str, since: pd.Timestamp | None, until: pd.Timestamp | None
) -> pd.DataFrame:
    """Rows whose day lies from `since` to before `until`, where these are given."""
    if rows.empty:
        return rows  # its columns may be of no type yet
    chosen = np.ones(len(rows), dtype=bool)
    if since is not None:
        chosen &= (rows[column] >= since).to_numpy()
    if until is not None:
        chosen &= (rows[column] < until).to_numpy()
    return rows if chosen.all() else rows[chosen].reset_index(drop=True)
