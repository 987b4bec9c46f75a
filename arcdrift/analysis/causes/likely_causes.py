"""Likely causes of a rise or fall of loss, ranked by the pattern of losses and by other records.

The result is a hint with its evidence, not a verdict. Each hypothesis (dust at one splicer, a dull
blade, one technician, a batch of fiber ...) says which cells of the crew shifted and which did not,
and what else should then be on record. Its score is the sum of the logs of its prior, of the Bayes
factor of the cells (`arcdrift.analysis.causes.shift_cells`), and of the likelihood ratios of
the other signs against coincidence. "Cannot tell" is a hypothesis too, with the evidence that a
chance alarm would have. Priors and the strength of signs were set on simulated crews
(``tests/recovery/cause_study.py``), which also measure how well the weights are calibrated.
"""

from collections.abc import Collection, Sequence

import numpy as np
import pandas as pd

from arcdrift.analysis.causes.crew_wide_hypotheses import crew_wide_hypotheses
from arcdrift.analysis.causes.hypothesis import (
    MIN_SPLICES,
    Hypothesis,
    ShiftEvidence,
    cells_of_subject,
)
from arcdrift.analysis.causes.measure_model import SubjectShift
from arcdrift.analysis.causes.onset_window import OnsetWindow
from arcdrift.analysis.causes.records_near_onset import RecordsNearOnset
from arcdrift.analysis.causes.shift_cells import ShiftCells
from arcdrift.analysis.causes.splicer_hypotheses import splicer_hypotheses
from arcdrift.analysis.causes.technician_hypotheses import technician_hypotheses
from arcdrift.finding import NO_CAUSE, Cause

CHANCE = (2.0, 6.0)
"""Bounds on the evidence of a chance alarm for its own subject, which was selected by the alarm."""
MIN_WEIGHT = 0.05
"""Smallest weight of a reported cause."""
MOST = 4
"""Largest number of reported causes."""


def likely_causes(
    cells: ShiftCells,
    records: RecordsNearOnset,
    subject_type: str,
    subject_id: str,
    onset: pd.Timestamp,
    until: pd.Timestamp,
    side: str,
    *,
    measure: str = "level",
    others: Sequence[SubjectShift] = (),
    people: Collection[str] = (),
) -> tuple[Cause, ...]:
    """Rank possible causes of a shift of a stream, splicer, technician, site or crew.

    Parameters
    ----------
    cells : ShiftCells
        Cells of the whole crew, the same in which subjects are compared.
    records : RecordsNearOnset
        Other records of the whole crew.
    subject_type : str
        ``stream`` (``splicer / program``), ``splicer``, ``technician``, ``cleaver``,
        ``program``, ``site`` or ``crew``.
    onset, until : Timestamp
        UTC start of the first day after the change, and of the last day that showed it.
    side : str
        ``up`` or ``down``.
    measure : str
        What shifted: one of `arcdrift.analysis.causes.measure_model.SCALES`.
    others : sequence of SubjectShift
        Shifts of other subjects of the same time, which explain part of the cells.
    people : collection of str
        People whom the comparison of subjects names for the shift. Others are not named as its
        cause, unless the losses differ because they took over.

    Returns
    -------
    tuple of Cause
        Weights are posterior probabilities among all hypotheses, "cannot tell" included; causes
        below 0.05 are left out.
    """
    window = OnsetWindow(cells, onset, until, measure, others)
    if not window.has_both_sides:
        return _cannot_tell("there are no splices before the onset to compare with")
    cells_since = window.after & cells_of_subject(window, subject_type, subject_id)
    if window.n[cells_since].sum() < MIN_SPLICES:
        return _cannot_tell(f"fewer than {MIN_SPLICES} splices since the onset can be compared")
    sign = 1.0 if side == "up" else -1.0
    evidence = ShiftEvidence(
        window, records, cells_since, onset, until, sign, subject_type == "technician",
        frozenset(people),
    )  # fmt: skip
    chance = Hypothesis(
        NO_CAUSE,
        lambda: "what is on record does not say more than chance would",
        evidence.log_prior("chance") + float(np.clip(evidence.loss_evidence(cells_since), *CHANCE)),
    )
    return _ranked(
        [
            chance,
            *splicer_hypotheses(evidence),
            *technician_hypotheses(evidence),
            *crew_wide_hypotheses(evidence),
        ]
    )


def _cannot_tell(why: str) -> tuple[Cause, ...]:
    return (Cause(NO_CAUSE, why, 1.0),)


def _ranked(hypotheses: list[Hypothesis]) -> tuple[Cause, ...]:
    """Causes with their posterior probabilities, most likely first."""
    scores = np.array([hypothesis.score for hypothesis in hypotheses])
    weights = np.exp(scores - scores.max())
    weights /= weights.sum()
    # hypotheses on one person are one cause, with the explanation of the likelier hypothesis
    groups: dict[str, list[int]] = {}
    for index, hypothesis in enumerate(hypotheses):
        groups.setdefault(hypothesis.technician or f" {index}", []).append(index)
    ranked = [
        (float(weights[group].sum()), hypotheses[max(group, key=lambda index: scores[index])])
        for group in groups.values()
    ]
    ranked.sort(key=lambda pair: -pair[0])
    return tuple(
        Cause(hypothesis.cause, hypothesis.why(), round(weight, 2))
        for weight, hypothesis in ranked[:MOST]
        if weight >= MIN_WEIGHT
    )
