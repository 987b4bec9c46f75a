"""Compute the state of splicers at one time: last check, air then and now, electrode wear."""

from collections.abc import Mapping, Sequence
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
from arcdrift.analysis.advice.splicer_records import records_by_splicer
from arcdrift.analysis.advice.splicer_state import AirNow, LastCheck, SplicerState
from arcdrift.analysis.arc.arc_points import passed_checks
from arcdrift.analysis.common.days import record_sites, site_time_zones
from arcdrift.analysis.common.event_lookup import to_microseconds
from arcdrift.analysis.common.grouping import category_to_text
from arcdrift.errors import UsageError
from arcdrift.settings import Crew, Site, Splicer
from arcdrift.times import day_bounds, local_day

PROGRAM_DAYS = 7
"""Advice covers the program classes used within this many days."""
COUNT_DAYS = 28
"""Arcs and splices since the last check are counted back to this many days; a review reads as
many (`arcdrift.analysis.review.parallel.summarize_part`)."""


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
    passed: pd.DataFrame | None = None,
) -> tuple[SplicerState, ...]:
    """States of several splicers at time ``now``, from the records of all of them.

    Parameters
    ----------
    checks, service : DataFrame
        All checks and service events of these splicers.
    splices : DataFrame
        Their splices of the last `COUNT_DAYS` days; earlier ones are left out.
    readings : DataFrame
        Prepared readings, at least those near each last check and near ``now``.
    typed : dict, optional
        ``temperature_c``, ``pressure_hpa`` (station), ``humidity_pct`` typed in by a person;
        they replace those of the newest reading. If only a temperature is typed, the reading's
        vapor pressure is kept, not its relative humidity, as for air heated in a room.
    elsewhere : str or float, optional
        Another site, or an elevation in meters, for which advice is asked.
    passed : DataFrame, optional
        `arcdrift.analysis.arc.arc_points.passed_checks` of these checks, where known already.

    Raises
    ------
    UsageError
        If air has to be converted to another elevation and either elevation is not known.
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
    passed = passed_checks(checks, service) if passed is None else passed
    passed = passed[passed["checked_at"] <= now]
    last_checks = _last_checks(passed, checks, sources, crew)
    last_counts = _last_counts(passed)
    classes = _program_classes(splices, crew, now)
    own_records = records_by_splicer(names, checks, splices, service)
    starts = {
        (day, zone): pd.Timestamp(day_bounds(day.date(), str(zone), crew.day_offset)[0])
        for day, zone in set(zip(todays, zones, strict=True))
    }
    states = []
    for splicer, site, zone, today, row, records in zip(
        names, sites, zones, todays, newest_air.to_dict("records"), own_records, strict=True
    ):
        settings = crew.splicers.get(splicer, Splicer())
        last = last_checks.get(splicer)
        other_air = _air_there(elsewhere, past, crew, now) if elsewhere != site else None
        counted = last
        if last is not None and last.arcs is None and splicer in last_counts:
            # a check written down by hand has no count: the counter goes on from the one before
            at, arcs = last_counts[splicer]
            counted = replace(last, checked_at=at, arcs=arcs)
            last = replace(last, arcs=records.until(last.checked_at).arcs_now(counted))
        day_started = starts[today, zone]
        states.append(
            SplicerState(
                splicer=splicer,
                now=now,
                day_started=day_started,
                site=elsewhere if isinstance(elsewhere, str) else site,
                unit=settings.setting_unit,
                tolerance=settings.tolerance,
                last_check=last,
                failed_since=len(records.failures_since(last)),
                service_since=tuple(records.service_since(last)[1]),
                air=_air_now(row, other_air, site, elsewhere, crew, typed or {}),
                arcs_now=records.arcs_now(counted),
                program_classes=classes.get(splicer, ()),
                asked_elsewhere=elsewhere is not None and elsewhere != site,
                unchecked=records.unchecked(last, day_started),
                latest_splice=records.latest_splice,
                time_zone=str(zone),
            )
        )
    return tuple(states)


def _program_classes(
    splices: pd.DataFrame, crew: Crew, now: pd.Timestamp
) -> dict[str, tuple[str, ...]]:
    """Classes of the programs that each splicer has used lately, sorted."""
    recent = splices[splices["spliced_at"] > now - pd.Timedelta(days=PROGRAM_DAYS)]
    used = recent[["splicer", "program"]].dropna().drop_duplicates()
    classes: dict[str, set[str]] = {}
    for splicer, program in zip(used["splicer"], used["program"], strict=True):
        classes.setdefault(str(splicer), set()).add(crew.class_of(str(program)))
    return {splicer: tuple(sorted(found)) for splicer, found in classes.items()}


def _sites_now(
    names: Sequence[str], checks: pd.DataFrame, splices: pd.DataFrame, crew: Crew
) -> list[str | None]:
    """Site of each splicer's newest record, else its home site."""
    at_home = [crew.splicers.get(name, Splicer()).home_site for name in names]
    newest = [
        category_to_text(_newest(part[["splicer", "site", when]].rename(columns={when: "at"})))
        for part, when in ((checks, "checked_at"), (splices, "spliced_at"))
        if len(part)
    ]
    if not newest:
        return at_home
    latest = _newest(pd.concat(newest))
    sites = dict(zip(latest["splicer"], record_sites(latest, crew), strict=True))
    found = [sites.get(name, home) for name, home in zip(names, at_home, strict=True)]
    return [None if pd.isna(site) else str(site) for site in found]


def _newest(records: pd.DataFrame) -> pd.DataFrame:
    """Newest record of each splicer; of several of one time, the last."""
    order = np.argsort(to_microseconds(records["at"]), kind="stable")
    return records.iloc[order].drop_duplicates("splicer", keep="last")


def _last_checks(
    passed: pd.DataFrame, checks: pd.DataFrame, sources: AirSources, crew: Crew
) -> dict[str, LastCheck]:
    # wear needs the counter's whole history, the air only readings near the last check
    passed = passed.drop_duplicates("splicer", keep="last")
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
        for point in points.to_dict("records")
    }


def _last_counts(passed: pd.DataFrame) -> dict[str, tuple[pd.Timestamp, float]]:
    """When the last passed check with an arc count was made, and the arcs on its electrodes."""
    counted = passed.dropna(subset=["arcs"]).drop_duplicates("splicer", keep="last")
    return {
        str(name): (at, float(arcs))
        for name, at, arcs in zip(
            counted["splicer"], counted["checked_at"], counted["arcs"], strict=True
        )
    }


def _air_there(
    elsewhere: str | float | None, past: AirSources, crew: Crew, now: pd.Timestamp
) -> Mapping[str, Any] | None:
    """Newest air of another site; None if there is no recent reading."""
    if not isinstance(elsewhere, str):
        return None
    # the splicer's own sensors measure its present site, not the other one
    row = _newest_air([None], [elsewhere], past, crew, now).iloc[0]
    return None if pd.isna(row["air_density"]) else {str(name): row[name] for name in row.index}


def _air_now(
    row: Mapping[str, Any],
    other_air: Mapping[str, Any] | None,
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


def _float_or_none(cell: Any) -> float | None:
    return None if pd.isna(cell) else float(cell)
