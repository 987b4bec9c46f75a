"""What advice is worked out from: records and results of some splicers, each read once for all."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd
from sqlalchemy import ColumnElement, Engine, and_, false, func, or_, select

from arcdrift.air.air_join import AirSources
from arcdrift.air.prepared_readings import prepare_readings
from arcdrift.analysis.advice.splicer_states_at import COUNT_DAYS
from arcdrift.analysis.maintenance.service_findings import HOUR, HOUR_KEYS, USAGE_COLUMNS
from arcdrift.analysis.maintenance.usage_hours import TURN_ACTIONS
from arcdrift.instants import microseconds
from arcdrift.record_subjects import Subjects
from arcdrift.settings import Crew, Splicer
from arcdrift.store import schema
from arcdrift.store.annotations.clock_shifts import clock_shifts, true_time
from arcdrift.store.database.fetch import fetch
from arcdrift.store.records.record_overview import read_splicers
from arcdrift.store.records.record_rows import read_records
from arcdrift.store.results.result_rows import read_findings, read_result

LATEST_SPLICES = 30
"""Number of latest splices whose cleavers count as in use with a splicer."""
BLADE_DAYS = 365
"""Days for which cleaves are counted and turns of a blade are searched in the splice log."""
SPLICE_COLUMNS = ("splicer", "spliced_at", "program", "arc_count", "site", "cleaver")
RESULT_TABLES = ("result_arc_models", "result_arc_points", "result_check_days", "result_worth")
_MOST_CONDITIONS = 100
"""Assets to ask for in one query; databases limit how long a query may be."""


@dataclass(frozen=True)
class AdviceRecords:
    """Records and results of some splicers, in frames of all of them and by splicer.

    Attributes
    ----------
    checks, splices, service : DataFrame
        All checks and service events, and the splices of the last `COUNT_DAYS` days, up to ``now``.
    readings : AirSources
        Those near ``now`` and near each splicer's last passed check.
    own_service : dict of DataFrame
        Service events up to ``now``, by splicer.
    results : dict of dict of DataFrame
        `RESULT_TABLES`, each by splicer.
    findings : dict of list of dict
        Findings about each splicer, the most pressing and the latest first.
    cleavers : dict of list of str
        Cleavers in use with each splicer.
    turns : dict of DataFrame
        Turns of their blades in the service log, by splicer.
    blade_use, interval_use : dict of DataFrame
        Hours of use by splicer: of its cleavers since their blades were turned, by whoever used
        them, and of itself since the oldest of its last service events
        (`arcdrift.analysis.maintenance.service_findings.usage_by_hour`).
    rests_on : dict of Subjects
        Whose records the advice on each splicer may depend on.
    """

    checks: pd.DataFrame
    splices: pd.DataFrame
    service: pd.DataFrame
    readings: AirSources
    own_service: dict[str, pd.DataFrame]
    results: dict[str, dict[str, pd.DataFrame]]
    findings: dict[str, list[dict[str, Any]]]
    cleavers: dict[str, list[str]]
    turns: dict[str, pd.DataFrame]
    blade_use: dict[str, pd.DataFrame]
    interval_use: dict[str, pd.DataFrame]
    rests_on: dict[str, Subjects]

    def result(self, table: str, splicer: str) -> pd.DataFrame:
        """Return a splicer's rows of a result table."""
        return self.results[table][splicer]


