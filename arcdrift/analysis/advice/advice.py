"""Recalibrate now, or keep working? The technician's question, answered with its reasons."""

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd

from arcdrift.analysis.advice.checklist import StartItem
from arcdrift.analysis.advice.required_setting import Met, required_now, row
from arcdrift.analysis.advice.splicer_state import AirNow, LastCheck, Situation, Unsettled
from arcdrift.analysis.arc.arc_model import ArcModel, Refusal
from arcdrift.analysis.common.service_actions import RESTART_ACTIONS
from arcdrift.analysis.setting_cost.mismatch_cost import MismatchCost, cost_summary
from arcdrift.charts.intervals import Z95
from arcdrift.settings import Crew
from arcdrift.wording import probability_text, span_text

Verdict = Literal["recalibrate", "keep-working", "cannot-tell"]

REPEATABILITIES = 3.0
RECALIBRATE_AT = 0.5
"""Probability from which the model alone says recalibrate: more likely off than not."""
FINE_BELOW = 6.0
"""Tolerance (setting units) under which settings are told to a tenth."""
MARGIN = 0.1
"""How far beyond the air seen, as a share of its range, the model may still be asked."""
SHIFT = pd.Timedelta(hours=10)
"""Time after a check in which a shift may go on past midnight (common practice, no source)."""

CAUTIONS = (
    "Electrodes carry high voltage: power the splicer off before touching them.",
    "Never look into a fiber that may carry light (IEC 60825-2).",
    "Let solvent vapor clear before you arc, and keep glass shards off skin and out of eyes.",
    "In a manhole or other confined space, test the air before arcing.",
    "The maker's manual, local codes and licensed practice come first.",
)
DRIFTING = ("arc-step", "arc-drift")
NOT_MENDED = (
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
    """A verdict with its reasons. Shapes follow the project's JSON."""

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
    open_findings: tuple[Unsettled, ...] = ()
    worth: dict[str, Any] | None = None
    """The cost of working on with a wrong setting (`setting_cost.mismatch_cost.tell_worth`)."""
    start_of_day: tuple[StartItem, ...] = ()

    @property
    def drifting(self) -> bool:
        """Whether the arc changes for reasons that recalibrating does not mend."""
        return any(one.pressing and one.kind in DRIFTING for one in self.open_findings)

    def to_json(self) -> dict[str, Any]:
        """Return the one JSON shape scripts may rely on."""
        data = asdict(self)
        stamp = self.last_check
        data["last_check"] = None if stamp is None else stamp.isoformat().replace("+00:00", "Z")
        lists = ("reasons", "breakdown", "cautions", "program_classes", "start_of_day")
        for key in (*lists, "open_findings"):
            data[key] = list(data[key])
        return data


def advise(
    situation: Situation,
    model: ArcModel | Refusal | None,
    crew: Crew,
    worths: Iterable[MismatchCost] = (),
) -> Advice:
    """Weigh the model and the plain rules.

    The required setting is the model's value at the air and wear of now; the set one is what
    the last passed check stored. Probability that they differ by more than the tolerance
    (default three repeatabilities) uses the uncertainty of the model's coefficients. The plain
    rules stand beside it and need no model; common practice, no source, settable in crew.toml.
    """
    rules = plain_rules(situation, crew)
    answer, note = _ask_model(situation, model)
    reasons = list(rules)
    if answer is not None and answer.probability >= RECALIBRATE_AT:
        reasons.insert(0, answer.sentence)
    elif answer is not None:
        reasons.append(answer.sentence)
    verdict: Verdict
    if rules or (answer is not None and answer.probability >= RECALIBRATE_AT):
        verdict = "recalibrate"
    elif answer is None and situation.air is None:
        verdict = "cannot-tell"
        reasons.append(f"{_no_air(situation)}, so nobody can say what the air has done.")
    else:
        verdict = "keep-working"
        if answer is None:
            reasons.append("A check was passed today and the air has not moved past any rule.")
    if situation.air is not None and situation.air.old is not None:
        reasons.append(situation.air.old)
    pressing = [one.words for one in situation.open_findings if one.pressing]
    if any(one.pressing and one.kind in DRIFTING for one in situation.open_findings):
        pressing.append(NOT_MENDED)
    at = len(reasons) if verdict == "recalibrate" else 0
    reasons[at:at] = pressing
    reasons.extend(one.words for one in situation.open_findings if not one.pressing)
    last, air = situation.last_check, situation.air
    tolerance = situation.tolerance if answer is None else answer.tolerance
    return Advice(
        splicer=situation.splicer,
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
            {"program_class": name, "note": CLASS_NOTES[name]} for name in situation.program_classes
        ),
        open_findings=situation.open_findings,
        worth=cost_summary(
            worths,
            situation.program_classes,
            None if answer is None else answer.off,
            tolerance,
        ),
    )


