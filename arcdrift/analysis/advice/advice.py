"""Advice for one splicer: recalibrate now or keep working, with the reasons."""

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd

from arcdrift.analysis.advice.checklist import ChecklistItem
from arcdrift.analysis.advice.required_setting import AirAndWear, regressor_row, required_setting
from arcdrift.analysis.advice.splicer_state import AirNow, LastCheck, OpenArcFinding, SplicerState
from arcdrift.analysis.arc.arc_model import DEFAULT_TOLERANCE, ArcModel, Refusal
from arcdrift.analysis.arc.level_moves import ServiceMove
from arcdrift.analysis.common.service_actions import RESTART_ACTIONS
from arcdrift.analysis.setting_cost.mismatch_cost import MismatchCost, cost_summary
from arcdrift.charts.intervals import Z95
from arcdrift.settings import Crew
from arcdrift.wording import probability_text, span_text

Verdict = Literal["recalibrate", "keep-working", "cannot-tell"]


RECALIBRATE_FROM = 0.5
"""Probability of being off from which the model alone advises recalibrating."""
TENTHS_BELOW = 6.0
"""If the tolerance (setting units) is below this, settings are written to a tenth."""
RANGE_MARGIN = 0.1
"""The model is used up to this share of its air range beyond that range."""
SHIFT_LENGTH = pd.Timedelta(hours=10)
"""A check within this time counts for the present shift, even if it was made before midnight
(common practice, no source)."""

CAUTIONS = (
    "Electrodes carry high voltage: power the splicer off before touching them.",
    "Never look into a fiber that may carry light (IEC 60825-2).",
    "Let solvent vapor clear before you arc, and keep glass shards off skin and out of eyes.",
    "In a manhole or other confined space, test the air before arcing.",
    "The maker's manual, local codes and licensed practice come first.",
)
DRIFTING = ("arc-step", "arc-drift")
DRIFT_NOTE = (
    "Recalibrating does not mend that: with the power off, inspect and clean the electrodes and "
    "v-grooves, then repeat the arc check."
)
CLASS_NOTES = {
    "fixed": "trusts the last arc check: splice loss follows the mismatch",
    "custom": "hand-tuned for the arc it was tuned at: check before relying on it",
    "self-adjusting": "softens a mismatch, but does not replace the daily check",
    "unknown": "crew.toml does not say what class this program is",
}


@dataclass(frozen=True)
class Advice:
    """A verdict with its reasons; the fields are those of the JSON output."""

    splicer: str
    verdict: Verdict
    probability: float | None
    required: dict[str, Any] | None
    setting: float | None
    tolerance: float | None
    reasons: tuple[str, ...]
    breakdown: tuple[dict[str, Any], ...]
    cautions: tuple[str, ...]
    air: dict[str, Any] | None
    basis: Literal["model", "plain rules"]
    basis_note: str
    last_check: pd.Timestamp | None
    program_classes: tuple[dict[str, str], ...]
    open_findings: tuple[OpenArcFinding, ...] = ()
    worth: dict[str, Any] | None = None
    """Cost of splicing on with a wrong setting (`setting_cost.mismatch_cost.cost_summary`)."""
    start_of_day: tuple[ChecklistItem, ...] = ()
    service_moves: tuple[ServiceMove, ...] = ()
    """How far service moves the setting of the splicer's model."""

    @property
    def drifting(self) -> bool:
        """Whether the arc changes for reasons that recalibrating does not fix."""
        return any(finding.pressing and finding.kind in DRIFTING for finding in self.open_findings)

    def to_json(self) -> dict[str, Any]:
        """Convert to the documented JSON structure."""
        data = asdict(self)
        stamp = self.last_check
        data["last_check"] = None if stamp is None else stamp.isoformat().replace("+00:00", "Z")
        lists = (
            "reasons",
            "breakdown",
            "cautions",
            "program_classes",
            "start_of_day",
            "service_moves",
        )
        for key in (*lists, "open_findings"):
            data[key] = list(data[key])
        return data