def read_advice_records(
    engine: Engine,
    crew: Crew,
    splicers: Sequence[str],
    now: pd.Timestamp,
    elsewhere: str | None = None,
) -> AdviceRecords:
    """Read what advice for some splicers needs at an instant.

    Parameters
    ----------
    elsewhere : str, optional
        Another site whose air is wanted, too.
    """
    until = just_after(now)
    checks = read_records(
        engine, "arc-checks", splicers=splicers, until=until, exclude_wrong_clock=True
    )
    service = read_records(engine, "service", splicers=splicers)
    splices = read_records(
        engine,
        "splices",
        splicers=splicers,
        since=now - pd.Timedelta(days=COUNT_DAYS),
        until=until,
        columns=SPLICE_COLUMNS,
        exclude_wrong_clock=True,
    )
    sites = _sites(crew, splicers, checks, splices)
    readings = _readings_near(engine, crew, splicers, sites, checks, now, elsewhere)
    own_service = _by_splicer(service[service["serviced_at"] <= now], splicers, "asset")
    cleavers = _cleavers_in_use(splices, splicers)
    turns, blade_use = _blade_use(engine, cleavers, now)
    found: dict[str, list[dict[str, Any]]] = {name: [] for name in splicers}
    for finding in read_findings(engine, subject=splicers[0] if len(splicers) == 1 else None):
        found.get(finding["subject"]["id"], []).append(finding)
    return AdviceRecords(
        checks=checks,
        splices=splices,
        service=service,
        readings=readings,
        own_service=own_service,
        results={name: _results(engine, name, splicers) for name in RESULT_TABLES},
        findings=found,
        cleavers=cleavers,
        turns=turns,
        blade_use=blade_use,
        interval_use=_interval_use(engine, own_service, crew, now),
        rests_on={
            name: Subjects(
                frozenset({name, *cleavers[name]}),
                frozenset(sites[name]),
                frozenset(filter(None, map(crew.station_of, sites[name]))),
            )
            for name in splicers
        },
    )


def just_after(now: pd.Timestamp) -> pd.Timestamp:
    """Exclusive upper bound that still includes a record at ``now``."""
    return now + pd.Timedelta(microseconds=1)


def _by_splicer(
    rows: pd.DataFrame, splicers: Iterable[str], column: str = "splicer"
) -> dict[str, pd.DataFrame]:
    own = {str(name): part for name, part in rows.groupby(column, observed=True)}
    return {name: own.get(name, rows.iloc[:0]) for name in splicers}


def _results(engine: Engine, table: str, splicers: Sequence[str]) -> dict[str, pd.DataFrame]:
    """Rows of a result table by splicer; of one splicer only these are read."""
    only = {"splicer": splicers[0]} if len(splicers) == 1 else {}
    rows = read_result(engine, table, **only)
    own = _by_splicer(rows, splicers)
    return {name: part.reset_index(drop=True) for name, part in own.items()}


def _sites(
    crew: Crew, splicers: Sequence[str], checks: pd.DataFrame, splices: pd.DataFrame
) -> dict[str, set[str]]:
    """Sites where each splicer was checked or has spliced lately, and its home site."""
    sites: dict[str, set[str]] = {name: set() for name in splicers}
    for name in splicers:
        home = crew.splicers.get(name, Splicer()).home_site
        sites[name] |= {home} if home else set()
    for records in (checks, splices):
        seen = records[["splicer", "site"]].dropna().drop_duplicates()
        for name, site in zip(seen["splicer"], seen["site"], strict=True):
            sites[str(name)].add(str(site))
    return sites


def _readings_near(
    engine: Engine,
    crew: Crew,
    splicers: Sequence[str],
    sites_of: dict[str, set[str]],
    checks: pd.DataFrame,
    now: pd.Timestamp,
    elsewhere: str | None,
) -> AirSources:
    """Readings near each splicer's last passed check and near ``now``; advice needs no others."""
    max_age = pd.Timedelta(minutes=crew.air_max_age_min)
    sites = set().union(*sites_of.values(), {elsewhere} if elsewhere else ())
    stations = {crew.station_of(site) for site in sites}
    passed = checks.loc[checks["outcome"] == "pass"].groupby("splicer")["checked_at"].max()
    parts = [
        read_records(
            engine,
            "readings",
            splicers=splicers,
            sites=sorted(sites),
            stations=sorted(filter(None, stations)),
            since=since,
            until=just_after(until),
        )
        for since, until in _joined_spans([now, *passed], max_age)
    ]
    readings = pd.concat(parts).drop_duplicates("id") if len(parts) > 1 else parts[0]
    return AirSources.from_readings(prepare_readings(readings.reset_index(drop=True), crew), crew)


def _joined_spans(
    moments: Iterable[pd.Timestamp], reach: pd.Timedelta
) -> list[tuple[pd.Timestamp, pd.Timestamp]]:
    """Spans of time around some instants; what overlaps is one span."""
    spans: list[tuple[pd.Timestamp, pd.Timestamp]] = []
    for moment in sorted(moments):
        since, until = moment - reach, moment + reach
        if spans and since <= spans[-1][1]:
            since, _ = spans.pop()
        spans.append((since, until))
    return spans


