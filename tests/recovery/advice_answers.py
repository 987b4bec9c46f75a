"""Advice on simulated crews at times of work, beside the setting that was truly required."""

from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

from arcdrift.air.air_join import AIR_COLUMNS, WEATHER_STATION, join_air
from arcdrift.air.prepared_readings import prepare_readings
from arcdrift.analysis.advice.advice import advise
from arcdrift.analysis.advice.splicer_state import AirNow, LastCheck, SplicerState
from arcdrift.analysis.arc.arc_model import ArcModel
from arcdrift.analysis.arc.arc_points import arc_points, passed_checks
from arcdrift.analysis.arc.crew_arc_models import chart_and_fit
from arcdrift.analysis.common.service_actions import RESTART_ACTIONS
from arcdrift.simulate import SimulatedCrew
from arcdrift.times import local_day

LONGEST = pd.Timedelta(days=8)
"""Readings are kept from this long before a refit on; the air at older checks is not needed."""
RANDOM_TIMES = 40
"""Random times of work per splicer and cut, in addition to the mornings."""
REST = pd.Timedelta(hours=6)
"""Longest pause within a shift."""


def ask(
    made: SimulatedCrew,
    seed: int,
    *,
    learning: float = 2 / 3,
    cuts: int = 4,
    questions: int | None = None,
) -> pd.DataFrame:
    """Advice on every splicer at times of work.

    Parameters
    ----------
    learning : float
        Share of the simulation before the first cut.
    cuts : int
        Number of cuts in the rest. At each, the crew is charted and fitted on the checks up to
        then; the model is used until the next cut, with the last check, the air and the wear from
        the records at the time asked, not the true ones.
    questions : int, optional
        Times per splicer and cut, drawn from the mornings and as many random times of work; all
        mornings and 40 random times if not given.

    Returns
    -------
    DataFrame
        ``splicer``, ``cut``, ``at``, ``probability`` of the advice, whether the setting was truly
        ``off`` by more than the tolerance, ``miss`` (true minus advised setting), the ``width`` of
        its 95 % interval and whether it holds the truth (``inside``), ``gap`` (advised minus
        actual setting), ``checks`` known and ``checks_on_pair`` on the present electrodes,
        ``since_check``, ``air_distance`` from the mean of the past checks in their sd.
    """
    rng = np.random.default_rng([seed, 0xCA11])
    readings = prepare_readings(made["readings"], made.crew)
    points = arc_points(
        made["arc-checks"],
        join_air(made["arc-checks"], readings, made.crew, "checked_at"),
        made["service"],
    )
    began, ended = points["checked_at"].min(), made["splices"]["spliced_at"].max()
    ends = pd.date_range(began + learning * (ended - began), ended, periods=cuts + 1).floor("s")
    rows = []
    for cut, until in pairwise(ends.as_unit("us")):
        near = readings[readings["read_at"].between(cut - LONGEST, until)]
        known = points[points["checked_at"] <= cut]
        charted, models = chart_and_fit(known, sorted(known["splicer"].unique()), made.crew)
        for model in models:
            if not isinstance(model, ArcModel):
                continue
            times = _times_of_work(made, model.splicer, cut, until, questions, rng)
            times = times[~_after_restart(made, model.splicer, cut, times)]
            if len(times):
                checks = charted[charted["splicer"] == model.splicer]
                rows += _answers(made, model, times, checks, near, cut)
    return pd.DataFrame(rows).assign(seed=seed)


def _times_of_work(
    made: SimulatedCrew,
    name: str,
    since: pd.Timestamp,
    until: pd.Timestamp,
    questions: int | None,
    rng: np.random.Generator,
) -> pd.Series:
    """Times before the first splice of each day, and at random splices."""
    at = made["splices"].loc[made["splices"]["splicer"] == name, "spliced_at"]
    at = at[at.between(since, until)].sort_values()
    first = at[at.diff() > REST]
    mornings = first - pd.to_timedelta(60.0 * rng.random(len(first)), unit="min")
    random = RANDOM_TIMES if questions is None else len(first)
    between = at.to_numpy()[rng.integers(len(at), size=random)] if len(at) else []
    times = pd.concat([mornings, pd.Series(between, dtype=at.dtype)]).dt.floor("s")
    if questions is not None:
        times = times.iloc[rng.permutation(len(times))[:questions]]
    return times[times > since].sort_values(ignore_index=True)


def _after_restart(
    made: SimulatedCrew, name: str, cut: pd.Timestamp, times: pd.Series
) -> pd.Series:
    """Whether each time is after a restarting service since the cut, which needs a new fit."""
    service = made["service"]
    restarts = service[(service["asset"] == name) & service["action"].isin(RESTART_ACTIONS)]
    later = restarts.loc[restarts["serviced_at"] > cut, "serviced_at"]
    return times > later.min() if len(later) else pd.Series(False, index=times.index)


def _answers(
    made: SimulatedCrew,
    model: ArcModel,
    times: pd.Series,
    checks: pd.DataFrame,
    readings: pd.DataFrame,
    cut: pd.Timestamp,
) -> list[dict[str, Any]]:
    truth = made.required(model.splicer, times)
    used = checks[checks["excluded"].isna()].sort_values("checked_at")
    density = used["air_density"]
    on_pair = int((used["level"] == used["level"].iloc[-1]).sum())
    rows = []
    for true, state in zip(
        truth.itertuples(), _states(made, model.splicer, truth, readings, cut), strict=True
    ):
        advice = advise(state, model, made.crew)
        required, air, last = advice.required, state.air, state.last_check
        if advice.probability is None or required is None or air is None or last is None:
            continue
        rows.append(
            {
                "splicer": model.splicer,
                "cut": cut,
                "at": state.now,
                "probability": advice.probability,
                "off": abs(true.required - true.in_force) > advice.tolerance,
                "miss": true.required - required["value"],
                "width": required["high"] - required["low"],
                "inside": required["low"] <= true.required <= required["high"],
                "gap": required["value"] - advice.setting,
                "sigma": model.sigma,
                "checks": model.used,
                "checks_on_pair": on_pair,
                "since_check": state.now - last.checked_at,
                "air_distance": abs(air.air_density - density.mean()) / density.std(),
                "outdoor": air.outdoor,
                "density_miss": true.air_density - air.air_density,
            }
        )
    return rows


def _states(
    made: SimulatedCrew,
    name: str,
    truth: pd.DataFrame,
    readings: pd.DataFrame,
    cut: pd.Timestamp,
) -> list[SplicerState]:
    """What `arcdrift.analysis.advice.splicer_states_at` gathers, for many instants at once.

    The air is the newest reading of the site (every simulated site has one source), the wear
    that of the last check and the arcs counted since.
    """
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
