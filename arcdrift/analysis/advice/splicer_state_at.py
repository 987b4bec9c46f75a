"""Compute the state of splicers at one time: last check, air then and now, electrode wear."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from arcdrift.air.air_join import WEATHER_STATION, AirSources, join_air
from arcdrift.air.moist_air import (
    air_density,
    pressure_elsewhere,
    saturation_vapor_pressure,
    vapor_pressure,
)
from arcdrift.analysis.advice.splicer_state import (
    AirNow,
    LastCheck,
    SplicerState,
    UncheckedSplices,
)
from arcdrift.analysis.arc.arc_points import passed_checks
from arcdrift.analysis.common.days import record_sites, site_time_zones
from arcdrift.analysis.common.grouping import category_to_text
from arcdrift.analysis.common.service_actions import REPLACED, RESTART_ACTIONS
from arcdrift.errors import UsageError
from arcdrift.settings import Crew, Site, Splicer
from arcdrift.times import day_bounds, local_day

PROGRAM_DAYS = 7
"""Advice covers the program classes used within this many days."""
COUNT_DAYS = 28
"""Arcs and splices since the last check are counted back to this many days; a review reads as
many (`arcdrift.analysis.review.parallel.summarize_part`)."""


def splicer_state_at(
    splicer: str,
    checks: pd.DataFrame,
    splices: pd.DataFrame,
    service: pd.DataFrame,
    readings: pd.DataFrame | AirSources,
    crew: Crew,
    now: pd.Timestamp,
    *,
    typed: dict[str, float] | None = None,
    elsewhere: str | float | None = None,
) -> SplicerState:
    """State of one splicer at time ``now``.

    Parameters
    ----------
    checks, service : DataFrame
        All of the splicer's checks and service events.
    splices : DataFrame
        Its splices of the last `COUNT_DAYS` days; earlier ones are left out.
    readings : DataFrame
        Prepared readings, at least those near the last check and near ``now``.
    typed : dict, optional
        ``temperature_c``, ``pressure_hpa`` (station), ``humidity_pct`` typed in by a person;
        they replace those of the newest reading. If only a temperature is typed, the reading's
        vapor pressure is kept, not its relative humidity, as for air heated in a room.
    elsewhere : str or float, optional
        Another site, or an elevation in meters, for which advice is asked.

    Raises
    ------
    UsageError
        If air has to be converted to another elevation and either elevation is not known.
    """
    (state,) = splicer_states_at(
        [splicer], checks, splices, service, readings, crew, now, typed=typed, elsewhere=elsewhere
    )
    return state


def splicer_states_at(
    names: Sequence[str],
    checks: pd.DataFrame,
    splices: pd.DataFrame,
    service: pd.DataFrame,
    readings: pd.DataFrame | AirSources,
    crew: Crew,
    now: pd.Timestamp,
    *,
    typed: dict[str, float] | None = None,
    elsewhere: str | float | None = None,
) -> tuple[SplicerState, ...]:
    """States of several splicers at time ``now``, from the records of all of them.

    Parameters and errors as for `splicer_state_at`.
    """
    checks = checks[checks["checked_at"] <= now]
    counted_from = now - pd.Timedelta(days=COUNT_DAYS)
    splices = splices[(splices["spliced_at"] <= now) & (splices["spliced_at"] > counted_from)]
    service = service[service["serviced_at"] <= now]
    sources = AirSources.from_readings(readings, crew)
    recent_readings = sources.near([now], pd.Timedelta(minutes=crew.air_max_age_min))
    past = AirSources.from_readings(recent_readings[recent_readings["read_at"] <= now], crew)
    sites = _sites_now(names, checks, splices, crew)
    zones = site_time_zones(pd.Series(sites, dtype=object), crew)
    todays = local_day(pd.Series(now, zones.index).dt.as_unit("us"), zones, crew.day_offset)
    newest_air = _newest_air(names, sites, past, crew, now)
    last_checks = _last_checks(checks, service, sources, crew)
    last_counts = _last_counts(checks, service)
    recent = splices[splices["spliced_at"] > now - pd.Timedelta(days=PROGRAM_DAYS)]
    programs = recent.dropna(subset=["program"]).groupby("splicer")["program"].unique()
    checks_of = {str(name): rows for name, rows in checks.groupby("splicer")}
    splices_of = {str(name): rows for name, rows in splices.groupby("splicer")}
    service_of = {str(name): rows for name, rows in service.groupby("asset")}
    states = []
    for splicer, site, zone, today, (_, row) in zip(
        names, sites, zones, todays, newest_air.iterrows(), strict=True
    ):
        settings = crew.splicers.get(splicer, Splicer())
        splicer_checks, splicer_service = (
            checks_of.get(splicer, checks[:0]),
            service_of.get(splicer, service[:0]),
        )
        last = last_checks.get(splicer)
        service_since = (
            splicer_service
            if last is None
            else splicer_service[splicer_service["serviced_at"] > last.checked_at]
        )
        later_checks = (
            splicer_checks
            if last is None
            else splicer_checks[splicer_checks["checked_at"] > last.checked_at]
        )
        other_air = _air_there(elsewhere, past, crew, now) if elsewhere != site else None
        classes = {crew.class_of(str(program)) for program in programs.get(splicer, ())}
        own_splices = splices_of.get(splicer, splices[:0])
        counted = last
        if last is not None and last.arcs is None and splicer in last_counts:
            # a check written down by hand has no count: the counter goes on from the one before
            at, arcs = last_counts[splicer]
            counted = replace(last, checked_at=at, arcs=arcs)
            splices_before = own_splices[own_splices["spliced_at"] <= last.checked_at]
            service_before = splicer_service[splicer_service["serviced_at"] <= last.checked_at]
            arcs_then = _arcs_now(counted, splicer_checks, splices_before, service_before)
            last = replace(last, arcs=arcs_then)
        day_started = pd.Timestamp(day_bounds(today.date(), str(zone), crew.day_offset)[0])
        states.append(
            SplicerState(
                splicer=splicer,
                now=now,
                day_started=day_started,
                site=elsewhere if isinstance(elsewhere, str) else site,
                unit=settings.setting_unit,
                tolerance=settings.tolerance,
                last_check=last,
                failed_since=int((later_checks["outcome"] == "fail").sum()),
                service_since=tuple(service_since.sort_values("serviced_at")["action"]),
                air=_air_now(row, other_air, site, elsewhere, crew, typed or {}),
                arcs_now=_arcs_now(counted, splicer_checks, own_splices, splicer_service),
                program_classes=tuple(sorted(classes)),
                asked_elsewhere=elsewhere is not None and elsewhere != site,
                unchecked=_unchecked_splices(
                    last, later_checks, own_splices, service_since, day_started
                ),
                latest_splice=own_splices["spliced_at"].max() if len(own_splices) else None,
                time_zone=str(zone),
            )
        )
    return tuple(states)


def _sites_now(
    names: Sequence[str], checks: pd.DataFrame, splices: pd.DataFrame, crew: Crew
) -> list[str | None]:
    """Site of each splicer's newest record, else its home site."""
    parts = [
        category_to_text(part[["splicer", "site", when]]).rename(columns={when: "at"})
        for part, when in ((checks, "checked_at"), (splices, "spliced_at"))
        if len(part)
    ]
    at_home = [crew.splicers.get(name, Splicer()).home_site for name in names]
    if not parts:
        return at_home
    newest = pd.concat(parts).sort_values("at", kind="stable").groupby("splicer").tail(1)
    sites = dict(zip(newest["splicer"], record_sites(newest, crew), strict=True))
    found = [sites.get(name, home) for name, home in zip(names, at_home, strict=True)]
    return [None if pd.isna(site) else str(site) for site in found]


