"""Which subjects' losses rose: every subject and onset compared as explanations of the same cells.

Every stream, splicer, technician, cleaver, program, way of holding the fibers, site and the crew,
alarmed or not, with every onset of the last weeks is one hypothesis: its cells rose together from
that day on. Posterior odds against no rise are the mean Bayes factor over the onsets times the
prior of the subject. The subject with the highest odds is named, its rise becomes part of the
covariance of the cells, and the others are compared again, until none exceeds the limit; then those
that fall below the limit because of the ones named after them are dropped.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np
from scipy.special import logsumexp

from arcdrift.analysis.causes.measure_model import MeasureModel, SubjectShift
from arcdrift.analysis.causes.shift_cells import ShiftCells
from arcdrift.analysis.loss.technician_days import NO_CLEAVER, NO_HOLDING, NOBODY
from arcdrift.arrays import Bools, Datetimes, Floats, Ints
from arcdrift.charts.random_effects import (
    RandomEffectsModel,
    ShiftsByOnset,
    shift_log_bayes_factor,
)

PRIOR = {
    "stream": 0.25, "splicer": 0.24, "technician": 0.19, "cleaver": 0.10, "program": 0.06,
    "holding": 0.04, "site": 0.06, "crew": 0.06,
}  # fmt: skip
"""Prior probability of each type of subject, shared by the subjects of the type."""
ONSET_SPAN = np.timedelta64(56, "D")
"""Days back to the earliest onset: 40 workdays."""
HISTORY_SPAN = np.timedelta64(56, "D")
"""Days before the earliest onset from which streams, people and splicers are known."""
LIMIT = 1.0
"""Log posterior odds from which a subject is named. A prototype of this comparison named .03
subjects a month in 300 crews without a rise, drawn by parametric bootstrap, at one look every three
workdays; here only alarms cause a look."""
CLOSE = float(np.log(5.0))
"""A subject whose log odds are lower by at most this is named beside the first."""
PERSON_EVIDENCE = float(np.log(3.0))
"""Log Bayes factor that a person's splices need without those on the splicer that speaks most."""
FREE_SD = 5.0
"""Standard deviation of an effect that fits its cells whatever they have."""
MOST = 6
"""Largest number of rises named at a time."""
UNPROVEN = ("technician", "")
"""Rival that is a person whose splices on other splicers do not show the rise."""
PROBABLE = 0.95
"""Posterior probability of the range of onsets."""


@dataclass(frozen=True)
class NamedShift:
    """A rise of one subject with the odds of it.

    Attributes
    ----------
    earliest, latest : datetime64[D]
        Range of the onset with 95 % posterior probability.
    log_odds : float
        Log posterior odds against no rise.
    probability : float
        Posterior probability among all subjects and none, that of people who cannot be told
        from the subject included.
    rivals : tuple of (subject type, id, probability)
        Other subjects nearly as likely. The id of a person is empty unless the evidence comes from
        two splicers or more.
    """

    shift: SubjectShift
    earliest: np.datetime64
    latest: np.datetime64
    log_odds: float
    probability: float
    rivals: tuple[tuple[str, str, float], ...] = ()


@dataclass(frozen=True)
class _Scores:
    """Log Bayes factors of the subjects of one type by onset: shape (subjects, onsets)."""

    subject_type: str
    names: list[str]
    code: Ints
    by_onset: Floats
    log_prior: float

    @property
    def log_odds(self) -> Floats:
        """Log posterior odds of each subject against no rise."""
        with np.errstate(divide="ignore"):
            total = logsumexp(self.by_onset, axis=1)
        return np.asarray(total + self.log_prior, dtype=np.float64)


