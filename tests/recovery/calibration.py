"""Calibration of the probabilities given by advice, at random times, against the truth.

Run by hand; some minutes::

    python -m tests.recovery.calibration --crews 12
"""

import argparse
from typing import Any

import numpy as np
import pandas as pd
from statsmodels.stats.proportion import proportion_confint

from arcdrift.air.air_join import AIR_COLUMNS, WEATHER_STATION, join_air
from arcdrift.air.prepared_readings import prepare_readings
from arcdrift.analysis.advice.advice import advise
from arcdrift.analysis.advice.splicer_state import AirNow, LastCheck, SplicerState
from arcdrift.analysis.arc.arc_model import ArcModel, Refusal, fit_arc, fit_for_pooling
from arcdrift.analysis.arc.arc_points import passed_checks
from arcdrift.analysis.arc.pooled_regression import PHI_ASSUMED, pooled_lag1
from arcdrift.analysis.common.service_actions import RESTART_ACTIONS
from arcdrift.simulate import invented_crew, load_plan
from arcdrift.simulate.crew.fault_plans import add_faults
from arcdrift.times import local_day
from tests.recovery.crews import Run, run_crew

EDGES = (0.0, 0.02, 0.05, 0.15, 0.25, 0.35, 0.45, 0.55, 0.65, 0.75, 0.85, 0.95, 0.98, 1.0)
CUTS = 4
"""Times per crew at which its models are refitted, on the checks up to then."""
LONGEST = pd.Timedelta(days=8)
"""Readings are kept from this long before a refit on; the air at older checks is not needed."""
QUESTIONS = 40
"""Random times of work per splicer and refit, in addition to the mornings."""
REST = pd.Timedelta(hours=6)
"""Longest pause within a shift."""
PLANS = (None, "altitude-move", "cold-front", "nights-and-rooms")


def ask(run: Run, seed: int) -> pd.DataFrame:
    """Advice on every splicer at times of work in the last third of a run.

    The model is fitted on the checks up to a cut and used in the days after it, with the last
    check, the air and the wear from the records at that time, not the true ones.

    Returns
    -------
    DataFrame
        ``splicer``, ``probability`` of the advice, whether the setting was truly ``off`` by more
        than the tolerance, ``miss`` (true minus estimated required setting), its estimated ``sd``,
        ``gap`` (estimated minus actual setting), and the error of the air.
    """
    rng = np.random.default_rng([seed, 0xCA11])
    points = run.assessment.frames["result_arc_points"]
    began = points["checked_at"].min()
    span = (run.now - began) / 3
    rows = []
    readings = prepare_readings(run.made["readings"], run.made.crew)
    for number in range(CUTS):
        cut = began + 2 * span + number * span / CUTS
        near = readings[readings["read_at"].between(cut - LONGEST, cut + span / CUTS)]
        for name, model in _models(points[points["checked_at"] <= cut], run).items():
            if not isinstance(model, ArcModel):
                continue
            times = _times_of_work(run, name, cut, cut + span / CUTS, rng)
            times = times[~_after_restart(run, name, cut, times)]
            if times.empty:
                continue
            truth = run.made.required(name, times)
            rows += _answers(run, name, model, truth, near, cut)
    return pd.DataFrame(rows).assign(seed=seed)


def _times_of_work(
    run: Run, name: str, since: pd.Timestamp, until: pd.Timestamp, rng: np.random.Generator
) -> pd.Series:
    """Times before the first splice of each day, and at random splices."""
    at = run.made["splices"].loc[run.made["splices"]["splicer"] == name, "spliced_at"]
    at = at[at.between(since, until)].sort_values()
    first = at[at.diff() > REST]
    mornings = first - pd.to_timedelta(60.0 * rng.random(len(first)), unit="min")
    between = at.to_numpy()[rng.integers(len(at), size=QUESTIONS)] if len(at) else []
    times = pd.concat([mornings, pd.Series(between, dtype=at.dtype)]).dt.floor("s")
    return times[times > since].sort_values(ignore_index=True)