def plain_rules(situation: Situation, crew: Crew) -> list[str]:
    """Reasons to recalibrate that need no model, the weightiest first."""
    last, rules = situation.last_check, crew.rules
    if last is None:
        return ["No passed arc check is on record for this splicer."]
    reasons = []
    if situation.failed_since:
        reasons.append("The latest arc check failed and none has passed since.")
    if last.checked_at < situation.day_started:
        reasons.append("No arc check has passed since this workday began.")
    replaced = [action for action in situation.service_since if action in RESTART_ACTIONS]
    if replaced:
        reasons.append(f"Since the last check: {', '.join(replaced)}.")
    if situation.site and last.site and situation.site != last.site:
        reasons.append(
            f"It was checked at {last.site}; {situation.site} would be another site."
            if situation.asked_elsewhere
            else f"The splicer moved from {last.site} to {situation.site} since the check."
        )
    air = situation.air
    if air is not None:
        moves = (
            ("Temperature", air.temperature_c, last.temperature_c, rules.temperature_moved_c, "°C"),
            ("Pressure", air.pressure_hpa, last.pressure_hpa, rules.pressure_moved_hpa, "hPa"),
            ("Humidity", air.humidity_pct, last.humidity_pct, rules.humidity_moved_pct, "points"),
        )
        for label, value, before, limit, unit in moves:
            if value is not None and before is not None and abs(value - before) >= limit:
                moved = f"{value - before:+.0f} {unit}"
                words = (
                    f"{label} there would be {moved} from that at the check"
                    if situation.asked_elsewhere
                    else f"{label} moved {moved} since the check"
                )
                reasons.append(f"{words} (rule: {limit:g} {unit}).")
    return reasons


def _no_air(situation: Situation) -> str:
    newest = situation.newest_reading
    if newest is None:
        return "There is no air reading of its site on record"
    return f"The newest air reading is {_reading_age(situation.now - newest)} old"


def _newest(situation: Situation) -> str:
    newest = situation.newest_reading
    return "" if newest is None else f" The newest is {_reading_age(situation.now - newest)} old."


def _reading_age(span: pd.Timedelta) -> str:
    return span_text(span, minutes_below=120)


@dataclass(frozen=True)
class _Answer:
    probability: float
    required: dict[str, Any]
    off: float
    tolerance: float
    breakdown: tuple[dict[str, Any], ...]
    sentence: str


def _ask_model(
    situation: Situation, model: ArcModel | Refusal | None
) -> tuple[_Answer | None, str]:
    """Answer of the model, or None, with a note on what the advice rests on."""
    if model is None:
        return None, "Plain rules only: there is no arc model yet; run an analysis."
    if isinstance(model, Refusal):
        return None, f"Plain rules only: {model.reason}."
    last, air = situation.last_check, situation.air
    if last is None or last.arc_setting is None:
        return None, "Plain rules only: no passed check with a setting to compare with."
    if any(action in RESTART_ACTIONS for action in situation.service_since):
        return None, "Plain rules only: the splicer was serviced after its last check."
    if air is None or air.air_density is None or air.vapor_pressure is None:
        return None, f"Plain rules only: no complete air reading is recent.{_newest(situation)}"
    arcs = situation.arcs_now
    if arcs is None:
        return None, "Plain rules only: the arc count on these electrodes is not known."
    outside = _outside(model, air)
    if outside:
        return None, f"Plain rules only: {outside} lies outside what this splicer has seen."
    until = situation.learned_until
    now = Met(
        air.temperature_c,
        air.pressure_hpa,
        air.air_density,
        air.vapor_pressure,
        arcs,
        air.outdoor,
    )
    needed = required_now(
        model,
        now,
        last.met,
        last.arc_setting,
        same_shift=last.checked_at >= situation.day_started
        or situation.now - last.checked_at <= SHIFT,
        learned=until is None or last.checked_at <= until,
    )
    value, sd = needed.value, needed.spread
    tolerance = situation.tolerance or REPEATABILITIES * model.sigma
    off = value - last.arc_setting
    probability = needed.off_by_more(last.arc_setting, tolerance)
    digits = 0 if tolerance >= FINE_BELOW else 1
    sentence = (
        f"The arc should be at {value:.{digits}f} {model.unit} (95 %: "
        f"{value - Z95 * sd:.{digits}f} to {value + Z95 * sd:.{digits}f}); it is set to "
        f"{last.arc_setting:g}. Chance of being off by more than {tolerance:.{digits}f}: "
        f"{probability_text(probability)}."
    )
    note = f"From {model.used} checks of this splicer"
    note += f" and slopes of {model.peers} sister splicers." if model.peers else "."
    answer = _Answer(
        probability=probability,
        required={
            "value": value,
            "low": value - Z95 * sd,
            "high": value + Z95 * sd,
            "unit": model.unit,
        },
        off=off,
        tolerance=float(tolerance),
        breakdown=_breakdown(model.unit, needed.mean, needed.cov, needed.row, last, value),
        sentence=sentence,
    )
    return answer, note


def _outside(model: ArcModel, air: AirNow) -> str | None:
    for name, label, value in (
        ("air_density", "the air's density", air.air_density),
        ("vapor_pressure", "the air's water vapor", air.vapor_pressure),
    ):
        low, high = model.ranges[name]
        slack = MARGIN * (high - low)
        if value is not None and not low - slack <= value <= high + slack:
            return label
    return None


def _breakdown(
    unit: str,
    mean: np.ndarray,
    cov: np.ndarray,
    now_x: np.ndarray,
    last: LastCheck,
    required: float,
) -> tuple[dict[str, Any], ...]:
    """Air, wear and unexplained parts of required minus set; they add up to it."""
    if (
        last.air_density is None
        or last.vapor_pressure is None
        or last.arcs is None
        or last.arc_setting is None
    ):
        return ()
    then = row(last.air_density, last.vapor_pressure, last.arcs)
    step = now_x - then
    parts = []
    for part, pick in (("air", [0, 1]), ("wear", [2])):
        value = float(step[pick] @ mean[pick])
        half = Z95 * float(np.sqrt(step[pick] @ cov[np.ix_(pick, pick)] @ step[pick]))
        parts.append((part, value, half))
    at_check = float(then @ mean)
    half = Z95 * float(np.sqrt(then @ cov @ then))
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