class SubjectComparison:
    """All subjects compared on one measure's cells up to one day.

    Parameters
    ----------
    source : ShiftCells
    measure : str
    until : datetime64[D]
        Last day that is looked at.
    """

    def __init__(self, source: ShiftCells, measure: str, until: np.datetime64) -> None:
        first = until - ONSET_SPAN
        rows = source.rows_between(first - HISTORY_SPAN, until)
        self.model: MeasureModel = source.model(measure, rows, first)
        self.until = until
        self._source = source
        day = self.model.day
        self.onsets: Datetimes = np.unique(day[day > first])
        self._day = np.searchsorted(self.onsets, day) - np.where(day <= first, 1, 0)

    def depends_on(self, known: Sequence[SubjectShift]) -> tuple[object, ...]:
        """What the answers beside some known rises depend on; when these ended does not matter."""
        return self.model.content, self.until, [replace(s, last=self.until) for s in known]

    def _ended(self, known: Sequence[SubjectShift]) -> list[SubjectShift]:
        """Known rises with the ends that fit the cells best, up to the last day looked at."""
        return [with_end(self.model, replace(s, last=self.until), self.until) for s in known]

    @cached_property
    def _subjects(self) -> list[tuple[str, list[str], Ints]]:
        """Names of the subjects of each type, and the number of each cell's subject."""
        cells, rows = self._source.cells, self.model.rows
        code = {key: values[rows] for key, values in cells.code.items()}
        found = []
        for kind in PRIOR:
            if kind == "crew":
                several = len(np.unique(code["splicer"])) > 2
                found.append(("crew", ["crew"] * several, np.where(several, 0, -1 - 0 * rows)))
                continue
            usable = _usable(kind, code, cells.names[kind])
            used = np.unique(code[kind][usable])
            number = np.full(len(cells.names[kind]), -1)
            number[used] = np.arange(len(used))
            names = [cells.names[kind][value] for value in used]
            found.append((kind, names, np.where(usable, number[code[kind]], -1)))
        return [entry for entry in found if entry[1]]

    @cached_property
    def _numbers(self) -> tuple[Ints, Ints]:
        """First number of the subjects of each type, and each cell's, shape (types, cells)."""
        start = np.cumsum([0, *(len(names) for _, names, _ in self._subjects)])
        number = np.stack(
            [
                np.where(code >= 0, code + first, -1)
                for (_, _, code), first in zip(self._subjects, start, strict=False)
            ]
        )
        return start, number

    @cached_property
    def _sets(self) -> ShiftsByOnset:
        """Cells of each subject from each onset on."""
        start, number = self._numbers
        return self.model.effects.by_onset(number, int(start[-1]), self._day, len(self.onsets))

    def scores(
        self,
        effects: RandomEffectsModel,
        *,
        odds: float = -np.inf,
        kinds: Collection[str] = PRIOR,
        cells: Bools | None = None,
    ) -> list[_Scores]:
        """Compare subjects at all onsets.

        Parameters
        ----------
        odds : float
            Log odds below which a subject does not matter: onsets that could not lift it there
            have no evidence.
        kinds : collection of str
            Types of the subjects.
        cells : array of bool, shape (cells,), optional
            Subjects without any of these cells do not matter and have no evidence.
        """
        if not self._subjects:
            return []
        start, number = self._numbers
        size = np.diff(start)
        prior = np.array([PRIOR[kind] for kind, _, _ in self._subjects])
        log_prior = np.log(prior / (size * len(self.onsets)))
        # a Bayes factor is at most 2 exp(u^2 t^2 / 2)
        needed = odds - log_prior - np.log(2.0 * len(self.onsets))
        least = np.sqrt(2.0 * np.maximum(needed, 0.0)) / self.model.shift_sd
        compared = np.array([kind in kinds for kind, _, _ in self._subjects])
        least = np.repeat(np.where(compared, least, np.inf), size)
        if cells is not None:
            matters = np.zeros(len(least) + 1, dtype=np.bool_)
            matters[number[:, cells]] = True  # the last is that of -1, no subject
            least[~matters[:-1]] = np.inf
        score, information = effects.scores_by_onset(self._sets, least)
        evidence = shift_log_bayes_factor(score, information, self.model.shift_sd)
        # without cells on or after an onset there is no evidence
        evidence = np.where(information > 0, evidence, 0.0)
        return [
            _Scores(kind, names, code, evidence[first:stop], float(log_of_type))
            for (kind, names, code), (first, stop), log_of_type in zip(
                self._subjects, pairwise(start), log_prior, strict=True
            )
            if kind in kinds
        ]

    def named(self, known: Sequence[SubjectShift]) -> list[NamedShift]:
        """Subjects named, in the order of naming.

        Parameters
        ----------
        known : sequence of SubjectShift
            Rises named earlier, which become part of the covariance.
        """
        if not len(self.onsets):
            return []
        known = self._ended(known)
        found: list[NamedShift] = []
        while len(found) < MOST:
            best = self._best([*known, *(named.shift for named in found)])
            if best is None or best.log_odds < LIMIT:
                break
            found.append(best)
        if len(found) == 1:
            return found
        # compare each again beside the others
        settled: list[NamedShift] = []
        for place in range(len(found)):
            others = [*settled, *found[place + 1 :]]
            best = self._best([*known, *(named.shift for named in others)])
            if best is not None and best.log_odds >= LIMIT:
                settled.append(best)
        return settled

    def best_machine(
        self, cells: Bools, own: tuple[str, str], known: Sequence[SubjectShift]
    ) -> tuple[str, str] | None:
        """The likeliest stream or splicer among those with some cells, whatever its odds.

        Parameters
        ----------
        own : (subject type, id)
            A stream or splicer stays the answer unless another is far likelier. A stream whose
            splicer has no other has no such preference.
        known : sequence of SubjectShift
            As in `named`.
        """
        if not len(self.onsets) or not cells.any():
            return None
        preferred: tuple[str, str] | None = own
        if own[0] == "stream":
            splicer = "splicer", own[1].split(" / ")[0]
            of_stream, of_splicer = (
                self._source.cells.subject(*subject, self.model.rows) for subject in (own, splicer)
            )
            preferred = own if (of_stream != of_splicer).any() else None
        best: tuple[float, tuple[str, str]] | None = None
        effects = self.model.with_shifts(self._ended(known))
        for scores in self.scores(effects, kinds=("stream", "splicer"), cells=cells):
            for index in np.unique(scores.code[cells]):
                subject = scores.subject_type, scores.names[index]
                odds = float(scores.log_odds[index]) + (CLOSE if subject == preferred else 0.0)
                if index >= 0 and (best is None or odds > best[0]):
                    best = odds, subject
        return None if best is None else best[1]

    def _shift(self, scores: _Scores, index: int) -> SubjectShift:
        onset = self.onsets[int(np.argmax(scores.by_onset[index]))]
        name = scores.names[index]
        return SubjectShift(self.model.measure, scores.subject_type, name, onset, self.until)

    def _best(self, others: Sequence[SubjectShift]) -> NamedShift | None:
        """The likeliest subject beside others, a person only with evidence from two splicers."""
        effects = self.model.with_shifts(others)
        ranked = [
            (float(odds), scores, index)
            for scores in self.scores(effects, odds=LIMIT - CLOSE)
            for index, odds in enumerate(scores.log_odds)
        ]
        ranked.sort(key=lambda entry: -entry[0])
        total = float(np.logaddexp(0.0, logsumexp([odds for odds, _, _ in ranked])))
        best: tuple[float, _Scores, int] | None = None
        rivals: list[tuple[float, str, str]] = []
        for odds, scores, index in ranked:
            if odds < LIMIT - CLOSE or (best is not None and odds < best[0] - CLOSE):
                break
            proven = scores
            if scores.subject_type == "technician":
                proven = self._seen_on_two_splicers(effects, scores, index)
            proven_odds = float(proven.log_odds[index])
            if proven_odds < LIMIT - CLOSE:
                rivals.append((odds, *UNPROVEN))
            elif best is None or proven_odds > best[0]:
                rivals += [] if best is None else [_rival(best)]
                best = proven_odds, proven, index
            else:
                rivals.append((proven_odds, scores.subject_type, scores.names[index]))
        if best is None:
            return None
        odds, scores, index = best
        earliest, latest = self._onset_range(scores.by_onset[index])
        # one person's splices on a machine alone cannot be told from the machine
        unproven = [rival_odds for rival_odds, kind, name in rivals if (kind, name) == UNPROVEN]
        return NamedShift(
            self._shift(scores, index),
            earliest,
            latest,
            odds,
            float(np.exp(logsumexp([odds, *unproven]) - total)),
            tuple(
                (kind, name, float(np.exp(rival_odds - total)))
                for rival_odds, kind, name in rivals
                if rival_odds >= odds - CLOSE
            ),
        )

    def _seen_on_two_splicers(
        self, effects: RandomEffectsModel, scores: _Scores, index: int
    ) -> _Scores:
        """Scores of a person from those onsets only that two splicers or more speak for."""
        by_onset = scores.by_onset.copy()
        needed = LIMIT - CLOSE - scores.log_prior - np.log(len(self.onsets))
        for place, onset in enumerate(self.onsets):
            if by_onset[index, place] < needed:
                by_onset[index, place] = -np.inf
                continue
            shift = SubjectShift(
                self.model.measure, "technician", scores.names[index], onset, self.until
            )
            if not on_two_splicers(self.model, effects, self.model.cells_of(shift), 1.0):
                by_onset[index, place] = -np.inf
        return replace(scores, by_onset=by_onset)

    def _onset_range(self, evidence: Floats) -> tuple[np.datetime64, np.datetime64]:
        probability = np.exp(evidence - logsumexp(evidence))
        order = np.argsort(-probability, kind="stable")
        count = int(np.searchsorted(np.cumsum(probability[order]), PROBABLE)) + 1
        inside = order[:count]
        return self.onsets[inside.min()], self.onsets[inside.max()]