def _after_restart(run: Run, name: str, cut: pd.Timestamp, times: pd.Series) -> pd.Series:
    """Whether each time is after a restarting service since the cut, which needs a new fit."""
    service = run.made["service"]
    restarts = service[(service["asset"] == name) & service["action"].isin(RESTART_ACTIONS)]
    later = restarts.loc[restarts["serviced_at"] > cut, "serviced_at"]
    return times > later.min() if len(later) else pd.Series(False, index=times.index)


def _models(known: pd.DataFrame, run: Run) -> dict[str, ArcModel | Refusal]:
    """Arc models fitted on the given checks, as in a review."""
    models: dict[str, ArcModel | Refusal] = {}
    settings = run.made.crew.splicers
    sisterhood = known["splicer"].map({name: (s.model, s.setting_unit) for name, s in
                                       settings.items()})  # fmt: skip
    for (_, unit), group in known.groupby(sisterhood):
        by_splicer = {str(name): mine for name, mine in group.groupby("splicer")}
        fits = {name: fit_for_pooling(mine, PHI_ASSUMED) for name, mine in by_splicer.items()}
        phi = pooled_lag1([fit for fit in fits.values() if fit is not None])
        for name, mine in by_splicer.items():
            peers = [fit for other, fit in fits.items() if other != name and fit is not None]
            models[name] = fit_arc(name, mine, unit, peers, phi)[0]
    return models


def _answers(
    run: Run,
    name: str,
    model: ArcModel,
    truth: pd.DataFrame,
    readings: pd.DataFrame,
    cut: pd.Timestamp,
) -> list[dict[str, Any]]:
    made = run.made
    rows = []
    for true, state in zip(
        truth.itertuples(), _situations(run, name, truth, readings, cut), strict=True
    ):
        told = advise(state, model, made.crew)
        if (
            told.probability is None
            or told.required is None
            or not (state.air and state.last_check)
        ):
            continue
        rows.append(
            {
                "splicer": name,
                "at": state.now,
                "since_check": state.now - state.last_check.checked_at,
                "probability": told.probability,
                "off": abs(true.required - true.in_force) > told.tolerance,
                "miss": true.required - told.required["value"],
                "sd": (told.required["high"] - told.required["low"]) / (2 * 1.959964),
                "gap": told.required["value"] - told.setting,
                "tolerance": told.tolerance,
                "outdoor": state.air.outdoor,
                "temperature_c": state.air.temperature_c,
                "density_miss": true.air_density - state.air.air_density,
            }
        )
    return rows


