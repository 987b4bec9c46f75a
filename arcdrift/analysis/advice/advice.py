"""Advice for one splicer: a verdict on its arc, with the reasons and the numbers."""

from collections.abc import Iterable
from dataclasses import asdict, dataclass, field, replace
from typing import Any, Literal

import numpy as np
import pandas as pd

from arcdrift.analysis.advice.advice_reasons import (
    check_reasons,
    doubt_text,
    newest_reading_note,
    plain_rules,
    short_reason,
    unchecked_text,
)
from arcdrift.analysis.advice.checklist import ChecklistItem
from arcdrift.analysis.advice.required_setting import (
    AirAndWear,
    RequiredSetting,
    SettingModel,
    regressor_row,
    required_setting,
)
from arcdrift.analysis.advice.splicer_state import (
    AirNow,
    LastCheck,
    OpenArcFinding,
    SplicerState,
    UncheckedSplices,
)
from arcdrift.analysis.advice.verdict_decision import ArcConditions, SettingState, decide_verdict
from arcdrift.analysis.arc.arc_model import DEFAULT_TOLERANCE, ArcModel, Refusal
from arcdrift.analysis.arc.level_moves import ServiceMove
from arcdrift.analysis.common.service_actions import RESTART_ACTIONS
from arcdrift.analysis.maintenance.electrode_life import ElectrodeState
from arcdrift.analysis.setting_cost.mismatch_cost import MismatchCost, cost_summary
from arcdrift.charts.intervals import Z95
from arcdrift.record_subjects import Subjects
from arcdrift.settings import Crew
from arcdrift.verdicts import VERDICTS, VerdictCode
from arcdrift.wording import interval_text, probability_text

OFF_FROM = 0.5
"""Probability of being off by more than the tolerance from which a setting counts as off."""
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
MODEL_REASON = "The arc should be at"
"""How the reason begins that tells the setting needed and the one in force."""
RULES_ONLY = "Plain rules only: "
"""How a note begins that says why there is no answer of the model."""
NO_MODEL = "there is no arc model yet; run an analysis"
NO_SETTING = "no passed check with a setting to compare with"
SERVICED = "the splicer was serviced after its last check"
NO_ARCS = "the arc count on these electrodes is not known"
DRIFTING = ("arc-step", "arc-drift")
WORN = "electrodes-worn"
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
    verdict: VerdictCode
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
    unchecked: UncheckedSplices | None = None
    """Splices made on an arc that should have been checked."""
    electrodes: ElectrodeState | None = None
    """Wear of the electrodes by now; its numbers are in the JSON of the checklist."""
    in_short: str = ""
    """The main reason in about five words, for a tile; not in the JSON."""
    rests_on: Subjects = field(default_factory=Subjects)
    """Whose records it may depend on, those of its own splicer among them; not in the JSON."""

    def to_json(self) -> dict[str, Any]:
        """Convert to the documented JSON structure."""
        verdict, unchecked = VERDICTS[self.verdict], self.unchecked
        data = asdict(replace(self, electrodes=None))
        del data["electrodes"], data["in_short"], data["rests_on"]
        data["last_check"] = _stamp(self.last_check)
        data["verdict_words"], data["verdict_mark"] = verdict.words, verdict.mark
        data["unchecked_splices"] = 0 if unchecked is None else unchecked.splices
        data["unchecked_since"] = None if unchecked is None else _stamp(unchecked.since)
        del data["unchecked"]
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
    """Advise on one splicer, from the arc model and from plain rules.

    The model gives the setting required by the present air and wear, and the probability that it
    differs from the one stored by the last passed check by more than the tolerance (default three
    repeatabilities). The plain rules need no model (common practice, no source; settable in
    crew.toml). Either is enough for a setting to count as off. What follows from that is decided
    in `arcdrift.analysis.advice.verdict_decision`.

    Reasons come in the order of their weight for the verdict; splices made on an unchecked arc
    come before all others.
    """
    answer, note = _model_answer(state, model)
    rules = plain_rules(state, crew)
    off = answer is not None and answer.probability >= OFF_FROM
    doubt = doubt_text(state) if answer is None else ""
    setting: SettingState = "off" if rules or off else "unknown" if doubt else "right"
    pressing = [finding for finding in state.open_findings if finding.pressing]
    conditions = ArcConditions(
        passed_today=state.passed_today,
        setting=setting,
        drift_open=any(finding.kind in DRIFTING for finding in pressing),
        electrodes_worn=any(finding.kind == WORN for finding in pressing),
        unchecked_splices=0 if state.unchecked is None else state.unchecked.splices,
    )
    verdict = decide_verdict(conditions)
    reasons = [] if state.unchecked is None else [unchecked_text(state)]
    reasons += check_reasons(state)
    reasons += [answer.sentence] if answer is not None and off else []
    reasons += rules
    if verdict == "cannot-tell":
        reasons.append(doubt)
    reasons += [finding.words for finding in pressing]
    reasons += [DRIFT_NOTE] if conditions.drift_open else []
    if answer is not None and not off:
        reasons.append(answer.sentence)
    elif answer is None and setting == "right" and state.passed_today:
        reasons.append("A check was passed today and the air has not moved past any rule.")
    if state.air is not None and state.air.age_warning is not None:
        reasons.append(state.air.age_warning)
    reasons += [finding.words for finding in state.open_findings if not finding.pressing]
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
        unchecked=state.unchecked,
        in_short=short_reason(
            verdict,
            state,
            crew,
            None if answer is None else float(answer.required["value"]),
            pressing,
        ),
    )


