"""Checklist before the first splice of a day from the store; reads only the rows needed."""

from typing import NamedTuple

import pandas as pd
from sqlalchemy import Engine, select

from arcdrift.analysis.advice.checklist import ChecklistItem, daily_checklist
from arcdrift.analysis.advice.splicer_state import SplicerState
from arcdrift.analysis.arc.arc_model import ArcModel, Refusal
from arcdrift.analysis.common.service_actions import REPLACED
from arcdrift.analysis.maintenance.electrode_life import ElectrodeState, electrode_state
from arcdrift.analysis.maintenance.service_findings import (
    BladeState,
    blade_state,
    interval_state,
    usage_by_hour,
)
from arcdrift.analysis.maintenance.usage_hours import TURN_ACTIONS
from arcdrift.analysis.maintenance.worn_electrodes import worn_since
from arcdrift.instants import microseconds
from arcdrift.settings import Crew
from arcdrift.store import schema
from arcdrift.store.database.fetch import fetch
from arcdrift.store.records.record_overview import read_splicers
from arcdrift.store.records.record_rows import read_records
from arcdrift.store.results.result_rows import read_result

LATEST_SPLICES = 30
"""Number of latest splices whose cleavers count as in use with a splicer."""
BLADE_DAYS = 365
"""Days for which cleaves are counted and turns of a blade are searched in the splice log."""


class ElectrodesNow(NamedTuple):
    """Electrodes by now, and whether they are worn."""

    wear: ElectrodeState
    worn: bool


def electrodes_from_store(
    engine: Engine, state: SplicerState, model: ArcModel | Refusal | None, crew: Crew
) -> ElectrodesNow:
    """State of a splicer's electrodes at the time of `state`, with the arcs fired by then."""
    points = read_result(engine, "result_arc_points", splicer=state.splicer)
    days = read_result(engine, "result_check_days", splicer=state.splicer)
    points = points[points["checked_at"] <= state.now].sort_values("checked_at")
    wear = electrode_state(state.splicer, points, days, model, crew, state.arcs_now)
    replaced = REPLACED in state.service_since
    return ElectrodesNow(wear, worn_since(points, wear, replaced=replaced) is not None)


def checklist_from_store(
    engine: Engine,
    state: SplicerState,
    electrodes: ElectrodesNow,
    splices: pd.DataFrame,
    service: pd.DataFrame,
    crew: Crew,
) -> tuple[ChecklistItem, ...]:
    """Build the checklist of one splicer.

    Parameters
    ----------
    electrodes : ElectrodesNow
        From `electrodes_from_store`.
    splices : DataFrame
        The splicer's latest splices, ``spliced_at`` and ``cleaver`` among them.
    service : DataFrame
        Its service events.
    """
    splicer, now = state.splicer, state.now
    service = service[service["serviced_at"] <= now]
    intervals = crew.service.by_action
    last_service = service[service["action"].isin(intervals)].groupby("action")["serviced_at"].max()
    use = (
        _usage(engine, [splicer], last_service.min().floor("h"), now)
        if len(last_service)
        else usage_by_hour(splices.iloc[:0])
    )
    return daily_checklist(
        state,
        electrodes.wear,
        _blades(engine, splices, crew, now),
        tuple(interval_state(action, use, service, crew, now) for action in intervals),
        crew,
        worn=electrodes.worn,
    )


def _blades(
    engine: Engine, splices: pd.DataFrame, crew: Crew, now: pd.Timestamp
) -> tuple[BladeState, ...]:
    past_splices = splices[splices["spliced_at"] <= now].sort_values("spliced_at")
    cleavers = sorted(map(str, past_splices.tail(LATEST_SPLICES)["cleaver"].dropna().unique()))
    if not cleavers:
        return ()
    turns = read_records(engine, "service", splicers=cleavers)
    turns = turns[(turns["serviced_at"] <= now) & turns["action"].isin(TURN_ACTIONS)]
    latest = turns.groupby("asset")["serviced_at"].max().reindex(cleavers)
    earliest = now - pd.Timedelta(days=BLADE_DAYS)
    # from the full hour, as hours are counted by the findings
    since = max(latest.fillna(earliest).min(), earliest).floor("h")
    use = _usage(engine, read_splicers(engine), since, now, cleavers)
    states = (blade_state(name, use, turns, crew.blade.cleaves_per_position) for name in cleavers)
    return tuple(state for state in states if state is not None)


def _usage(
    engine: Engine,
    names: list[str],
    since: pd.Timestamp,
    now: pd.Timestamp,
    cleavers: list[str] | None = None,
) -> pd.DataFrame:
    # filter by splicer and time first, because the store is indexed by them, then by cleaver
    t = schema.splices.columns
    query = select(t.id, t.splicer, t.spliced_at, t.cleaver, t.blade_position).where(
        t.splicer.in_(names),
        t.spliced_at >= microseconds(since),
        t.spliced_at <= microseconds(now),
    )
    if cleavers is not None:
        query = query.where(t.cleaver.in_(cleavers))
    return usage_by_hour(fetch(engine, query, order=["id"]))
