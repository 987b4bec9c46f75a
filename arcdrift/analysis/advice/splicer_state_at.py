"""Where a splicer stands at one instant: its last check, the air then and now, its wear."""

from collections.abc import Sequence
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
from arcdrift.analysis.advice.splicer_state import AirNow, LastCheck, Situation
from arcdrift.analysis.arc.arc_points import passed_checks
from arcdrift.analysis.common.days import record_sites, site_time_zones
from arcdrift.analysis.common.grouping import category_to_text
from arcdrift.analysis.common.service_actions import REPLACED
from arcdrift.errors import UsageError
from arcdrift.settings import Crew, Site, Splicer
from arcdrift.times import day_bounds, local_day

PROGRAM_DAYS = 7
"""Programs used within this many days are the ones advice speaks of."""


def situation_of(
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
) -> Situation:
    """Gather what advice is given on.

    Parameters
    ----------
    checks, service : DataFrame
        All of the splicer's checks and service events.
    splices : DataFrame
        Its recent splices (a week is enough).
    readings : DataFrame
        Prepared readings, at least those near the last check and near ``now``.
    typed : dict, optional
        ``temperature_c``, ``pressure_hpa`` (station), ``humidity_pct`` typed in by a person;
        they stand in for the newest reading. A temperature typed alone keeps the vapor of the
        reading, as air brought into a warm room does, not its relative humidity.
    elsewhere : str or float, optional
        Another site, or an elevation in meters, that the splicer would be taken to.

    Raises
    ------
    UsageError
        When air has to be brought to another elevation and either of the two is not known.
    """
    (situation,) = situations_of(
        [splicer], checks, splices, service, readings, crew, now, typed=typed, elsewhere=elsewhere
    )
    return situation


def situations_of(
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
) -> tuple[Situation, ...]:
    """Gather what advice on each of some splicers is given on, from the records of them all.

    Parameters and errors as for `situation_of`.
    """
    checks = checks[checks["checked_at"] <= now]
    splices = splices[splices["spliced_at"] <= now]
    service = service[service["serviced_at"] <= now]
    sources = AirSources.from_readings(readings, crew)
    near = sources.near([now], pd.Timedelta(minutes=crew.air_max_age_min))
    past = AirSources.from_readings(near[near["read_at"] <= now], crew)
    places = _sites_now(names, checks, splices, crew)
    zones = site_time_zones(pd.Series(places, dtype=object), crew)
    todays = local_day(pd.Series(now, zones.index).dt.as_unit("us"), zones, crew.day_offset)
    airs = _newest(names, places, past, crew, now)
    lasts = _last_checks(checks, service, sources, crew)
    recent = splices[splices["spliced_at"] > now - pd.Timedelta(days=PROGRAM_DAYS)]
    programs = recent.dropna(subset=["program"]).groupby("splicer")["program"].unique()
    own = {str(name): rows for name, rows in checks.groupby("splicer")}
    made = {str(name): rows for name, rows in recent.groupby("splicer")}
    events = {str(name): rows for name, rows in service.groupby("asset")}
    found = []
    for splicer, here, zone, today, (_, row) in zip(
        names, places, zones, todays, airs.iterrows(), strict=True
    ):
        settings = crew.splicers.get(splicer, Splicer())
        mine, done = own.get(splicer, checks[:0]), events.get(splicer, service[:0])
        last = lasts.get(splicer)
        since = done if last is None else done[done["serviced_at"] > last.checked_at]
        later = mine if last is None else mine[mine["checked_at"] > last.checked_at]
        there = _air_there(elsewhere, past, crew, now) if elsewhere != here else None
        classes = {crew.class_of(str(program)) for program in programs.get(splicer, ())}
        found.append(
            Situation(
                splicer=splicer,
                now=now,
                day_started=pd.Timestamp(day_bounds(today.date(), str(zone), crew.day_offset)[0]),
                site=elsewhere if isinstance(elsewhere, str) else here,
                unit=settings.setting_unit,
                tolerance=settings.tolerance,
                last_check=last,
                failed_since=int((later["outcome"] == "fail").sum()),
                service_since=tuple(since.sort_values("serviced_at")["action"]),
                air=_air_now(row, there, here, elsewhere, crew, typed or {}),
                arcs_now=_arcs_now(last, mine, made.get(splicer, splices[:0]), done),
                program_classes=tuple(sorted(classes)),
                asked_elsewhere=elsewhere is not None and elsewhere != here,
            )
        )
    return tuple(found)