def advise(
    state: SplicerState,
    model: ArcModel | Refusal | None,
    crew: Crew,
    costs: Iterable[MismatchCost] = (),
) -> Advice:
    """Decide between recalibrating and working on, from the arc model and from plain rules.

    The model gives the setting required by the present air and wear, and the probability that it
    differs from the one stored by the last passed check by more than the tolerance (default three
    repeatabilities). The plain rules need no model (common practice, no source; settable in
    crew.toml). Either is enough for "recalibrate".
    """
    rules = plain_rules(state, crew)
    answer, note = _model_answer(state, model)
    reasons = list(rules)
    if answer is not None and answer.probability >= RECALIBRATE_FROM:
        reasons.insert(0, answer.sentence)
    elif answer is not None:
        reasons.append(answer.sentence)
    verdict: Verdict
    if rules or (answer is not None and answer.probability >= RECALIBRATE_FROM):
        verdict = "recalibrate"
    elif answer is None and state.air is None:
        verdict = "cannot-tell"
        reasons.append(f"{_no_air_note(state)}, so nobody can say what the air has done.")
    elif answer is None and not _is_air_comparable(state):
        verdict = "cannot-tell"
        reasons.append(
            "What is known of the air now is not known of the last check, so nobody can say how "
            "far it has moved since."
        )
    else:
        verdict = "keep-working"
        if answer is None:
            reasons.append("A check was passed today and the air has not moved past any rule.")
    if state.air is not None and state.air.age_warning is not None:
        reasons.append(state.air.age_warning)
    pressing_reasons = [finding.words for finding in state.open_findings if finding.pressing]
    if any(finding.pressing and finding.kind in DRIFTING for finding in state.open_findings):
        pressing_reasons.append(DRIFT_NOTE)
    position = len(reasons) if verdict == "recalibrate" else 0
    reasons[position:position] = pressing_reasons
    reasons.extend(finding.words for finding in state.open_findings if not finding.pressing)
    last, air = state.last_check, state.air
    tolerance = state.tolerance if answer is None else answer.tolerance
    return Advice(
        splicer=state.splicer,
        verdict=verdict,
        probability=None if answer is None else answer.probability,
        required=None if answer is None else answer.required,
        setting=None if last is None else last.arc_setting,
        tolerance=tolerance,
        reasons=tuple(reasons),
        breakdown=() if answer is None else answer.breakdown,
        cautions=CAUTIONS,
        air=None
        if air is None
        else {
            "temperature_c": air.temperature_c,
            "pressure_hpa": air.pressure_hpa,
            "humidity_pct": air.humidity_pct,
            "source": air.source,
            "age_min": air.age_min,
            "note": air.note,
        },
        basis="plain rules" if answer is None else "model",
        basis_note=note,
        last_check=None if last is None else last.checked_at,
        program_classes=tuple(
            {"program_class": name, "note": CLASS_NOTES[name]} for name in state.program_classes
        ),
        open_findings=state.open_findings,
        worth=cost_summary(
            costs,
            state.program_classes,
            None if answer is None else answer.difference,
            tolerance,
        ),
        service_moves=model.service_moves if isinstance(model, ArcModel) else (),
    )


def plain_rules(state: SplicerState, crew: Crew) -> list[str]:
    """Reasons to recalibrate that need no model, the most important first."""
    last, rules = state.last_check, crew.rules
    if last is None:
        return ["No passed arc check is on record for this splicer."]
    reasons = []
    if state.failed_since:
        reasons.append("The latest arc check failed and none has passed since.")
    if last.checked_at < state.day_started:
        reasons.append("No arc check has passed since this workday began.")
    replaced = [action for action in state.service_since if action in RESTART_ACTIONS]
    if replaced:
        reasons.append(f"Since the last check: {', '.join(replaced)}.")
    if state.site and last.site and state.site != last.site:
        reasons.append(
            f"It was checked at {last.site}; {state.site} would be another site."
            if state.asked_elsewhere
            else f"The splicer moved from {last.site} to {state.site} since the check."
        )
    air = state.air
    if air is not None:
        changes = (
            ("Temperature", air.temperature_c, last.temperature_c, rules.temperature_moved_c, "°C"),
            ("Pressure", air.pressure_hpa, last.pressure_hpa, rules.pressure_moved_hpa, "hPa"),
            ("Humidity", air.humidity_pct, last.humidity_pct, rules.humidity_moved_pct, "points"),
        )
        for label, value, before, limit, unit in changes:
            if value is not None and before is not None and abs(value - before) >= limit:
                change = f"{value - before:+.0f} {unit}"
                text = (
                    f"{label} there would be {change} from that at the check"
                    if state.asked_elsewhere
                    else f"{label} moved {change} since the check"
                )
                reasons.append(f"{text} (rule: {limit:g} {unit}).")
    return reasons


def _is_air_comparable(state: SplicerState) -> bool:
    """Whether some quantity of the air is known both now and of the last check."""
    last, air = state.last_check, state.air
    if last is None or air is None:
        return False
    return any(
        getattr(air, name) is not None and getattr(last, name) is not None
        for name in ("temperature_c", "pressure_hpa", "humidity_pct")
    )


def _no_air_note(state: SplicerState) -> str:
    newest = state.newest_reading
    if newest is None:
        return "There is no air reading of its site on record"
    return f"The newest air reading is {_reading_age(state.now - newest)} old"


def _newest_note(state: SplicerState) -> str:
    newest = state.newest_reading
    return "" if newest is None else f" The newest is {_reading_age(state.now - newest)} old."


