"""What truly happened in a simulation, to compare findings with."""

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from arcdrift.simulate.crew.faults import Fault
from arcdrift.simulate.crew.scenario import Scenario, TechnicianSpec
from arcdrift.simulate.output.log_files import NEEDS_FILE
from arcdrift.simulate.work.splicer_records import MachineTruth
from arcdrift.simulate.work.splicing import (
    USUAL_DEG,
    crew_day_factors,
    scattered_db,
    streams_of,
    usual_geometry_db,
)


@dataclass(frozen=True)
class BrokenRow:
    """A row damaged or repeated on purpose.

    ``line`` counts physical lines from 1, the header; ``expected`` is what an import should
    make of it: ``quarantined`` or ``already-stored``.
    """

    file: str
    line: int
    damage: str
    column: str | None
    expected: str


@dataclass(frozen=True)
class Truth:
    """Everything known about a simulated crew; instants are ISO 8601 UTC.

    Attributes
    ----------
    faults : list of dict
        ``kind, subject_type, subject, since, until, size, harmless, description``.
    arc : dict
        For each splicer the true arc coefficients in its unit: ``base`` at 1.2 kg/m3, 10 hPa
        and new electrodes, ``density`` per kg/m3, ``vapor`` per hPa, ``wear`` per 1,000 arcs,
        ``noise_sd``, ``noise_lag``.
    electrodes : list of dict
        ``splicer, replaced_at, arcs`` (on the old pair).
    check_days : list of dict
        ``splicer, day, status, splices, splices_before_check``; days without work are absent.
    files : dict
        For each file its data rows, and how many of them are broken or repeated.
    broken_rows : list of BrokenRow
        Rows damaged or repeated on purpose.
    technicians, splicers : dict
        True effects: ``loss_factor`` multiplies the scattered part of a loss; the whole truth
        adds its logarithm ``log_loss``, ``angle_factor`` on the cleave angle, and for people
        ``log_mean_loss``, the log of the factor on the mean of clean splices, with what their
        angles add, over the crew's programs.
    streams : list of dict, optional
        ``splicer, program, mean_db`` (of clean splices by usual hands, without day effects
        and setting errors), ``scattered_db`` (the part the factors act on), ``shape, day_sd,
        dirty_share``.
    crew_days : dict, optional
        The factor on loss that all streams shared, by day.
    worn_out : list of dict, optional
        ``splicer, since``: when electrodes passed the life of their model.
    """

    scenario: Mapping[str, Any]
    faults: list[dict[str, Any]]
    arc: dict[str, dict[str, Any]]
    technicians: dict[str, dict[str, Any]]
    splicers: dict[str, dict[str, Any]]
    electrodes: list[dict[str, Any]]
    check_days: list[dict[str, Any]]
    files: dict[str, dict[str, int]]
    broken_rows: list[BrokenRow]
    streams: list[dict[str, Any]] | None = None
    crew_days: dict[str, float] | None = None
    worn_out: list[dict[str, Any]] | None = None

    def to_json(self) -> str:
        """Return truth.json: one line a list entry, keys in a fixed order."""
        parts = ['"invented": true']
        for name, value in vars(self).items():
            if value is None:
                continue
            if isinstance(value, list):
                items = [json.dumps(vars(v) if isinstance(v, BrokenRow) else v) for v in value]
                parts.append(
                    f'"{name}": [\n  ' + ",\n  ".join(items) + "\n ]" if items else f'"{name}": []'
                )
            else:
                entries = [f"{json.dumps(k)}: {json.dumps(v)}" for k, v in value.items()]
                parts.append(f'"{name}": {{\n  ' + ",\n  ".join(entries) + "\n }")
        return "{\n " + ",\n ".join(parts) + "\n}\n"


def tell_truth(
    scenario: Scenario,
    machines: Mapping[str, MachineTruth],
    files: dict[str, dict[str, int]],
    broken_rows: list[BrokenRow],
) -> Truth:
    """Gather the truth of a finished simulation."""
    whole = scenario.whole_truth
    electrodes = [
        {"splicer": name, "replaced_at": iso_utc(at), "arcs": round(arcs)}
        for name, machine in machines.items()
        for at, arcs in machine.electrodes
    ]
    arc = {}
    for name, machine in machines.items():
        slopes = machine.slopes
        unit = scenario.model_of(next(s for s in scenario.splicers if s.name == name)).unit
        arc[name] = {
            "unit": unit,
            "base": round(slopes.base, 6),
            "density": round(slopes.density, 6),
            "vapor": round(slopes.vapor, 6),
            "wear": round(slopes.wear, 6),
            "noise_sd": round(slopes.noise_sd, 6),
            "noise_lag": scenario.arc.noise_lag,
        }
    return Truth(
        scenario={
            "name": scenario.name,
            "seed": scenario.seed,
            "time_zone": scenario.time_zone,
            "start": scenario.start.isoformat(),
            "days": scenario.days,
            "ends_at": iso_utc(scenario.end.timestamp()),
            **(_habits(scenario) if whole else {}),
        },
        faults=[_fault(scenario, machines, number) for number in range(len(scenario.faults))],
        arc=arc,
        technicians={
            t.name: {"loss_factor": t.loss_factor, "cleave_median_deg": t.cleave_median_deg}
            | (_effects_of_person(scenario, t) if whole else {})
            for t in scenario.technicians
        },
        splicers={
            s.name: {"loss_factor": s.loss_factor, "estimate_bias_db": s.estimate_bias_db}
            | ({"log_loss": round(math.log(s.loss_factor), 6)} if whole else {})
            for s in scenario.splicers
        },
        electrodes=electrodes,
        check_days=[
            {str(k): v if isinstance(v, str) else int(v) for k, v in day.items()}
            for machine in machines.values()
            for day in machine.check_days.to_dict("records")
        ],
        files=files,
        broken_rows=broken_rows,
        streams=_streams(scenario) if whole else None,
        worn_out=_worn_out(machines) if whole else None,
        crew_days=_crew_days(scenario) if whole and scenario.losses.crew_day_sd > 0 else None,
    )


