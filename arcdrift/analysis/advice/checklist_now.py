"""Checklist before the first splice of a day, from what advice reads of the store."""

from typing import NamedTuple

from arcdrift.analysis.advice.advice_records import AdviceRecords
from arcdrift.analysis.advice.checklist import ChecklistItem, daily_checklist
from arcdrift.analysis.advice.splicer_state import SplicerState
from arcdrift.analysis.arc.arc_model import ArcModel, Refusal
from arcdrift.analysis.common.service_actions import REPLACED
from arcdrift.analysis.maintenance.electrode_life import ElectrodeState, electrode_state
from arcdrift.analysis.maintenance.service_findings import blade_state, interval_state
from arcdrift.analysis.maintenance.worn_electrodes import worn_since
from arcdrift.settings import Crew


class ElectrodesNow(NamedTuple):
    """Electrodes by now, and whether they are worn."""

    wear: ElectrodeState
    worn: bool


def electrodes_now(
    records: AdviceRecords, state: SplicerState, model: ArcModel | Refusal | None, crew: Crew
) -> ElectrodesNow:
    """State of a splicer's electrodes at the time of `state`, with the arcs fired by then."""
    points = records.result("result_arc_points", state.splicer)
    days = records.result("result_check_days", state.splicer)
    points = points[points["checked_at"] <= state.now].sort_values("checked_at")
    wear = electrode_state(state.splicer, points, days, model, crew, state.arcs_now)
    replaced = REPLACED in state.service_since
    return ElectrodesNow(wear, worn_since(points, wear, replaced=replaced) is not None)


def checklist_now(
    records: AdviceRecords, state: SplicerState, electrodes: ElectrodesNow, crew: Crew
) -> tuple[ChecklistItem, ...]:
    """Build the checklist of one splicer.

    Parameters
    ----------
    electrodes : ElectrodesNow
        From `electrodes_now`.
    """
    splicer, now = state.splicer, state.now
    service, use = records.own_service[splicer], records.interval_use[splicer]
    life = crew.blade.cleaves_per_position
    blades = (
        blade_state(name, records.blade_use[splicer], records.turns[splicer], life)
        for name in records.cleavers[splicer]
    )
    return daily_checklist(
        state,
        electrodes.wear,
        tuple(blade for blade in blades if blade is not None),
        tuple(interval_state(action, use, service, crew, now) for action in crew.service.by_action),
        crew,
        worn=electrodes.worn,
    )