def _reading_age(span: pd.Timedelta) -> str:
    return span_text(span, minutes_below=120)


@dataclass(frozen=True)
class _ModelAnswer:
    probability: float
    required: dict[str, Any]
    difference: float
    tolerance: float
    breakdown: tuple[dict[str, Any], ...]
    sentence: str


def _model_answer(
    state: SplicerState, model: ArcModel | Refusal | None
) -> tuple[_ModelAnswer | None, str]:
    """Compute the model's answer; None if not possible. With a note on the basis of the advice."""
    if model is None:
        return None, "Plain rules only: there is no arc model yet; run an analysis."
    if isinstance(model, Refusal):
        return None, f"Plain rules only: {model.reason}."
    last, air = state.last_check, state.air
    if last is None or last.arc_setting is None:
        return None, "Plain rules only: no passed check with a setting to compare with."
    if any(action in RESTART_ACTIONS for action in state.service_since):
        return None, "Plain rules only: the splicer was serviced after its last check."
    if air is None or air.air_density is None or air.vapor_pressure is None:
        return None, f"Plain rules only: no complete air reading is recent.{_newest_note(state)}"
    arcs = state.arcs_now
    if arcs is None:
        return None, "Plain rules only: the arc count on these electrodes is not known."
    quantity = _outside_range(model, air)
    if quantity:
        return None, f"Plain rules only: {quantity} lies outside what this splicer has seen."
    learned_until = state.learned_until
    now = AirAndWear(
        air.temperature_c,
        air.pressure_hpa,
        air.air_density,
        air.vapor_pressure,
        arcs,
        air.outdoor,
        air.age_min or 0.0,
    )
    required = required_setting(
        model,
        now,
        last.air_and_wear,
        last.arc_setting,
        same_shift=last.checked_at >= state.day_started
        or state.now - last.checked_at <= SHIFT_LENGTH,
        learned=learned_until is None or last.checked_at <= learned_until,
    )
    value, (low, high) = required.value, required.interval
    tolerance = state.tolerance or DEFAULT_TOLERANCE * model.sigma
    difference = value - last.arc_setting
    probability = required.probability_off(last.arc_setting, tolerance)
    digits = 0 if tolerance >= TENTHS_BELOW else 1
    sentence = (
        f"The arc should be at {value:.{digits}f} {model.unit} (95 %: "
        f"{low:.{digits}f} to {high:.{digits}f}); it is set to "
        f"{last.arc_setting:g}. Chance of being off by more than {tolerance:.{digits}f}: "
        f"{probability_text(probability)}."
    )
    note = f"From {model.used} checks of this splicer"
    note += f" and slopes of {model.peers} sister splicers." if model.peers else "."
    answer = _ModelAnswer(
        probability=probability,
        required={
            "value": value,
            "low": low,
            "high": high,
            "unit": model.unit,
        },
        difference=difference,
        tolerance=float(tolerance),
        breakdown=_breakdown(
            model.unit, required.mean, required.cov, required.regressors, last, value
        ),
        sentence=sentence,
    )
    return answer, note


def _outside_range(model: ArcModel, air: AirNow) -> str | None:
    """Name of the air quantity that is outside the range of the model's checks; None if none."""
    for name, label, value in (
        ("air_density", "the air's density", air.air_density),
        ("vapor_pressure", "the air's water vapor", air.vapor_pressure),
    ):
        low, high = model.ranges[name]
        slack = RANGE_MARGIN * (high - low)
        if value is not None and not low - slack <= value <= high + slack:
            return label
    return None


def _breakdown(
    unit: str,
    mean: np.ndarray,
    cov: np.ndarray,
    regressors_now: np.ndarray,
    last: LastCheck,
    required: float,
) -> tuple[dict[str, Any], ...]:
    """Divide required less set into parts: air, wear, unexplained; each with its 95 % interval."""
    if (
        last.air_density is None
        or last.vapor_pressure is None
        or last.arcs is None
        or last.arc_setting is None
    ):
        return ()
    regressors_then = regressor_row(last.air_density, last.vapor_pressure, last.arcs)
    change = regressors_now - regressors_then
    parts = []
    for part, columns in (("air", [0, 1]), ("wear", [2])):
        value = float(change[columns] @ mean[columns])
        half = Z95 * float(
            np.sqrt(change[columns] @ cov[np.ix_(columns, columns)] @ change[columns])
        )
        parts.append((part, value, half))
    at_check = float(regressors_then @ mean)
    half = Z95 * float(np.sqrt(regressors_then @ cov @ regressors_then))
    parts.append(("unexplained", at_check - last.arc_setting, half))
    return tuple(
        {
            "part": part,
            "change": value,
            "low": value - half,
            "high": value + half,
            "unit": unit,
        }
        for part, value, half in parts
    )
