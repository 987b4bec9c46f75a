"""What truly happened in a simulation, to compare findings with."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np

from arcdrift.simulate.machine import MachineTruth
from arcdrift.simulate.scenario import Scenario


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
    """

    scenario: Mapping[str, Any]
    faults: list[dict[str, Any]]
    arc: dict[str, dict[str, Any]]
    technicians: dict[str, dict[str, float]]
    splicers: dict[str, dict[str, float]]
    electrodes: list[dict[str, Any]]
    check_days: list[dict[str, Any]]
    files: dict[str, dict[str, int]]
    broken_rows: list[BrokenRow]

    def to_json(self) -> str:
        """Return truth.json: one line a list entry, keys in a fixed order."""
        parts = ['"invented": true']
        for name, value in vars(self).items():
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
        },
        faults=[_fault(scenario, machines, number) for number in range(len(scenario.faults))],
        arc=arc,
        technicians={
            t.name: {"loss_factor": t.loss_factor, "cleave_median_deg": t.cleave_median_deg}
            for t in scenario.technicians
        },
        splicers={
            s.name: {"loss_factor": s.loss_factor, "estimate_bias_db": s.estimate_bias_db}
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
    }