def iso_utc(seconds: float) -> str:
    """Instant as ISO 8601 with Z."""
    return datetime.fromtimestamp(seconds, UTC).isoformat().replace("+00:00", "Z")


def _fault(scenario: Scenario, machines: Mapping[str, MachineTruth], number: int) -> dict[str, Any]:
    fault = scenario.faults[number]
    begin, end = fault.span(scenario.time_zone)
    if fault.kind == "arc-step":
        # a step leaves with the electrodes that caused it
        later = [at for at, _ in machines[fault.subject].electrodes if at > begin]
        end = min([end, *later])
    return {
        "kind": fault.kind,
        "subject_type": fault.subject_type,
        "subject": fault.subject,
        "since": iso_utc(begin),
        "until": None if np.isinf(end) else iso_utc(end),
        "size": fault.size,
        "harmless": fault.harmless,
        "description": fault.description,
        **_only_of_some(fault),
    }


def _only_of_some(fault: Fault) -> dict[str, Any]:
    """What only faults of some kinds, or only faults of a scenario, have."""
    side = fault.side if fault.kind == "holder-bent" else None
    # the sample's faults have no name and keep the shape they have
    found = {"name": fault.name, "side": side, "fiber": fault.fiber}
    if fault.name is not None:
        found["target"] = fault.target
    return {key: value for key, value in found.items() if value is not None}


def _habits(scenario: Scenario) -> dict[str, Any]:
    nights = scenario.rng("night shifts").random(len(scenario.splicers)) < scenario.habits.night
    return {
        "habits": vars(scenario.habits),
        "night_splicers": [s.name for s, n in zip(scenario.splicers, nights, strict=True) if n],
        "day_starts_after_s": round(scenario.day_offset.total_seconds()),
        "required_settings": NEEDS_FILE,
    }


def _effects_of_person(scenario: Scenario, person: TechnicianSpec) -> dict[str, Any]:
    found: dict[str, Any] = {
        "log_loss": round(math.log(person.loss_factor), 6),
        "angle_factor": round(person.cleave_median_deg / USUAL_DEG, 6),
        "log_mean_loss": round(math.log(_mean_of_person(scenario, person)), 6),
    }
    if person.joins is not None:
        found |= {
            "joins": person.joins.isoformat(),
            "novice_loss": person.novice_loss,
            "novice_angle": person.novice_angle,
            "learning_days": person.learning_days,
        }
    return found


def _mean_of_person(scenario: Scenario, person: TechnicianSpec) -> float:
    """Factor of a person on the mean of clean splices, the crew's programs by their share."""
    weight, ratio = 0.0, 0.0
    for number, program in enumerate(scenario.programs):
        share = sum(dict(s.programs).get(program.name, 0.0) for s in scenario.splicers)
        scattered = scattered_db(scenario, number)
        usual = scattered + usual_geometry_db(scenario, number)
        own = scattered * person.loss_factor + usual_geometry_db(scenario, number, person)
        weight, ratio = weight + share, ratio + share * own / usual
    return ratio / weight if weight else person.loss_factor


def _streams(scenario: Scenario) -> list[dict[str, Any]]:
    found = []
    for splicer in scenario.splicers:
        streams, shares = streams_of(scenario, splicer), dict(splicer.programs)
        for number, program in enumerate(scenario.programs):
            if shares and not shares.get(program.name):
                continue
            scattered = float(streams.mean_db[number])
            found.append(
                {
                    "splicer": splicer.name,
                    "program": program.name,
                    "mean_db": round(scattered + usual_geometry_db(scenario, number), 6),
                    "scattered_db": round(scattered, 6),
                    "shape": round(float(streams.shape[number]), 6),
                    "day_sd": round(float(streams.day_sd[number]), 6),
                    "dirty_share": round(float(streams.dirty_share[number]), 6),
                }
            )
    return found


def _worn_out(machines: Mapping[str, MachineTruth]) -> list[dict[str, Any]]:
    return [
        {"splicer": name, "since": iso_utc(at)}
        for name, machine in machines.items()
        for at in machine.worn_out
    ]


def _crew_days(scenario: Scenario) -> dict[str, float]:
    return {
        (scenario.start + timedelta(days=number)).isoformat(): round(float(factor), 6)
        for number, factor in enumerate(crew_day_factors(scenario))
    }