def _last_checks(
    checks: pd.DataFrame, service: pd.DataFrame, sources: AirSources, crew: Crew
) -> dict[str, LastCheck]:
    # wear needs the counter's whole history, the air only readings near the last check
    passed = passed_checks(checks, service).groupby("splicer").tail(1)
    if passed.empty:
        return {}
    newest = checks.loc[passed.index]
    points = passed.join(join_air(newest, sources, crew, "checked_at"))
    points["site"] = record_sites(newest, crew)
    return {
        str(point["splicer"]): LastCheck(
            checked_at=point["checked_at"],
            site=None if pd.isna(point["site"]) else str(point["site"]),
            arc_setting=_float_or_none(point["arc_setting"]),
            arcs=_float_or_none(point["arcs"]),
            temperature_c=_float_or_none(point["temperature_c"]),
            pressure_hpa=_float_or_none(point["station_pressure_hpa"]),
            humidity_pct=_float_or_none(point["humidity_pct"]),
            air_density=_float_or_none(point["air_density"]),
            vapor_pressure=_float_or_none(point["vapor_pressure"]),
            outdoor=point["air_source"] == WEATHER_STATION,
        )
        for _, point in points.iterrows()
    }


def _last_counts(
    checks: pd.DataFrame, service: pd.DataFrame
) -> dict[str, tuple[pd.Timestamp, float]]:
    """When the last passed check with an arc count was made, and the arcs on its electrodes."""
    counted = passed_checks(checks, service).dropna(subset=["arcs"]).groupby("splicer").tail(1)
    return {
        str(name): (at, float(arcs))
        for name, at, arcs in zip(
            counted["splicer"], counted["checked_at"], counted["arcs"], strict=True
        )
    }


