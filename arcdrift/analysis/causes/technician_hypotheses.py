"""Hypotheses on technicians: a person's splices changed, or another person took over."""

from functools import partial

import numpy as np

from arcdrift.analysis.causes.hypothesis import ANGLE_MOVED, MAX_SIGN, Hypothesis, ShiftEvidence
from arcdrift.analysis.loss.technician_days import NOBODY
from arcdrift.arrays import Bools

TAKEOVER, MORE = 0.5, 0.25
"""Increase of a person's share of the splices that is, or may be, a change of technician."""
TAKEOVER_SIGN = 1.0
"""Log likelihood ratio of a change of technician at the onset; small, because they are common."""
NEW_SIGN, NEW_DAYS, OLD_DAYS = 2.0, 30, 30
"""Log likelihood ratio of a new person, whose first splice is at most `NEW_DAYS` before the onset
and at least `OLD_DAYS` after the start of the records."""
ANGLES_TOO = 0.5
"""Probability that a technician who raises the loss also raises the cleave angles."""
UNNAMED = "one technician's splices, or the splicer they were made on"
UNPROVEN = (
    "{} of the splices were one person's, and that person's splices on other splicers do not "
    "show it: person and machine cannot be separated yet"
)
NEVER_ELSEWHERE = (
    "{} of the splices were one person's, who made none on another splicer in that time: person "
    "and machine cannot be separated"
)
CAUTION = "may be the work, the fiber or the place rather than the person"
DAY_US = 86_400_000_000


def _unproven_text(evidence: ShiftEvidence, person: int, share: float) -> str:
    """Why a person with some share of the splices is not named."""
    window = evidence.window
    machine = window.code("splicer")
    own = (window.code("technician") == person) & window.after
    elsewhere = own & ~np.isin(machine, np.unique(machine[evidence.subject_cells]))
    return (UNPROVEN if elsewhere.any() else NEVER_ELSEWHERE).format(f"{share:.0%}")


def technician_hypotheses(evidence: ShiftEvidence) -> list[Hypothesis]:
    """Hypotheses on each technician of the subject's splices.

    A person is named only if the splices on more than one splicer speak for it, and for a change
    only if the comparison of subjects does so too, which knows the others who could have changed.
    """
    window = evidence.window
    people = window.code("technician")
    if len(np.unique(people[window.after])) < 2:
        return []
    codes = [
        code for code in evidence.codes("technician") if evidence.name("technician", code) != NOBODY
    ]
    streams = np.isin(
        window.code("stream"), np.unique(window.code("stream")[evidence.subject_cells])
    )
    usual = streams & ~window.after
    found = []
    for code in codes:
        cells = evidence.cells_with("technician", code)
        now, before = (
            float(window.n[part & cells].sum() / max(window.n[part].sum(), 1.0))
            for part in (evidence.subject_cells, usual)
        )
        sign = TAKEOVER_SIGN if now - before >= TAKEOVER and not evidence.about_technician else 0.0
        new = _is_new(evidence, code)
        sign += NEW_SIGN if new else 0.0
        prior = sign - float(np.log(len(codes)))
        name = evidence.name("technician", code)
        strength = evidence.loss_evidence(cells)
        proven = evidence.about_technician or (
            name in evidence.people
            and strength > 0
            and evidence.on_two_splicers(cells & window.after)
        )
        found.append(
            Hypothesis(
                f"one technician's splices: {name}" if proven else UNNAMED,
                partial(_person_text, evidence, name, cells, streams, now, new)
                if proven
                else partial(str, _unproven_text(evidence, code, now)),
                strength + prior + evidence.log_prior("person")
                + _optional_sign(evidence.angle_evidence[("technician", code)]),
                technician=name,
            )
        )  # fmt: skip
        if now - before >= MORE and not evidence.about_technician:
            angle = evidence.angle_shift(cells, lasting=True)
            size = evidence.sign * angle.size
            term = min(angle.log_bayes_factor, MAX_SIGN) if size >= ANGLE_MOVED else -MAX_SIGN
            lasting = evidence.lasting_loss_evidence(cells)
            proven = lasting > 0 and evidence.on_two_splicers(cells)
            if proven and found[-1].cause == UNNAMED:
                found.pop()
            found.append(
                Hypothesis(
                    f"a change of hands: {name}" if proven else UNNAMED,
                    partial(_takeover_text, evidence, name, cells & ~streams, now, before, new)
                    if proven
                    else partial(str, _unproven_text(evidence, code, now)),
                    lasting + prior + evidence.log_prior("hands") + _optional_sign(term),
                    technician=name,
                )
            )
    return found


def _optional_sign(term: float) -> float:
    """Evidence of a sign that occurs with probability `ANGLES_TOO` under the hypothesis."""
    return float(np.logaddexp(np.log(ANGLES_TOO) + term, np.log(1.0 - ANGLES_TOO)))


def _is_new(evidence: ShiftEvidence, code: int) -> bool:
    """Whether a technician's first splice on record was shortly before the onset."""
    cells = evidence.window.cells
    first = int(cells.at[np.argmax(cells.code["technician"] == code)])
    onset = evidence.onset.value // 1000
    return first >= cells.at[0] + OLD_DAYS * DAY_US and onset - first <= NEW_DAYS * DAY_US


def _person_text(
    evidence: ShiftEvidence, name: str, cells: Bools, streams: Bools, now: float, new: bool
) -> str:
    change = evidence.loss_change(cells)
    text = "seen wherever this person worked"
    if not evidence.about_technician:
        text = f"{name} made {now:.0%} of the splices"
    if new:
        text += f", and {name} is new (first on record {_first_day(evidence, name)})"
    if change is not None:
        text += f"; on all splicers {name}'s {evidence.noun} changed by {change:+.0%}"
    text += evidence.change_text(streams & ~cells, ", those of others here by {}")
    shift = evidence.angle_shift(cells)
    if evidence.sign * shift.size >= ANGLE_MOVED:
        text += f", {name}'s cleave angles by {np.expm1(shift.size):+.0%}"
    return f"{text}; {CAUTION}"


def _takeover_text(
    evidence: ShiftEvidence, name: str, elsewhere: Bools, now: float, before: float, new: bool
) -> str:
    text = f"{name} made {before:.0%} of the splices before and {now:.0%} since"
    if new:
        text += f", and is new (first on record {_first_day(evidence, name)})"
    relative = evidence.relative_loss(elsewhere)
    if relative is not None:
        text += (
            f"; elsewhere {name}'s {evidence.noun} are {relative:+.0%} against what is usual there"
        )
    return f"{text}; {CAUTION}"


def _first_day(evidence: ShiftEvidence, name: str) -> str:
    cells = evidence.window.cells
    first = int(np.argmax(cells.code["technician"] == cells.code_of("technician", name)))
    return str(cells.names["day"][cells.code["day"][first]])[:10]
