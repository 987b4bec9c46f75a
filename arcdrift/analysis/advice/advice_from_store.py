"""Advice for one splicer from the store; reads only the rows that are needed."""

import json
from dataclasses import replace

import pandas as pd
from sqlalchemy import Engine

from arcdrift.air.prepared_readings import prepare_readings
from arcdrift.analysis.advice.advice import DRIFTING, WORN, Advice, advise
from arcdrift.analysis.advice.checklist_from_store import (
    checklist_from_store,
    electrodes_from_store,
)
from arcdrift.analysis.advice.splicer_state import OpenArcFinding, SplicerState
from arcdrift.analysis.advice.splicer_state_at import COUNT_DAYS, splicer_state_at
from arcdrift.analysis.arc.arc_model import ArcModel, Refusal
from arcdrift.analysis.common.record_columns import SPLICE_COLUMNS
from arcdrift.analysis.common.service_actions import RESTART_ACTIONS
from arcdrift.analysis.maintenance.electrode_life import ElectrodeState
from arcdrift.analysis.maintenance.worn_electrodes import worn_text
from arcdrift.analysis.setting_cost.mismatch_cost import costs_from_table
from arcdrift.errors import UsageError
from arcdrift.settings import Crew, Splicer
from arcdrift.store.records.record_overview import assessment_time, newest_reading, read_splicers
from arcdrift.store.records.record_rows import read_records
from arcdrift.store.results.result_rows import read_findings, read_result


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
    names = read_splicers(engine)
    if splicer not in names:
        known = ", ".join(names) if names else "none yet"
        raise UsageError(f"No splicer {splicer!r} is on record; known are: {known}.")
    if isinstance(elsewhere, str) and elsewhere not in crew.sites:
        known = ", ".join(crew.sites) or "none yet"
        raise UsageError(f"No site {elsewhere!r} is in crew.toml; known are: {known}.")
    now = assessment_time(engine, crew) if at is None else at
    typed = {
        name: value
        for name, value in (
            ("temperature_c", temperature_c),
            ("pressure_hpa", pressure_hpa),
            ("humidity_pct", humidity_pct),
        )
        if value is not None
    }
    checks = read_records(
        engine, "arc-checks", splicers=[splicer], until=just_after(now), exclude_wrong_clock=True
    )
    service = read_records(engine, "service", splicers=[splicer])
    counted_from = now - pd.Timedelta(days=COUNT_DAYS)
    splices = read_records(
        engine,
        "splices",
        splicers=[splicer],
        since=counted_from,
        until=just_after(now),
        columns=SPLICE_COLUMNS,
        exclude_wrong_clock=True,
    )
    other_site = elsewhere if isinstance(elsewhere, str) else None
    readings = _readings_near(engine, crew, splicer, checks, splices, now, other_site)
    state = splicer_state_at(
        splicer, checks, splices, service, readings, crew, now, typed=typed, elsewhere=elsewhere
    )
    runs = read_result(engine, "analysis_run")
    state = replace(
        state,
        open_findings=_open_arc_findings(engine, splicer, service, now),
        newest_reading=newest_reading(
            engine, splicer, state.site, crew.station_of(state.site), now
        ),
        learned_until=None if runs.empty else runs["now"].iloc[0],
    )
    worths = costs_from_table(read_result(engine, "result_worth", splicer=splicer))
    model = _current_model(engine, splicer, service, state)
    electrodes = electrodes_from_store(engine, state, model, crew)
    if electrodes.worn:
        state = replace(
            state, open_findings=(*state.open_findings, _worn(engine, splicer, electrodes.wear))
        )
    items = checklist_from_store(engine, state, electrodes, splices, service, crew)
    advice = advise(state, model, crew, worths)
    return replace(advice, start_of_day=items, electrodes=electrodes.wear)


def _open_arc_findings(
    engine: Engine, splicer: str, service: pd.DataFrame, now: pd.Timestamp
) -> tuple[OpenArcFinding, ...]:
    """Open drifts of its arc, which a check does not resolve; of quiet ones only the latest."""
    open_findings = []
    for finding in read_findings(engine, subject=splicer):
        kind, quiet = str(finding["kind"]), finding["severity"] == "note"
        if kind not in DRIFTING:
            continue
        text = _opening_capital(str(finding["summary"]).removeprefix(f"{splicer}: "))
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


def _worn(engine: Engine, splicer: str, wear: ElectrodeState) -> OpenArcFinding:
    """Worn electrodes with their numbers by now; the finding tells those of the last analysis."""
    ids = [
        str(finding["id"])
        for finding in read_findings(engine, subject=splicer)
        if finding["kind"] == WORN
    ]
    text = worn_text(wear) or "The arc setting is near what the machine can reach"
    words = f"The electrodes are worn: {text}."
    return OpenArcFinding(ids[0] if ids else None, WORN, words, pressing=True)


def _opening_capital(sentence: str) -> str:
    return sentence[:1].upper() + sentence[1:]


def just_after(now: pd.Timestamp) -> pd.Timestamp:
    """Exclusive upper bound that still includes a record at ``now``."""
    return now + pd.Timedelta(microseconds=1)


def _readings_near(
    engine: Engine,
    crew: Crew,
    splicer: str,
    checks: pd.DataFrame,
    splices: pd.DataFrame,
    now: pd.Timestamp,
    elsewhere: str | None,
) -> pd.DataFrame:
    """Readings near the last passed check and near ``now``; advice needs no others."""
    max_age = pd.Timedelta(minutes=crew.air_max_age_min)
    home = crew.splicers.get(splicer, Splicer()).home_site
    sites = {*checks["site"].dropna(), *splices["site"].dropna()}
    sites |= {name for name in (home, elsewhere) if name}
    stations = {crew.station_of(str(site)) for site in sites}
    passed = checks.loc[checks["outcome"] == "pass", "checked_at"]
    moments = [now, *([passed.max()] if len(passed) else [])]
    parts = [
        read_records(
            engine,
            "readings",
            splicers=[splicer],
            sites=sorted(map(str, sites)),
            stations=sorted(filter(None, stations)),
            since=moment - max_age,
            until=just_after(moment + max_age),
        )
        for moment in moments
    ]
    readings = pd.concat(parts).drop_duplicates("id") if len(parts) > 1 else parts[0]
    return prepare_readings(readings.reset_index(drop=True), crew)


def _current_model(
    engine: Engine, splicer: str, service: pd.DataFrame, state: SplicerState
) -> ArcModel | Refusal | None:
    """The stored model; a refusal if a restarting service has been logged since its analysis."""
    model, until = _stored_model(engine, splicer), state.learned_until
    if not isinstance(model, ArcModel) or until is None:
        return model
    since_analysis = (service["serviced_at"] > until) & (service["serviced_at"] <= state.now)
    restarts = service.loc[since_analysis & service["action"].isin(RESTART_ACTIONS), "action"]
    if restarts.empty:
        return model
    reason = f"{restarts.iloc[-1]} since the last analysis; run one"
    return Refusal(splicer, model.checks, model.used, reason)


def _stored_model(engine: Engine, splicer: str) -> ArcModel | Refusal | None:
    rows = read_result(engine, "result_arc_models", splicer=splicer)
    if rows.empty:
        return None
    row = rows.iloc[0]
    if pd.isna(row["model"]):
        return Refusal(splicer, int(row["checks"]), int(row["used"]), str(row["refusal"]))
    try:
        return ArcModel.from_json(json.loads(row["model"]))
    except (KeyError, TypeError):  # written by another version of the program
        return None
