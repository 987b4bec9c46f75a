"""Hypotheses on machines: a splicer, its arc, electrodes and service, and a cleaver."""

from functools import partial

import numpy as np
import pandas as pd
from scipy.special import logsumexp

from arcdrift.analysis.causes.hypothesis import MAX_DEFICIT, MAX_SIGN, Hypothesis, ShiftEvidence
from arcdrift.analysis.common.days import DAY
from arcdrift.analysis.common.service_actions import LAG, LEAD, ROUTINE_ACTIONS
from arcdrift.analysis.loss.technician_days import NO_CLEAVER
from arcdrift.arrays import Bools, Floats

ARC_DAYS = pd.Timedelta(days=10)
BEFORE_DAYS = pd.Timedelta(days=45)
"""Window around the onset in which an arc alarm counts, and days before it for comparison."""
MAX_SERVICE_SIGN, MENDS = 2.5, 6.0
"""Largest log likelihood ratio of the date of a service, and how much likelier service is to lower
the loss than to raise it."""
UNEVEN_MOVED = 0.25
"""Change of right minus left log angle that indicates one side."""
ALARM_SIGN, UNCHECKED_SIGN, NO_SIGN = 2.5, 2.0, -2.0
"""Log likelihood ratios for the arc: of an arc alarm near the onset, of days without a passed
check, and of no sign at all."""
OFF, MAX_OFF_SIGN, OFF_SLOPE = 2.5, 4.0, 0.3
"""A setting off by so many repeatabilities of a check is a sign; largest log likelihood ratio of
it, and its increase per squared repeatability."""
WORN_FROM, WORN_SLOPE, MAX_WORN_SIGN = 1.02, 40.0, 4.0
"""Used share of the electrodes' life at which the sign is neutral, its slope, and its bound. The
share is above 1, because pairs that are replaced in time reach their life, too."""


def splicer_hypotheses(evidence: ShiftEvidence) -> list[Hypothesis]:
    """Hypotheses on each splicer and cleaver of the subject's splices."""
    found = []
    codes = evidence.codes("splicer")
    for code in codes:
        cells, name = evidence.cells_with("splicer", code), evidence.name("splicer", code)
        base = evidence.loss_evidence(cells) - float(np.log(len(codes)))
        found.append(
            Hypothesis(
                "the splicer itself: dust in the v-grooves or on the lenses, or its electrodes"
                if evidence.sign > 0
                else "the splicer itself: cleaned or mended",
                partial(_splicer_text, evidence, cells, name),
                base + evidence.log_prior("splicer"),
            )
        )
        found.append(_arc(evidence, name, _arc_evidence(evidence, code) - np.log(len(codes))))
        found += _worn_electrodes(evidence, name, base)
        found += _service(evidence, name, base)
    cleavers = [
        code for code in evidence.codes("cleaver") if evidence.name("cleaver", code) != NO_CLEAVER
    ]
    for code in cleavers:
        found += _cleaver(evidence, code, len(cleavers))
    return found


def _splicer_text(evidence: ShiftEvidence, cells: Bools, name: str) -> str:
    technicians = evidence.largest_parts_text(cells, "technician")
    text = f"{name} moved as a whole ({evidence.largest_parts_text(cells, 'program')}"
    return (
        text
        + f"; in the hands of {technicians})" * bool(technicians)
        + evidence.change_text(~cells, ", the other splicers by {}")
    )


def _arc_evidence(evidence: ShiftEvidence, splicer: int) -> float:
    """Evidence that a splicer, or one of its programs alone, shifted.

    A wrong setting shows on programs that trust it sooner than on those that adjust the arc.
    """
    window = evidence.window
    cells = evidence.cells_with("splicer", splicer)
    streams = np.unique(window.code("stream")[cells & window.after])
    parts = [evidence.cells_with("stream", int(stream)) for stream in streams]
    each = [evidence.loss_evidence(part) for part in (cells, *parts)]
    return float(logsumexp(each) - np.log(len(each)))


def _arc(evidence: ShiftEvidence, name: str, base: float) -> Hypothesis:
    records, signs, score = evidence.records, [], 0.0
    missed, worked = records.unchecked_workdays(name, evidence.onset, evidence.until + DAY)
    unchecked = missed >= max(2, 0.5 * worked)
    # without checks since the onset, the change shows at the first check after it
    last = evidence.until if unchecked else evidence.onset
    alarm = records.arc_alarm_between(name, evidence.onset - ARC_DAYS, last + ARC_DAYS)
    if alarm is not None:
        score += ALARM_SIGN
        signs.append(f"the setting moved unexplained on {alarm:%Y-%m-%d}")
    if unchecked and evidence.sign > 0:
        score += UNCHECKED_SIGN
        signs.append(f"no arc check passed on {missed} of {worked} workdays since the onset")
    off = records.mismatches(name)
    if off is not None:
        # local days have no time zone: take the midnight nearest to the onset
        start, stop = ((at + DAY / 2).floor("D") for at in (evidence.onset, evidence.until))
        before = _mean(off.square, off.n, _between(off.at, start - BEFORE_DAYS, start))
        now = _mean(off.square, off.n, _between(off.at, start, stop + DAY))
        if before is not None and now is not None:
            worse, better = (now, before) if evidence.sign > 0 else (before, now)
            if worse > max(OFF**2, 2.0 * better):
                score += min(OFF_SLOPE * (worse - better), MAX_OFF_SIGN)
                signs.append(
                    f"the setting was off by {np.sqrt(now):.1f} times a check's repeatability "
                    f"since, {np.sqrt(before):.1f} times before"
                )
    score = min(score, ALARM_SIGN + UNCHECKED_SIGN) if signs else NO_SIGN
    text = f"{name}: " + ("; ".join(signs) or "nothing in its arc checks speaks for it")
    cause = "arc: the setting does not suit the air or the electrodes"
    if evidence.sign < 0:
        cause = "arc: the setting suits the air and the electrodes again"
    return Hypothesis(cause, partial(str, text), base + evidence.log_prior("arc") + score)