def _situations(
    run: Run, name: str, truth: pd.DataFrame, readings: pd.DataFrame, cut: pd.Timestamp
) -> list[SplicerState]:
    """What `arcdrift.analysis.advice.splicer_state_at` gathers, for many instants at once.

    The air is the newest reading of the site (every simulated site has one source), the wear
    that of the last check and the arcs counted since.
    """
    made = run.made
    oldest = pd.Timedelta(minutes=made.crew.air_max_age_min)
    checks = made["arc-checks"][made["arc-checks"]["splicer"] == name]
    service = made["service"][made["service"]["asset"] == name]
    splices = made["splices"].loc[made["splices"]["splicer"] == name, ["spliced_at", "arc_count"]]
    passed = passed_checks(checks, service).join(checks["arc_count"])
    asked = truth[["splicer", "site", "at"]].astype({"site": "str"}).sort_values("at")
    read = readings[["site", "read_at"]].dropna().astype({"site": "str"})
    table = pd.merge_asof(
        asked,
        read.sort_values("read_at"),
        left_on="at",
        right_on="read_at",
        by="site",
        tolerance=oldest,
    )
    air = join_air(table, readings, made.crew, "read_at")
    passed = passed.join(join_air(checks.loc[passed.index], readings, made.crew, "checked_at"))
    columns = ["checked_at", "arc_setting", "arcs", "arc_count", *AIR_COLUMNS]
    past = passed[columns].sort_values("checked_at")
    table = pd.merge_asof(table, past, left_on="at", right_on="checked_at")
    table = pd.merge_asof(table, splices.sort_values("spliced_at"), left_on="at",
                          right_on="spliced_at", suffixes=("", "_now"))  # fmt: skip
    fired = (table["arc_count_now"] - table["arc_count"]).where(
        table["spliced_at"] > table["checked_at"], 0.0
    )
    table["arcs_now"] = table["arcs"] + fired.clip(lower=0.0).fillna(0.0)
    zone, offset = made.crew.time_zone or "UTC", made.crew.day_offset
    began = local_day(table["at"], zone, offset) + offset
    table["began"] = began.dt.tz_localize(zone, nonexistent="shift_forward", ambiguous=True)
    found = []
    for row, seen in zip(table.itertuples(), air.itertuples(), strict=True):
        since = service.loc[
            service["serviced_at"].between(row.checked_at, row.at, inclusive="right"), "action"
        ]
        found.append(
            SplicerState(
                splicer=name,
                now=row.at,
                day_started=row.began,
                site=row.site,
                unit="",
                tolerance=None,
                failed_since=0,
                service_since=tuple(since),
                last_check=LastCheck(
                    checked_at=row.checked_at,
                    site=row.site,
                    arc_setting=row.arc_setting,
                    arcs=row.arcs,
                    temperature_c=_known(row.temperature_c),
                    pressure_hpa=_known(row.station_pressure_hpa),
                    humidity_pct=_known(row.humidity_pct),
                    air_density=_known(row.air_density),
                    vapor_pressure=_known(row.vapor_pressure),
                    outdoor=row.air_source == WEATHER_STATION,
                ),
                air=AirNow(
                    temperature_c=_known(seen.temperature_c),
                    pressure_hpa=_known(seen.station_pressure_hpa),
                    humidity_pct=_known(seen.humidity_pct),
                    air_density=_known(seen.air_density),
                    vapor_pressure=_known(seen.vapor_pressure),
                    source=str(seen.air_source),
                    age_min=(row.at - row.read_at) / pd.Timedelta(minutes=1),
                    outdoor=seen.air_source == WEATHER_STATION,
                ),
                arcs_now=row.arcs_now,
                program_classes=(),
                learned_until=cut,
            )
        )
    return found


def _known(value: float) -> float | None:
    return None if pd.isna(value) else float(value)


def reliability(answers: pd.DataFrame) -> pd.DataFrame:
    """Share truly off by bins of the given probability, with its Wilson interval."""
    bin_number = np.searchsorted(EDGES[1:-1], answers["probability"], side="right")
    rows = []
    for number, part in answers.groupby(bin_number):
        off = int(part["off"].sum())
        low, high = proportion_confint(off, len(part), method="wilson")
        rows.append(
            {
                "from": EDGES[number],
                "to": EDGES[number + 1],
                "asked": len(part),
                "told": part["probability"].mean(),
                "truly_off": off / len(part),
                "low": low,
                "high": high,
            }
        )
    return pd.DataFrame(rows)


def crews(number: int, first_seed: int = 900) -> pd.DataFrame:
    """Answers on a number of crews, with the plans in turn."""
    parts = []
    for seed in range(first_seed, first_seed + number):
        scenario = invented_crew(seed=seed)
        name = PLANS[seed % len(PLANS)]
        if name is not None:
            scenario = add_faults(scenario, load_plan(name))
        parts.append(ask(run_crew(scenario), seed).assign(plan=name or "healthy"))
    return pd.concat(parts, ignore_index=True)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--crews", type=int, default=12)
    answers = crews(parser.parse_args().crews)
    print(reliability(answers).round(3).to_string(index=False))  # noqa: T201 - what it is run for


if __name__ == "__main__":
    main()
