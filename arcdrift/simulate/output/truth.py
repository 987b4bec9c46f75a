"""The truth about a simulation, with which findings can be compared."""

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from arcdrift.simulate.crew.faults import Fault
from arcdrift.simulate.crew.scenario import Scenario, TechnicianSpec
from arcdrift.simulate.output.log_files import SETTING_TRUTH_FILE
from arcdrift.simulate.work.splicer_records import SplicerTruth
from arcdrift.simulate.work.splicing import (
    USUAL_DEG,
    crew_day_factors,
    draw_streams,
    scattered_db,
    usual_geometry_db,
)


@dataclass(frozen=True)
class BrokenRow:
    """A row damaged or repeated on purpose.

    ``line`` counts lines of the file from 1, the header; ``expected`` is the outcome that an
    import should have for it: ``quarantined`` or ``already-stored``.
    """

    file: str
    line: int
    damage: str
    column: str | None
    expected: str


@dataclass(frozen=True)
class Truth:
    """Everything that is true about a simulated crew; times are ISO 8601 in UTC.

    Attributes
    ----------
    faults : list of dict
        ``kind, subject_type, subject, since, until, size, harmless, description``; of a chipped
        blade also ``blade_position``.
    arc : dict
        For each splicer the true arc coefficients in its unit: ``base`` at 1.2 kg/m3, 10 hPa
        and new electrodes, ``density`` per kg/m3, ``vapor`` per hPa, ``wear`` per 1,000 arcs,
        ``noise_sd``, ``noise_lag``.
    electrodes : list of dict
        ``splicer, replaced_at, arcs`` (on the old pair).
    check_days : list of dict
        ``splicer, day, status, splices, splices_before_check``; days without work are absent.
    files : dict
        For each file its number of rows, and how many of them are broken or repeated.
    broken_rows : list of BrokenRow
        Rows damaged or repeated on purpose.
    technicians, splicers : dict
        True effects: ``loss_factor`` multiplies the scattered part of a loss; ``holder_share``
        is the share of a technician's days on which a holder holds the fibers. With
        ``whole_truth`` also its logarithm ``log_loss`` and, for technicians, ``angle_factor`` on
        the cleave angle and ``log_mean_loss``: the logarithm of the factor on the mean loss of
        clean splices, including the effect of their angles, averaged over the crew's programs.
    streams : list of dict, optional
        ``splicer, program, mean_db`` (of clean splices of an ordinary technician, without day
        effects and setting errors), ``scattered_db`` (the part that factors multiply), ``shape,
        day_sd, dirty_share``.
    crew_days : dict, optional
        The factor on loss that all streams share, by day.
    worn_out : list of dict, optional
        ``splicer, since``: when electrodes exceeded the life of their model.
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
        """Return the text of truth.json: one line per list entry, keys in a fixed order."""
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


def build_truth(
    scenario: Scenario,
    splicer_truths: Mapping[str, SplicerTruth],
    files: dict[str, dict[str, int]],
    broken_rows: list[BrokenRow],
) -> Truth:
    """Collect the truth of a finished simulation."""
    is_whole = scenario.whole_truth
    electrodes = [
        {"splicer": name, "replaced_at": iso_utc(time_s), "arcs": round(arcs)}
        for name, splicer_truth in splicer_truths.items()
        for time_s, arcs in splicer_truth.electrodes
    ]
    arc = {}
    for name, splicer_truth in splicer_truths.items():
        slopes = splicer_truth.slopes
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
            **(_habits(scenario) if is_whole else {}),
        },
        faults=[
            _fault_entry(scenario, splicer_truths, number) for number in range(len(scenario.faults))
        ],
        arc=arc,
        technicians={
            t.name: {
                "loss_factor": t.loss_factor,
                "cleave_median_deg": t.cleave_median_deg,
                "holder_share": t.holder_share,
            }
            | (_technician_effects(scenario, t) if is_whole else {})
            for t in scenario.technicians
        },
        splicers={
            s.name: {"loss_factor": s.loss_factor, "estimate_bias_db": s.estimate_bias_db}
            | ({"log_loss": round(math.log(s.loss_factor), 6)} if is_whole else {})
            for s in scenario.splicers
        },
        electrodes=electrodes,
        check_days=[
            {str(k): v if isinstance(v, str) else int(v) for k, v in day.items()}
            for splicer_truth in splicer_truths.values()
            for day in splicer_truth.check_days.to_dict("records")
        ],
        files=files,
        broken_rows=broken_rows,
        streams=_streams(scenario) if is_whole else None,
        worn_out=_worn_out(splicer_truths) if is_whole else None,
        crew_days=_crew_days(scenario) if is_whole and scenario.losses.crew_day_sd > 0 else None,
    )


def iso_utc(seconds: float) -> str:
    """Format a time in seconds since 1970 UTC as ISO 8601 with Z."""
    return datetime.fromtimestamp(seconds, UTC).isoformat().replace("+00:00", "Z")


def _fault_entry(
    scenario: Scenario, splicer_truths: Mapping[str, SplicerTruth], number: int
) -> dict[str, Any]:
    fault = scenario.faults[number]
    start_s, end_s = fault.span(scenario.time_zone)
    if fault.kind == "arc-step":
        # a step ends when the electrodes are replaced
        later_replacements = [
            time_s for time_s, _ in splicer_truths[fault.subject].electrodes if time_s > start_s
        ]
        end_s = min([end_s, *later_replacements])
    chipped = next(
        (truth.chipped[number] for truth in splicer_truths.values() if number in truth.chipped),
        None,
    )
    return {
        "kind": fault.kind,
        "subject_type": fault.subject_type,
        "subject": fault.subject,
        "since": iso_utc(start_s),
        "until": None if np.isinf(end_s) else iso_utc(end_s),
        "size": fault.size,
        "harmless": fault.harmless,
        "description": fault.description,
        **_optional_values(fault),
        **({} if chipped is None else {"blade_position": chipped}),
    }


def _optional_values(fault: Fault) -> dict[str, Any]:
    """Return the values that only some kinds of faults, or only faults of a plan, have."""
    side = fault.side if fault.kind == "holder-bent" else None
    # faults of the sample have no name; their entries have no target
    entries = {"name": fault.name, "side": side, "fiber": fault.fiber}
    if fault.name is not None:
        entries["target"] = fault.target
    return {key: value for key, value in entries.items() if value is not None}


def _habits(scenario: Scenario) -> dict[str, Any]:
    nights = scenario.rng("night shifts").random(len(scenario.splicers)) < scenario.habits.night
    return {
        "habits": vars(scenario.habits),
        "night_splicers": [s.name for s, n in zip(scenario.splicers, nights, strict=True) if n],
        "day_starts_after_s": round(scenario.day_offset.total_seconds()),
        "required_settings": SETTING_TRUTH_FILE,
    }


def _technician_effects(scenario: Scenario, technician: TechnicianSpec) -> dict[str, Any]:
    entries: dict[str, Any] = {
        "log_loss": round(math.log(technician.loss_factor), 6),
        "angle_factor": round(technician.cleave_median_deg / USUAL_DEG, 6),
        "log_mean_loss": round(math.log(_mean_loss_factor(scenario, technician)), 6),
    }
    if technician.joins is not None:
        entries |= {
            "joins": technician.joins.isoformat(),
            "novice_loss": technician.novice_loss,
            "novice_angle": technician.novice_angle,
            "learning_days": technician.learning_days,
        }
    return entries


def _mean_loss_factor(scenario: Scenario, technician: TechnicianSpec) -> float:
    """Return a technician's factor on the mean loss of clean splices, averaged over programs."""
    total_share, weighted_factor = 0.0, 0.0
    for number, program in enumerate(scenario.programs):
        share = sum(dict(s.programs).get(program.name, 0.0) for s in scenario.splicers)
        scattered = scattered_db(scenario, number)
        ordinary_mean = scattered + usual_geometry_db(scenario, number)
        technician_mean = scattered * technician.loss_factor + usual_geometry_db(
            scenario, number, technician
        )
        total_share, weighted_factor = (
            total_share + share,
            weighted_factor + share * technician_mean / ordinary_mean,
        )
    return weighted_factor / total_share if total_share else technician.loss_factor


def _streams(scenario: Scenario) -> list[dict[str, Any]]:
    entries = []
    for splicer in scenario.splicers:
        streams, shares = draw_streams(scenario, splicer), dict(splicer.programs)
        for number, program in enumerate(scenario.programs):
            if shares and not shares.get(program.name):
                continue
            scattered = float(streams.mean_db[number])
            entries.append(
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
    return entries


def _worn_out(splicer_truths: Mapping[str, SplicerTruth]) -> list[dict[str, Any]]:
    return [
        {"splicer": name, "since": iso_utc(time_s)}
        for name, splicer_truth in splicer_truths.items()
        for time_s in splicer_truth.worn_out
    ]


def _crew_days(scenario: Scenario) -> dict[str, float]:
    return {
        (scenario.start + timedelta(days=number)).isoformat(): round(float(factor), 6)
        for number, factor in enumerate(crew_day_factors(scenario))
    }