def _sites_now(
    names: Sequence[str], checks: pd.DataFrame, splices: pd.DataFrame, crew: Crew
) -> list[str | None]:
    """Where each splicer's newest record was made, else its home site."""
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
    # wear needs the whole history of the counter, the air only the last check's surroundings
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
            arc_setting=_number(point["arc_setting"]),
            arcs=_number(point["arcs"]),
            temperature_c=_number(point["temperature_c"]),
            pressure_hpa=_number(point["station_pressure_hpa"]),
            humidity_pct=_number(point["humidity_pct"]),
            air_density=_number(point["air_density"]),
            vapor_pressure=_number(point["vapor_pressure"]),
            outdoor=point["air_source"] == WEATHER_STATION,
        )
        for _, point in points.iterrows()
    }


def _air_there(
    elsewhere: str | float | None, past: AirSources, crew: Crew, now: pd.Timestamp
) -> pd.Series | None:
    """Newest air of another site, where a reading tells it."""
    if not isinstance(elsewhere, str):
        return None
    # the splicer's own sensors tell of where it is, not of where it would go
    row = _newest([None], [elsewhere], past, crew, now).iloc[0]
    return None if pd.isna(row["air_density"]) else row


def _air_now(
    row: pd.Series,
    there: pd.Series | None,
    here: str | None,
    elsewhere: str | float | None,
    crew: Crew,
    typed: dict[str, float],
) -> AirNow | None:
    """Air at hand, from the newest reading here or there, or brought from here to there."""
    brought = there is None and elsewhere is not None and elsewhere != here
    row = row if there is None else there
    t, p, rh = (
        _number(row[name]) for name in ("temperature_c", "station_pressure_hpa", "humidity_pct")
    )
    vapor = _number(row["vapor_pressure"])
    source, age = str(row["air_source"]), _number(row["air_age_min"])
    if brought and elsewhere is not None and t is not None and p is not None:
        before, after = _elevations(here, elsewhere, crew)
        p = float(pressure_elsewhere(np.array([p]), before, after, t, vapor or 0.0)[0])
        kept = "" if "temperature_c" in typed else ", its temperature kept"
        source = f"{source}, brought from {before:g} to {after:g} m{kept}"
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


def _newest(
    names: Sequence[str | None],
    sites: Sequence[str | None],
    past: AirSources,
    crew: Crew,
    now: pd.Timestamp,
) -> pd.DataFrame:
    """Air of the newest readings that tell of splicers at sites, or of sites alone."""
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


def _elevations(here: str | None, elsewhere: str | float, crew: Crew) -> tuple[float, float]:
    """Elevation of where the splicer is and of where it would go, meters."""
    before = crew.sites.get(here or "", Site()).elevation_m
    after = (
        crew.sites.get(elsewhere, Site()).elevation_m if isinstance(elsewhere, str) else elsewhere
    )
    if before is None or after is None:
        unknown = elsewhere if before is not None else here or "the place where the splicer is"
        raise UsageError(
            f"No recent reading tells the air of the other place, and {unknown} has no elevation_m "
            "in crew.toml to work it out from; add it, or type in the air there."
        )
    return before, after


def _arcs_now(
    last: LastCheck | None, checks: pd.DataFrame, splices: pd.DataFrame, service: pd.DataFrame
) -> float | None:
    """Arcs on the present electrodes: those at the last check plus those fired since."""
    if last is None or last.arcs is None:
        return None
    replaced = service[(service["action"] == REPLACED) & (service["serviced_at"] > last.checked_at)]
    counts = splices[splices["spliced_at"] > last.checked_at]["arc_count"].dropna()
    if len(replaced) or counts.empty:
        return last.arcs
    at_check = checks.loc[checks["checked_at"] == last.checked_at, "arc_count"].max()
    fired = float(counts.max()) - float(at_check)
    return last.arcs + max(fired, 0.0)


def _number(cell: Any) -> float | None:
    return None if pd.isna(cell) else float(cell)