def _air_there(
    elsewhere: str | float | None, past: AirSources, crew: Crew, now: pd.Timestamp
) -> pd.Series | None:
    """Newest air of another site; None if there is no recent reading."""
    if not isinstance(elsewhere, str):
        return None
    # the splicer's own sensors measure its present site, not the other one
    row = _newest_air([None], [elsewhere], past, crew, now).iloc[0]
    return None if pd.isna(row["air_density"]) else row


def _air_now(
    row: pd.Series,
    other_air: pd.Series | None,
    site: str | None,
    elsewhere: str | float | None,
    crew: Crew,
    typed: dict[str, float],
) -> AirNow | None:
    """Air for advice: of the newest reading, changed to the other place and by typed values."""
    convert = other_air is None and elsewhere is not None and elsewhere != site
    row = row if other_air is None else other_air
    t, p, rh = (
        _float_or_none(row[name])
        for name in ("temperature_c", "station_pressure_hpa", "humidity_pct")
    )
    vapor = _float_or_none(row["vapor_pressure"])
    source, age = str(row["air_source"]), _float_or_none(row["air_age_min"])
    if convert and elsewhere is not None and t is not None and p is not None:
        from_m, to_m = _elevations(site, elsewhere, crew)
        p = float(pressure_elsewhere(np.array([p]), from_m, to_m, t, vapor or 0.0)[0])
        note = "" if "temperature_c" in typed else ", its temperature kept"
        source = f"{source}, brought from {from_m:g} to {to_m:g} m{note}"
    t = typed.get("temperature_c", t)
    p = typed.get("pressure_hpa", p)
    if "humidity_pct" in typed:
        rh = typed["humidity_pct"]
    elif "temperature_c" in typed and vapor is not None:
        rh = min(100.0 * vapor / float(saturation_vapor_pressure(np.array([t]))[0]), 100.0)
    if t is None and p is None and rh is None:
        return None
    if typed:
        source = "typed in" if len(typed) == 3 or age is None else f"typed in, rest from {source}"
    return AirNow(
        temperature_c=t,
        pressure_hpa=p,
        humidity_pct=rh,
        air_density=None
        if t is None or p is None or rh is None
        else float(air_density(np.array([t]), np.array([p]), np.array([rh]))[0]),
        vapor_pressure=None
        if t is None or rh is None
        else float(vapor_pressure(np.array([t]), np.array([rh]))[0]),
        source=source,
        age_min=None if len(typed) == 3 else age,
        outdoor=row["air_source"] == WEATHER_STATION and "temperature_c" not in typed,
    )