def _stamp(time: pd.Timestamp | None) -> str | None:
    return None if time is None else time.isoformat().replace("+00:00", "Z")


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
        return None, f"{RULES_ONLY}{NO_MODEL}."
    if isinstance(model, Refusal):
        return None, f"{RULES_ONLY}{model.reason}."
    last, air = state.last_check, state.air
    if last is None or last.arc_setting is None:
        return None, f"{RULES_ONLY}{NO_SETTING}."
    if was_restarted(state):
        return None, f"{RULES_ONLY}{SERVICED}."
    if air is None or air.air_density is None or air.vapor_pressure is None:
        return (
            None,
            f"{RULES_ONLY}no complete air reading is recent.{newest_reading_note(state)}",
        )
    arcs = state.arcs_now
    if arcs is None:
        return None, f"{RULES_ONLY}{NO_ARCS}."
    quantity = _outside_range(model, air)
    if quantity:
        return None, f"{RULES_ONLY}{quantity} lies outside what this splicer has seen."
    now = AirAndWear(
        air.temperature_c,
        air.pressure_hpa,
        air.air_density,
        air.vapor_pressure,
        arcs,
        air.outdoor,
        air.age_min or 0.0,
    )
    required = required_in_air(state, model, now, last, last.arc_setting)
    value, (low, high) = required.value, required.interval
    tolerance = state.tolerance or DEFAULT_TOLERANCE * model.sigma
    difference = value - last.arc_setting
    probability = required.probability_off(last.arc_setting, tolerance)
    # to a tenth, as on pages and in tables: the same number must not look like two
    sentence = (
        f"{MODEL_REASON} {interval_text(value, low, high, model.unit, 1)}; it is set to "
        f"{last.arc_setting:g}. Chance of being off by more than {tolerance:.1f}: "
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


def was_restarted(state: SplicerState) -> bool:
    """Whether service since the last check may have moved the setting that is needed."""
    return any(action in RESTART_ACTIONS for action in state.service_since)


def required_in_air(
    state: SplicerState, model: SettingModel, air: AirAndWear, last: LastCheck, setting: float
) -> RequiredSetting:
    """Compute the setting that a splicer requires in some air now.

    Parameters
    ----------
    last : LastCheck
        The last passed check, which stored ``setting``.
    """
    return required_setting(
        model,
        air,
        last.air_and_wear,
        setting,
        same_shift=last.checked_at >= state.day_started
        or state.now - last.checked_at <= SHIFT_LENGTH,
        learned=state.learned_until is None or last.checked_at <= state.learned_until,
    )


def usable_range(model: SettingModel, name: str) -> tuple[float, float]:
    """Return the lowest and highest value of a quantity for which a model is used."""
    low, high = model.ranges[name]
    slack = RANGE_MARGIN * (high - low)
    return low - slack, high + slack


def _outside_range(model: SettingModel, air: AirNow) -> str | None:
    """Name of the air quantity that is outside the range of the model's checks; None if none."""
    for name, label, value in (
        ("air_density", "the air's density", air.air_density),
        ("vapor_pressure", "the air's water vapor", air.vapor_pressure),
    ):
        low, high = usable_range(model, name)
        if value is not None and not low <= value <= high:
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
