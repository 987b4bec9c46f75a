"""Likely causes of a risen or fallen loss, ranked by what the loss pattern and the records say.

A hint with its evidence, not a verdict. Every story (dust at one splicer, a dull blade, one pair
of hands, a batch of fiber ...) says which cells of the crew moved and which did not, and what
else should then be on record. Its score is the log of its prior, of how well the losses fit it
(`arcdrift.analysis.causes.random_effects`), and of how much likelier the other signs are under it
than by coincidence. "Cannot tell" is a story too, with the evidence a chance alarm would have, and
wins
where nothing else speaks. Priors and the strength of signs were set on simulated crews
(``tests/recovery/cause_study.py``), which also tells how far the weights can be trusted.
"""

import numpy as np
import pandas as pd

from arcdrift.analysis.causes.crew_cells import CrewCells
from arcdrift.analysis.causes.crew_wide_hypotheses import wide_stories
from arcdrift.analysis.causes.hypothesis import FEWEST, Story, View, subject_cells
from arcdrift.analysis.causes.records_near_onset import Changes
from arcdrift.analysis.causes.splicer_hypotheses import machine_stories
from arcdrift.analysis.causes.technician_hypotheses import hand_stories
from arcdrift.finding import Cause

CANNOT_TELL = "cannot tell"
CHANCE = (2.0, 6.0)
"""Evidence that a chance alarm has for its own subject, which was picked for it: at least and at
most so much of what is seen."""
LISTED = 0.05
"""Weight from which a cause is told."""
MOST = 4


def likely_causes(
    cells: CrewCells,
    changes: Changes,
    subject_type: str,
    subject_id: str,
    onset: pd.Timestamp,
    until: pd.Timestamp,
    side: str,
) -> tuple[Cause, ...]:
    """Rank what may have moved the loss of a stream, splicer, technician, site or crew.

    Parameters
    ----------
    cells : CrewCells
        The whole crew's, indexed once.
    changes : Changes
        What else is on record.
    subject_type : str
        ``stream`` (``splicer / program``), ``splicer``, ``technician``, ``cleaver``,
        ``program``, ``site`` or ``crew``.
    onset, until : Timestamp
        UTC: when the first day after the change began, and the last day that showed it.
    side : str
        ``up`` or ``down``.

    Returns
    -------
    tuple of Cause
        Weights are chances among all stories, "cannot tell" included; those below 0.05 are left
        out.
    """
    window = cells.window(onset, until)
    if window is None:
        return _nothing("there are no splices before the onset to compare with")
    own = window.after & subject_cells(window, subject_type, subject_id)
    if window.n[own].sum() < FEWEST:
        return _nothing(f"fewer than {FEWEST} splices since the onset can be compared")
    sign = 1.0 if side == "up" else -1.0
    view = View(window, changes, own, onset, until, sign, subject_type == "technician")
    chance = Story(
        CANNOT_TELL,
        lambda: "what is on record does not say more than chance would",
        view.prior("chance") + float(np.clip(view.loss(own), *CHANCE)),
    )
    stories = [chance, *machine_stories(view), *hand_stories(view), *wide_stories(view)]
    return _ranked(stories)


def _nothing(why: str) -> tuple[Cause, ...]:
    return (Cause(CANNOT_TELL, why, 1.0),)


def _ranked(stories: list[Story]) -> tuple[Cause, ...]:
    scores = np.array([story.score for story in stories])
    weights = np.exp(scores - scores.max())
    weights /= weights.sum()
    # what is said of one person is one cause, told in the words of its likelier story
    together: dict[str, list[int]] = {}
    for place, story in enumerate(stories):
        together.setdefault(story.who or f" {place}", []).append(place)
    told = [
        (float(weights[places].sum()), stories[max(places, key=lambda one: scores[one])])
        for places in together.values()
    ]
    told.sort(key=lambda one: -one[0])
    return tuple(
        Cause(story.cause, story.why(), round(weight, 2))
        for weight, story in told[:MOST]
        if weight >= LISTED
    )