def _worn_electrodes(evidence: ShiftEvidence, name: str, base: float) -> list[Hypothesis]:
    used_life = evidence.records.electrode_arcs(name, evidence.until)
    if used_life is None or evidence.sign < 0:
        return []
    arcs, life = used_life
    score = float(np.clip(WORN_SLOPE * (arcs / life - WORN_FROM), -MAX_WORN_SIGN, MAX_WORN_SIGN))
    why = f"{name}: {arcs:,.0f} arcs on the electrodes, of {life:,} they are good for"
    return [
        Hypothesis("worn electrodes", partial(str, why), base + evidence.log_prior("worn") + score)
    ]


def _service(evidence: ShiftEvidence, name: str, base: float) -> list[Hypothesis]:
    found = []
    for action, when in evidence.records.service_between(
        name, evidence.onset - LEAD, evidence.onset + LAG
    ):
        if action in ROUTINE_ACTIONS:
            continue
        rate = evidence.records.rate_per_day(action) * (LEAD / DAY + 1.0)
        score = float(np.clip(-np.log(max(rate, 1e-9)), 0.0, MAX_SERVICE_SIGN))
        score += float(np.log(MENDS)) if evidence.sign < 0 else 0.0
        why = f"done on {when:%Y-%m-%d} at {name}, near the onset"
        found.append(
            Hypothesis(
                f"service: {action}",
                partial(str, why),
                base + evidence.log_prior("service") + score,
            )
        )
    return found


def _cleaver(evidence: ShiftEvidence, code: int, among: int) -> list[Hypothesis]:
    name, cells = evidence.name("cleaver", code), evidence.cells_with("cleaver", code)
    base = evidence.loss_evidence(cells) - float(np.log(among))
    base += evidence.angle_evidence[("cleaver", code)]
    shift = evidence.angle_shift(cells)
    uneven = max(
        (evidence.angle_shift(cells, "uneven", side) for side in (1.0, -1.0)),
        key=lambda shift: shift.log_bayes_factor,
    )
    cap = MAX_SIGN + abs(uneven.size) / UNEVEN_MOVED
    side_sign = float(np.clip(uneven.log_bayes_factor - np.log(2.0), -MAX_DEFICIT, cap))
    if abs(uneven.size) < UNEVEN_MOVED:
        side_sign = min(side_sign, 0.0) - MAX_SIGN
    cleaves = evidence.records.cleaves_on_position(name, evidence.until)
    life = evidence.records.crew.blade.cleaves_per_position
    use_sign, text = 0.0, f"cleave angles with {name} changed by {np.expm1(shift.size):+.0%}"
    if cleaves is not None and evidence.sign > 0:
        use_sign = 1.5 if cleaves > 1.2 * life else -1.0 if cleaves < 0.6 * life else 0.0
        text += f"; {cleaves:,.0f} cleaves on the blade's position, of {life:,} it is good for"
    for action, when in evidence.records.service_between(
        name, evidence.onset - LEAD, evidence.onset + LAG
    ):
        use_sign += 1.0 if evidence.sign < 0 else 0.0
        text += f"; {action} on {when:%Y-%m-%d}"
    # the side whose angle changed in the direction of the loss
    side = "right" if uneven.size * evidence.sign > 0 else "left"
    side_change = evidence.sign * np.expm1(abs(uneven.size))
    side_text = f"with {name} the {side} angle changed by {side_change:+.0%} against the other"
    return [
        Hypothesis("cleaving: the blade, in all hands", partial(str, text),
              base + evidence.log_prior("blade") + use_sign),
        Hypothesis(f"cleaving: the {side} side only, its holder or clamp", partial(str, side_text),
              base + evidence.log_prior("one side") + side_sign),
    ]  # fmt: skip


def _between(at: np.ndarray, begin: pd.Timestamp, end: pd.Timestamp) -> Bools:
    low, high = (moment.tz_localize(None).value // 1000 for moment in (begin, end))
    return np.asarray((at >= low) & (at < high))


def _mean(values: Floats, n: Floats, rows: Bools) -> float | None:
    return float(np.average(values[rows], weights=n[rows])) if n[rows].sum() > 0 else None
