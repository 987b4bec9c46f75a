"""First step of a review: sum one splicer's records up, so that the crew can be looked at whole.

A pure function of one splicer's frames; splicers can be summarized in any order.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from arcdrift.air import AirSources, join_air
from arcdrift.analysis.acceptance import accepted_days, over_limit
from arcdrift.analysis.advice import Situation
from arcdrift.analysis.agreement import MEASURED, measured_pairs
from arcdrift.analysis.arc_points import arc_points
from arcdrift.analysis.cells import cells_of, coded, summed
from arcdrift.analysis.checks import daily_checks
from arcdrift.analysis.cleave_runs import cleave_runs, practice_splices
from arcdrift.analysis.clocks import Clock, look_at_clock
from arcdrift.analysis.days import WORKDAY, sites_of, workdays, zones_of
from arcdrift.analysis.exceptions import SingleSplices, single_splices
from arcdrift.analysis.hands import hand_days
from arcdrift.analysis.loss_days import loss_days, production
from arcdrift.analysis.mismatch import mismatch_cells
from arcdrift.analysis.program_findings import COLUMNS as PROGRAM_COLUMNS
from arcdrift.analysis.program_findings import unexpected_days
from arcdrift.analysis.service_findings import use_by_hour
from arcdrift.analysis.situation import PROGRAM_DAYS, situation_of
from arcdrift.settings import Crew
from arcdrift.store.clock_shifts import Bounds

SPLICE_COLUMNS = (
    "id",
    "import_id",
    "splicer",
    "spliced_at",
    "loss_db",
    "outcome",
    "technician",
    "program",
    "fiber_a",
    "fiber_b",
    "cleave_left_deg",
    "cleave_right_deg",
    "arc_count",
    "splice_number",
    "site",
    "purpose",
    "temperature_c",
    "pressure_hpa",
    "humidity_pct",
    "cleaver",
    "blade_position",
    "location",
    *MEASURED,
)
HISTOGRAM_STEP_DB = 0.001
OVER_DB = 0.10


@dataclass(frozen=True)
class SplicerSummary:
    """One splicer, summed up.

    Attributes
    ----------
    days : DataFrame
        Stream days for the loss chart (`arcdrift.analysis.loss_days.loss_days`).
    singles : SingleSplices
        Single splices far outside their stream, and its limits.
    accepted, over : DataFrame
        Stream days beside the mean loss accepted of them
        (`arcdrift.analysis.acceptance.accepted_days`), and splices over the limit of a single one
        (`arcdrift.analysis.acceptance.over_limit`).
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
        ``import_id``, ``first``, ``last``: which import speaks of which time.
    airless : DataFrame
        ``site``, ``at``: checks and splices without any air reading near them.
    cells : DataFrame
        Splices by program, technician, day and check, for what a wrong arc setting costs
        (`arcdrift.analysis.mismatch.mismatch_cells`).
    use : DataFrame
        Splices by cleaver, blade position and hour
        (`arcdrift.analysis.service_findings.use_by_hour`).
    hands : DataFrame
        Production splices by technician, cleaver, program, fibers, site and day
        (`arcdrift.analysis.hands.hand_days`).
    runs : DataFrame
        Runs of bad cleaves (`arcdrift.analysis.cleave_runs.cleave_runs`).
    practice : DataFrame
        Practice splices (`arcdrift.analysis.cleave_runs.practice_splices`).
    measured : DataFrame
        Splices measured both ways (`arcdrift.analysis.agreement.measured_pairs`).
    unexpected : DataFrame
        Days of programs not allowed (`arcdrift.analysis.program_findings.unexpected_days`).
    clock : Clock
        Where its clock was wrong; those records are in none of the frames.
    clock_days : DataFrame
        ``splicer``, ``day``: days left out of `checks` because the clock was wrong.
    situation : Situation or None
        Where the splicer stands now; None when it made no splice within a day.
    """

    splicer: str
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
    clock: Clock
    clock_days: pd.DataFrame
    situation: Situation | None


def splice_columns(crew: Crew) -> tuple[str, ...]:
    """Columns a review reads of the splice log; those of programs only where some are allowed."""
    judged = crew.allowed_programs or crew.heater_programs
    return tuple(dict.fromkeys((*SPLICE_COLUMNS, *(PROGRAM_COLUMNS if judged else ()))))


def summarize(
    splicer: str,
    splices: pd.DataFrame,
    checks: pd.DataFrame,
    readings: pd.DataFrame | AirSources,
    service: pd.DataFrame,
    crew: Crew,
    now: pd.Timestamp,
    *,
    began: pd.Timestamp | None = None,
    clock_right: tuple[Bounds, ...] = (),
) -> SplicerSummary:
    """Sum one splicer up.

    Parameters
    ----------
    splices, checks, service : DataFrame
        That splicer's records.
    readings : DataFrame or AirSources
        Prepared readings (`arcdrift.air.prepare_readings`) of the whole crew.
    began : Timestamp, optional
        First day of the crew (`arcdrift.analysis.clocks.crew_began`).
    clock_right : tuple of Bounds
        Where somebody said that this splicer's clock was right.
    """
    sources = AirSources.of(readings, crew)
    splices = coded(splices, but=("location",))  # seldom the same twice
    zone = _zone(splicer, splices, crew)
    clock = look_at_clock(splicer, splices, checks, zone, now, began, clock_right, crew.day_offset)
    if clock.stretches:
        splices = splices[~clock.apart(splices, "spliced_at")].reset_index(drop=True)
        checks = checks[~clock.apart(checks, "checked_at")].reset_index(drop=True)
    splices[WORKDAY] = workdays(splices, crew, "spliced_at")
    splice_air = join_air(splices, sources, crew, "spliced_at")
    check_air = join_air(checks, sources, crew, "checked_at")
    work = production(splices)
    day = workdays(work, crew, "spliced_at")
    statuses = daily_checks(checks, splices, crew, now)
    left_out = clock.holds_day(statuses["day"])
    days = loss_days(splices, service, crew)
    hands, runs = _hands(splices, splice_air, days, crew)
    return SplicerSummary(
        splicer=splicer,
        days=days,
        singles=single_splices(work, day, service),
        accepted=accepted_days(work, day, days, crew),
        over=over_limit(work, day, crew),
        checks=statuses[~left_out].reset_index(drop=True),
        points=arc_points(checks, check_air, service),
        histogram=_histogram(work, day),
        outcomes=_outcomes(splices),
        coverage=_coverage(splicer, check_air, splice_air),
        imports=_imports(splices, checks),
        airless=_airless(splices, splice_air, checks, check_air, crew),
        cells=mismatch_cells(splices, splice_air, checks, service, days, crew),
        use=use_by_hour(splices),
        hands=hands,
        runs=runs,
        practice=practice_splices(splices),
        measured=measured_pairs(splices),
        unexpected=unexpected_days(splices, crew),
        clock=clock,
        clock_days=statuses.loc[left_out, ["splicer", "day"]].reset_index(drop=True),
        situation=_situation(splicer, splices, checks, sources, service, crew, now),
    )


def _hands(
    splices: pd.DataFrame, air: pd.DataFrame, days: pd.DataFrame, crew: Crew
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Production splices by whose hands made them, and runs of bad cleaves among them."""
    kept = (splices["purpose"] == "production").to_numpy()
    made = splices[kept].reset_index(drop=True)
    day = workdays(made, crew, "spliced_at")
    cells = hand_days(made, air[kept].reset_index(drop=True), day, days, crew)
    return cells, cleave_runs(made, day, crew)