def _newest_air(
    names: Sequence[str | None],
    sites: Sequence[str | None],
    past: AirSources,
    crew: Crew,
    now: pd.Timestamp,
) -> pd.DataFrame:
    """Air of the newest reading for each splicer and its site, or for each site alone."""
    event = pd.DataFrame(
        {
            "splicer": pd.Series(list(names), dtype="str"),
            "site": pd.Series(list(sites), dtype="str"),
            "at": pd.Series(now, index=range(len(names))).dt.as_unit("us"),
            "temperature_c": np.nan,
            "pressure_hpa": np.nan,
            "humidity_pct": np.nan,
        }
    )
    return join_air(event, past, crew, "at")


def _elevations(site: str | None, elsewhere: str | float, crew: Crew) -> tuple[float, float]:
    """Elevation of the splicer's site and of the other place, meters."""
    from_m = crew.sites.get(site or "", Site()).elevation_m
    to_m = (
        crew.sites.get(elsewhere, Site()).elevation_m if isinstance(elsewhere, str) else elsewhere
    )
    if from_m is None or to_m is None:
        unknown = elsewhere if from_m is not None else site or "the place where the splicer is"
        raise UsageError(
            f"No recent reading tells the air of the other place, and {unknown} has no elevation_m "
            "in crew.toml to work it out from; add it, or type in the air there."
        )
    return from_m, to_m


def _unchecked_splices(
    last: LastCheck | None,
    later_checks: pd.DataFrame,
    splices: pd.DataFrame,
    service_since: pd.DataFrame,
    day_started: pd.Timestamp,
) -> UncheckedSplices | None:
    """Splices of this workday made on an arc that nobody had checked.

    They count from the start of the workday, or, if a check has passed since, from the first
    failed check or restarting service after it. All splices count, practice and failed ones too,
    as in `arcdrift.analysis.checks.daily_checks`.
    """
    if last is None or last.checked_at < day_started:
        due = day_started
    else:
        failed = later_checks.loc[later_checks["outcome"] == "fail", "checked_at"]
        restarted = service_since.loc[service_since["action"].isin(RESTART_ACTIONS), "serviced_at"]
        moments = [times.min() for times in (failed, restarted) if len(times)]
        if not moments:
            return None
        due = min(moments)
    made = splices.loc[splices["spliced_at"] >= due, "spliced_at"]
    return UncheckedSplices(len(made), made.min()) if len(made) else None


def _arcs_now(
    last: LastCheck | None, checks: pd.DataFrame, splices: pd.DataFrame, service: pd.DataFrame
) -> float | None:
    """Arcs on the present electrodes: those at the last check plus those fired since.

    On electrodes replaced since that check, only those fired on them. A counter that fell was
    reset with the replacement; where splices carry no count, each counts as one arc.
    """
    if last is None or last.arcs is None:
        return None
    at_check = float(checks.loc[checks["checked_at"] == last.checked_at, "arc_count"].max())
    since_check = splices[splices["spliced_at"] > last.checked_at]
    replaced_at = service.loc[service["action"] == REPLACED, "serviced_at"].max()
    if pd.isna(replaced_at) or replaced_at <= last.checked_at:
        count = since_check["arc_count"].max()
        return last.arcs if pd.isna(count) else last.arcs + max(float(count) - at_check, 0.0)
    since = since_check[since_check["spliced_at"] > replaced_at]
    counts = since.sort_values("spliced_at")["arc_count"].dropna()
    if counts.empty:
        return float(len(since))
    before = since_check.loc[since_check["spliced_at"] <= replaced_at, "arc_count"].max()
    start = at_check if pd.isna(before) else max(float(before), at_check)
    return float(counts.max()) - (start if counts.iloc[0] >= start else 0.0)


def _float_or_none(cell: Any) -> float | None:
    return None if pd.isna(cell) else float(cell)
