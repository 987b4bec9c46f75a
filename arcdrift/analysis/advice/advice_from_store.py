"""Advice from the store; reads only the rows that are needed, each once for all splicers."""

import json
from collections.abc import Sequence
from dataclasses import replace

import pandas as pd
from sqlalchemy import Engine

from arcdrift.analysis.advice.advice import DRIFTING, WORN, Advice, advise
from arcdrift.analysis.advice.advice_records import AdviceRecords, read_advice_records
from arcdrift.analysis.advice.checklist_now import checklist_now, electrodes_now
from arcdrift.analysis.advice.splicer_state import OpenArcFinding, SplicerState
from arcdrift.analysis.advice.splicer_states_at import splicer_states_at
from arcdrift.analysis.arc.arc_model import ArcModel, PeerSlopes, Refusal
from arcdrift.analysis.common.service_actions import RESTART_ACTIONS
from arcdrift.analysis.maintenance.electrode_life import ElectrodeState
from arcdrift.analysis.maintenance.worn_electrodes import worn_text
from arcdrift.analysis.setting_cost.mismatch_cost import costs_from_table
from arcdrift.errors import UsageError
from arcdrift.settings import Crew
from arcdrift.store.database.connect import snapshot
from arcdrift.store.records.record_overview import assessment_time, newest_reading, read_splicers
from arcdrift.store.results.result_rows import read_result
from arcdrift.wording import capitalized


def advice_from_store(
    engine: Engine,
    crew: Crew,
    splicer: str,
    *,
    at: pd.Timestamp | None = None,
    temperature_c: float | None = None,
    pressure_hpa: float | None = None,
    humidity_pct: float | None = None,
    elsewhere: str | float | None = None,
) -> Advice:
    """Advice for one splicer, for the present or for typed-in air.

    Parameters
    ----------
    elsewhere : str or float, optional
        Another site, or an elevation in meters, for which advice is asked: the air is that of the
        site's newest reading, else the present air converted to the other elevation.

    Raises
    ------
    UsageError
        If the splicer is not in the store, the site is not in crew.toml, or an elevation is
        missing.
    """
    found = advice_of_splicers(
        engine,
        crew,
        [splicer],
        at=at,
        temperature_c=temperature_c,
        pressure_hpa=pressure_hpa,
        humidity_pct=humidity_pct,
        elsewhere=elsewhere,
    )
    return found[splicer]


def advice_of_splicers(
    engine: Engine,
    crew: Crew,
    splicers: Sequence[str],
    *,
    at: pd.Timestamp | None = None,
    temperature_c: float | None = None,
    pressure_hpa: float | None = None,
    humidity_pct: float | None = None,
    elsewhere: str | float | None = None,
) -> dict[str, Advice]:
    """Advice for several splicers, from one state of the store, by splicer.

    Parameters and errors as for `advice_from_store`.
    """
    with snapshot(engine):
        typed = {
            name: value
            for name, value in (
                ("temperature_c", temperature_c),
                ("pressure_hpa", pressure_hpa),
                ("humidity_pct", humidity_pct),
            )
            if value is not None
        }
        records, states = _states(engine, crew, splicers, at, typed, elsewhere)
        return {state.splicer: _advice(records, state, crew) for state in states}


def arc_state_from_store(
    engine: Engine, crew: Crew, splicer: str, at: pd.Timestamp | None = None
) -> tuple[SplicerState, ArcModel | Refusal | None]:
    """State of one splicer's arc and its model, from which advice in any air follows.

    Raises
    ------
    UsageError
        If the splicer is not in the store.
    """
    with snapshot(engine):
        records, (state,) = _states(engine, crew, [splicer], at, {}, None)
        return state, _current_model(records, state)


def _states(
    engine: Engine,
    crew: Crew,
    splicers: Sequence[str],
    at: pd.Timestamp | None,
    typed: dict[str, float],
    elsewhere: str | float | None,
) -> tuple[AdviceRecords, list[SplicerState]]:
    """Records of some splicers, and the state of each with its open findings."""
    names = read_splicers(engine)
    known = ", ".join(names) if names else "none yet"
    for splicer in splicers:
        if splicer not in names:
            raise UsageError(f"No splicer {splicer!r} is on record; known are: {known}.")
    if isinstance(elsewhere, str) and elsewhere not in crew.sites:
        known = ", ".join(crew.sites) or "none yet"
        raise UsageError(f"No site {elsewhere!r} is in crew.toml; known are: {known}.")
    now = assessment_time(engine, crew) if at is None else at
    other_site = elsewhere if isinstance(elsewhere, str) else None
    records = read_advice_records(engine, crew, splicers, now, other_site)
    states = splicer_states_at(
        splicers,
        records.checks,
        records.splices,
        records.service,
        records.readings,
        crew,
        now,
        typed=typed,
        elsewhere=elsewhere,
    )
    runs = read_result(engine, "analysis_run")
    learned_until = None if runs.empty else runs["now"].iloc[0]
    return records, [
        replace(
            state,
            open_findings=_open_arc_findings(records, state.splicer, now),
            newest_reading=newest_reading(
                engine, state.splicer, state.site, crew.station_of(state.site), now
            ),
            learned_until=learned_until,
        )
        for state in states
    ]