def _cleavers_in_use(splices: pd.DataFrame, splicers: Sequence[str]) -> dict[str, list[str]]:
    latest = splices.sort_values("spliced_at").groupby("splicer").tail(LATEST_SPLICES)
    pairs = latest[["splicer", "cleaver"]].dropna().drop_duplicates()
    own = {str(name): sorted(map(str, part)) for name, part in pairs.groupby("splicer")["cleaver"]}
    return {name: own.get(name, []) for name in splicers}


def _blade_use(
    engine: Engine, cleavers: dict[str, list[str]], now: pd.Timestamp
) -> tuple[dict[str, pd.DataFrame], dict[str, pd.DataFrame]]:
    """Turns of the blades in use with each splicer, and hours of use since the first of them."""
    every = sorted(set().union(*cleavers.values()))
    turns = read_records(engine, "service", splicers=every)
    turns = turns[(turns["serviced_at"] <= now) & turns["action"].isin(TURN_ACTIONS)]
    earliest = now - pd.Timedelta(days=BLADE_DAYS)
    latest = turns.groupby("asset")["serviced_at"].max().reindex(every).fillna(earliest)
    # from the full hour, as hours are counted by the findings
    latest = latest.where(latest > earliest, earliest).dt.floor("h")
    since = {splicer: latest[own].min() for splicer, own in cleavers.items() if own}
    since_by_cleaver = {
        cleaver: min(since[splicer] for splicer, own in cleavers.items() if cleaver in own)
        for cleaver in every
    }
    use = _used_since(engine, schema.splices.c.cleaver, since_by_cleaver, now)
    return (
        {splicer: turns[turns["asset"].isin(own)] for splicer, own in cleavers.items()},
        {
            splicer: use[use["cleaver"].isin(own) & (use["at"] >= since.get(splicer, now))]
            for splicer, own in cleavers.items()
        },
    )


def _interval_use(
    engine: Engine, own_service: dict[str, pd.DataFrame], crew: Crew, now: pd.Timestamp
) -> dict[str, pd.DataFrame]:
    """Hours of use of each splicer since the oldest of its last service events."""
    since = {}
    for splicer, service in own_service.items():
        done = service[service["action"].isin(crew.service.by_action)]
        if len(done):
            since[splicer] = done.groupby("action")["serviced_at"].max().min().floor("h")
    use = _used_since(engine, schema.splices.c.splicer, since, now)
    return _by_splicer(use, own_service)


def _used_since(
    engine: Engine,
    asset: ColumnElement[str],
    since: dict[str, pd.Timestamp],
    now: pd.Timestamp,
) -> pd.DataFrame:
    """Hours of use of some splicers or cleavers, of each since an instant.

    Returns
    -------
    DataFrame
        As `arcdrift.analysis.maintenance.service_findings.usage_by_hour`.
    """
    t = schema.splices.c
    is_cleaver = asset is t.cleaver
    # of cleavers, too, the store finds splices by splicer and time
    splicers = read_splicers(engine) if is_cleaver else list(since)
    time = true_time(schema.splices, clock_shifts(engine, splicers=splicers))
    parts = []
    names = sorted(since)
    for start in range(0, max(len(names), 1), _MOST_CONDITIONS):
        some = names[start : start + _MOST_CONDITIONS]
        of_some = [and_(asset == name, time >= microseconds(since[name])) for name in some]
        query = select(
            *(t[name] for name in HOUR_KEYS),
            func.min(time).label("at"),
            func.max(time).label("last"),
            func.count().label("splices"),
        ).where(or_(false(), *of_some), time <= microseconds(now))
        if is_cleaver and some:
            earliest = microseconds(min(since[name] for name in some))
            query = query.where(t.splicer.in_(splicers), time >= earliest)
        query = query.group_by(*(t[name] for name in HOUR_KEYS), time // HOUR)
        parts.append(fetch(engine, query, order=["splicer", "at"]))
    use = pd.concat(parts, ignore_index=True)
    return use.assign(
        **{name: pd.to_datetime(use[name], unit="us", utc=True) for name in ("at", "last")}
    )[USAGE_COLUMNS]