def _zone(splicer: str, splices: pd.DataFrame, crew: Crew) -> str:
    """Zone of the site at which the splicer works most."""
    site = splices["site"].mode()
    usual = pd.DataFrame({"splicer": [splicer], "site": [site.iloc[0] if len(site) else pd.NA]})
    return str(zones_of(sites_of(usual, crew), crew).iloc[0])


def _situation(
    splicer: str,
    splices: pd.DataFrame,
    checks: pd.DataFrame,
    sources: AirSources,
    service: pd.DataFrame,
    crew: Crew,
    now: pd.Timestamp,
) -> Situation | None:
    at = splices["spliced_at"]
    recent = splices[(at <= now) & (at > now - pd.Timedelta(days=PROGRAM_DAYS))]
    if recent.empty or recent["spliced_at"].max() < now - pd.Timedelta(days=1):
        return None
    passed = checks.loc[(checks["outcome"] == "pass") & (checks["checked_at"] <= now), "checked_at"]
    moments = [now, *([passed.max()] if len(passed) else [])]
    near = sources.near(moments, pd.Timedelta(minutes=crew.air_max_age_min))
    return situation_of(splicer, checks, recent, service, near, crew, now)


def _histogram(work: pd.DataFrame, day: pd.Series) -> pd.DataFrame:
    bins = np.rint(work["loss_db"].to_numpy(dtype=float) / HISTOGRAM_STEP_DB).astype(int)
    at = day.to_numpy()
    cell, first = cells_of(at, bins)
    return pd.DataFrame({"day": at[first], "bin": bins[first]}).join(
        summed(cell, {"count": 1}, counts=("count",))
    )