def _rival(entry: tuple[float, _Scores, int]) -> tuple[float, str, str]:
    odds, scores, index = entry
    return odds, scores.subject_type, scores.names[index]


def with_end(model: MeasureModel, shift: SubjectShift, latest: np.datetime64) -> SubjectShift:
    """A rise with the last day that fits its cells best, up to a day."""
    cells = model.cells_of(replace(shift, last=latest))
    ends, number = np.unique(model.day[cells], return_inverse=True)
    if not len(ends):
        return shift
    # days counted backward: those up to an end are then those from an onset on
    backward = np.full(len(cells), -1)
    backward[cells] = len(ends) - 1 - number
    subject = np.where(cells, 0, -1)[None, :]
    sets = model.effects.by_onset(subject, 1, backward, len(ends))
    score, information = model.effects.scores_by_onset(sets)
    evidence = shift_log_bayes_factor(score[0, ::-1], information[0, ::-1], model.shift_sd)
    return replace(shift, last=ends[int(np.argmax(evidence))])


def on_two_splicers(
    model: MeasureModel, effects: RandomEffectsModel, cells: Bools, side: float
) -> bool:
    """Whether cells speak for a shift even without the splicer that speaks most for it."""
    splicer = model.cells.code["splicer"][model.rows]
    names = np.unique(splicer[cells])
    if len(names) < 2:
        return False
    sets = cells[:, None] & (splicer[:, None] == names)
    score, information = effects.scores_and_information(sets)
    own = np.maximum(information.diagonal(), 0.0)
    strongest = int(np.argmax(shift_log_bayes_factor(side * score, own, model.shift_sd)))
    rest = np.arange(len(names)) != strongest
    # whatever the person's splices on that splicer have, they say nothing of the others: an
    # effect with a large variance is added for them (Sherman and Morrison 1950)
    free = FREE_SD**2 / (1.0 + FREE_SD**2 * own[strongest])
    shared = float(information[strongest, rest].sum())
    rest_score = float(score[rest].sum()) - shared * free * float(score[strongest])
    rest_information = float(information[np.ix_(rest, rest)].sum()) - shared**2 * free
    evidence = shift_log_bayes_factor(
        np.array(side * rest_score), np.array(rest_information), model.shift_sd
    )
    return float(evidence) >= PERSON_EVIDENCE


def _usable(kind: str, code: dict[str, Ints], names: list[str]) -> Bools:
    """Cells that may belong to a subject of a type.

    A program, site or way of holding of one splicer repeats that splicer, and a single one the
    crew. A splicer with one program is compared beside its stream, although the cells are the same:
    their priors say that more causes lie in a splicer than in one program on it.
    """
    values = code[kind]
    unknown = [
        number for number, name in enumerate(names) if name in (NOBODY, NO_CLEAVER, NO_HOLDING)
    ]
    usable: Bools = ~np.isin(values, unknown)
    if kind in ("program", "holding", "site"):
        used_by = np.zeros((len(names), int(code["splicer"].max(initial=-1)) + 1), dtype=np.bool_)
        used_by[values, code["splicer"]] = True
        splicers = used_by.sum(axis=1)
        usable &= (splicers[values] > 1) & ((splicers > 0).sum() > 1)
    return usable