def _advice(records: AdviceRecords, state: SplicerState, crew: Crew) -> Advice:
    model = _current_model(records, state)
    electrodes = electrodes_now(records, state, model, crew)
    if electrodes.worn:
        worn = _worn(records, state.splicer, electrodes.wear)
        state = replace(state, open_findings=(*state.open_findings, worn))
    items = checklist_now(records, state, electrodes, crew)
    advice = advise(
        state, model, crew, costs_from_table(records.result("result_worth", state.splicer))
    )
    return replace(
        advice,
        start_of_day=items,
        electrodes=electrodes.wear,
        rests_on=records.rests_on[state.splicer],
    )


def _open_arc_findings(
    records: AdviceRecords, splicer: str, now: pd.Timestamp
) -> tuple[OpenArcFinding, ...]:
    """Open drifts of its arc, which a check does not resolve; of quiet ones only the latest."""
    open_findings = []
    service = records.own_service[splicer]
    for finding in records.findings[splicer]:
        kind, quiet = str(finding["kind"]), finding["severity"] == "note"
        if kind not in DRIFTING:
            continue
        text = capitalized(str(finding["summary"]).removeprefix(f"{splicer}: "))
        last = pd.Timestamp(finding["until"])
        since_finding = (service["serviced_at"] > last) & (service["serviced_at"] <= now)
        restarts = service[since_finding & service["action"].isin(RESTART_ACTIONS)].tail(1)
        if len(restarts):
            when, action = restarts["serviced_at"].iloc[0], restarts["action"].iloc[0]
            since_then = f" Since then: {action} on {when:%Y-%m-%d}."
            text = text.removesuffix(since_then) + since_then
        elif quiet:
            text += f" Last seen on {last:%Y-%m-%d}; the finding is still open."
        open_findings.append(
            OpenArcFinding(str(finding["id"]), kind, text, not quiet and restarts.empty)
        )
    # findings come with the most pressing and the latest first
    quiet_ones = [finding for finding in open_findings if not finding.pressing][:1]
    return (*(finding for finding in open_findings if finding.pressing), *quiet_ones)


def _worn(records: AdviceRecords, splicer: str, wear: ElectrodeState) -> OpenArcFinding:
    """Worn electrodes with their numbers by now; the finding tells those of the last analysis."""
    ids = [str(each["id"]) for each in records.findings[splicer] if each["kind"] == WORN]
    text = worn_text(wear) or "The arc setting is near what the machine can reach"
    words = f"The electrodes are worn: {text}."
    return OpenArcFinding(ids[0] if ids else None, WORN, words, pressing=True)


def _current_model(records: AdviceRecords, state: SplicerState) -> ArcModel | Refusal | None:
    """The stored model; a refusal if a restarting service has been logged since its analysis."""
    splicer, service = state.splicer, records.own_service[state.splicer]
    model = _stored_model(records.result("result_arc_models", splicer), splicer)
    until = state.learned_until
    if not isinstance(model, ArcModel) or until is None:
        return model
    since_analysis = (service["serviced_at"] > until) & (service["serviced_at"] <= state.now)
    restarts = service.loc[since_analysis & service["action"].isin(RESTART_ACTIONS), "action"]
    if restarts.empty:
        return model
    reason = f"{restarts.iloc[-1]} since the last analysis; run one"
    return Refusal(splicer, model.checks, model.used, reason)


def _stored_model(rows: pd.DataFrame, splicer: str) -> ArcModel | Refusal | None:
    if rows.empty:
        return None
    row = rows.iloc[0]
    if pd.isna(row["model"]):
        stored = row["peer_slopes"]
        peers = None if pd.isna(stored) else PeerSlopes.from_json(json.loads(stored))
        return Refusal(splicer, int(row["checks"]), int(row["used"]), str(row["refusal"]), peers)
    try:
        return ArcModel.from_json(json.loads(row["model"]))
    except (KeyError, TypeError):  # written by another version of the program
        return None