def _outcomes(splices: pd.DataFrame) -> pd.DataFrame:
    made = splices.loc[splices["purpose"] == "production", [WORKDAY, "loss_db", "outcome"]]
    day = made[WORKDAY].to_numpy()
    cell, first = cells_of(day)
    sums = {
        "splices": 1,
        "measured": made["loss_db"].notna(),
        "total": made["loss_db"].fillna(0.0),
        "over": made["loss_db"] > OVER_DB,
        "redo": made["outcome"] == "redo",
        "errors": made["outcome"] == "error",
    }
    table = summed(cell, sums, counts=("splices", "measured", "over", "redo", "errors"))
    table.insert(0, "day", day[first])
    return table


def _coverage(splicer: str, check_air: pd.DataFrame, splice_air: pd.DataFrame) -> pd.DataFrame:
    parts = (("arc-checks", check_air), ("splices", splice_air))
    return pd.DataFrame(
        [
            {
                "kind": kind,
                "splicer": splicer,
                "rows": len(air),
                "with_air": int(air["air_density"].notna().sum()),
            }
            for kind, air in parts
        ]
    )


def _imports(splices: pd.DataFrame, checks: pd.DataFrame) -> pd.DataFrame:
    parts = [
        records.groupby("import_id")[when].agg(first="min", last="max")
        for records, when in ((splices, "spliced_at"), (checks, "checked_at"))
    ]
    spans: pd.DataFrame = pd.concat(parts).groupby("import_id").agg({"first": "min", "last": "max"})
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
        sites = sites_of(bare, crew)
        parts.append(
            pd.DataFrame({"site": sites.astype("str").fillna("(no site)"), "at": bare[when]})
        )
    return pd.concat(parts, ignore_index=True).sort_values("at", ignore_index=True)


def day_starts(days: pd.DataFrame, crew: Crew) -> pd.Series:
    """UTC instant at which each row's local ``day`` began at its ``site``."""
    zones = zones_of(days["site"], crew)
    out = pd.Series(pd.NaT, index=days.index, dtype="datetime64[us, UTC]")
    for zone, part in days["day"].groupby(zones):
        wall = part + crew.day_offset
        local = wall.dt.tz_localize(str(zone), ambiguous=True, nonexistent="shift_forward")
        out.loc[part.index] = local.dt.tz_convert("UTC").dt.as_unit("us")
    return out
